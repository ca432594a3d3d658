"""Changing shop.toml by program: the owner's words stay, and no doubtful file is written."""

from __future__ import annotations

import difflib
import stat
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_daemon.errors import CalibrationError, ConfigError
from holdwatch_daemon.intake.calibration import Gauge, two_points, zero
from holdwatch_daemon.settings.edit import ShopFile, _blocks
from holdwatch_daemon.settings.load import load_config

EXAMPLE = (Path(__file__).parents[2] / "docs" / "shop.example.toml").read_text()
GAUGE_3 = {"name": "gauge-3", "address": "02:00:00:00:00:09", "unit": "kPag", "range": (0, 3500)}

APART = """# mine
[[probe]] # the first
name = "a"
address = "02:00:00:00:00:01"   # on the shelf

[[bay]]
name = "x" # left
[bay.roles] # what is where
low_side = "a/pressure"   # blue hose

# the second one
[[probe]]
name = "b"
address = "02:00:00:00:00:02"
unit = "kPag"
# until it comes back from repair:
noise = 0.4
[probe.calibration.pressure]
offset = 1.5 # spring
"""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "shop.toml"
    path.write_text(EXAMPLE)
    return path


def changes(before: str, after: str) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came."""
    lines = list(difflib.ndiff(before.splitlines(), after.splitlines()))
    gone = [line[2:] for line in lines if line.startswith("- ")]
    come = [line[2:] for line in lines if line.startswith("+ ")]
    return gone, come


def test_a_new_probe_stands_after_the_last_one_and_nothing_else_changes(path: Path) -> None:
    shop = ShopFile(path)
    assert shop.put_probe(GAUGE_3)
    assert shop.save() == path.with_name("shop.toml.bak")
    gone, come = changes(EXAMPLE, path.read_text())
    assert gone == []
    assert [line for line in come if line] == [
        "[[probe]]",
        'name = "gauge-3"',
        'address = "02:00:00:00:00:09"',
        'unit = "kPag"',
        "range = [0, 3500]",
    ]
    text = path.read_text()
    assert text.index('name = "wall"') < text.index('"gauge-3"') < text.index("# -- bays")
    assert path.with_name("shop.toml.bak").read_text() == EXAMPLE


def test_a_role_that_is_taken_over_is_told(path: Path) -> None:
    shop = ShopFile(path)
    shop.put_probe(GAUGE_3)
    assert shop.bind("bay-2", "low_side", "gauge-3/pressure") == "gauge-2/pressure"
    assert shop.bind("bay-2", "high_side", "gauge-3/pressure") is None
    assert shop.bind("bay-9", "low_side", "gauge-3/pressure") is None
    shop.save()
    roles = {bay.name: bay.roles for bay in load_config(path).bay}
    assert "low_side" not in roles["bay-2"], "one channel plays one role"
    assert roles["bay-2"]["high_side"] == "gauge-3/pressure"
    assert roles["bay-9"] == {"low_side": "gauge-3/pressure"}


def test_a_file_whose_tables_stand_apart_keeps_its_order_and_its_comments(tmp_path: Path) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(APART)
    shop = ShopFile(path)
    shop.put_probe({"name": "b", "noise": 0.3, "calibration": {"pressure": {"offset": -0.5}}})
    shop.put_probe({"name": "a", "unit": "kPag"})
    shop.bind("x", "low_side", "b/pressure")
    shop.save()
    gone, come = changes(APART, path.read_text())
    assert gone == ['low_side = "a/pressure"   # blue hose', "noise = 0.4", "offset = 1.5 # spring"]
    assert come == [
        'unit = "kPag"',
        'low_side = "b/pressure"   # blue hose',
        "noise = 0.3",
        "offset = -0.5 # spring",
    ]


def test_a_missing_file_is_made_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "garage" / "shop.toml"
    shop = ShopFile(path)
    shop.put_probe(GAUGE_3 | {"profile": "bthome", "key": "00" * 16})
    shop.bind("bay-1", "low_side", "gauge-3/pressure")
    assert shop.save() is None
    assert stat.S_IMODE(path.stat().st_mode) == 0o600, "it holds a key"
    assert load_config(path).probe[0].name == "gauge-3"
    path.chmod(0o640)
    again = ShopFile(path)
    again.put_probe({"name": "gauge-3", "noise": 0.1})
    again.save()
    assert stat.S_IMODE(path.stat().st_mode) == 0o640, "as its owner set it"


@pytest.mark.parametrize(
    ("figures", "named"),
    [
        ({"address": "12"}, "six pairs of hexadecimal digits"),
        ({"unit": "bar"}, "write barg or bara"),
        ({"range": (9, 1)}, "the lowest first"),
        ({"calibration": {"pressure": {"scale": 9.0}}}, "calibration.pressure.scale"),
        ({"calibration": {"pressure": {"ofset": 9.0}}}, "known here: how, made, offset"),
        ({"calibration": {"flow": {"offset": 9.0}}}, "calibrate pressure, temperature"),
        ({"calibration": {"temperature": {"offset": 9.0}}}, "does not measure what the channel"),
    ],
)
def test_a_wrong_figure_leaves_the_file_alone(path: Path, figures: object, named: str) -> None:
    shop = ShopFile(path)
    shop.put_probe(GAUGE_3 | figures)  # type: ignore[operator]
    with pytest.raises(ConfigError, match=named):
        shop.save()
    assert path.read_text() == EXAMPLE
    assert list(path.parent.iterdir()) == [path], "nothing is left lying about"


def test_a_file_changed_meanwhile_is_not_overwritten(path: Path) -> None:
    shop = ShopFile(path)
    shop.put_probe(GAUGE_3)
    path.write_text(EXAMPLE + "# a thought\n")
    with pytest.raises(ConfigError, match="changed meanwhile"):
        shop.save()
    assert path.read_text().endswith("# a thought\n")


def test_a_link_stays_a_link(path: Path, tmp_path: Path) -> None:
    link = tmp_path / "link.toml"
    link.symlink_to(path)
    shop = ShopFile(link)
    shop.put_probe(GAUGE_3)
    shop.save()
    assert link.is_symlink()
    assert "gauge-3" in path.read_text()


@pytest.mark.parametrize(
    "text",
    [
        'probe = [{name = "a", address = "02:00:00:00:00:01"}]\n',
        'bay = [{name = "x", roles = {}}]\n[[probe]]\nname = "a"\naddress = "02:00:00:00:00:01"\n',
    ],
)
def test_a_shape_that_cannot_be_changed_is_refused(tmp_path: Path, text: str) -> None:
    path = tmp_path / "shop.toml"
    path.write_text(text)
    with pytest.raises(ConfigError, match="by hand"):  # noqa: PT012 - one of the two refuses
        shop = ShopFile(path)
        shop.put_probe({"name": "a", "unit": "kPag"})
        shop.bind("x", "low_side", "a/pressure")
    assert path.read_text() == text


_WORDS = st.sampled_from(
    [
        "[[probe]]",
        "[[bay]]",
        "[bay.roles]",
        "[[probe.point]]",
        "[site]",
        "# a comment",
        "",
        "  ",
        'name = "a"',
        'text = """',
        '"""',
        "x = [",
        "[0]",
        "]",
        "'''",
        '["bay".x]',
    ]
)


@given(st.lists(_WORDS, max_size=25))
def test_a_file_cut_into_blocks_is_the_file(lines: list[str]) -> None:
    text = "\n".join(lines)
    assert "".join(block.text + block.rest for block in _blocks(text)) == text


def test_a_string_of_many_lines_is_not_read_as_headers(tmp_path: Path) -> None:
    text = '[[probe]]\nname = "a"\naddress = "02:00:00:00:00:01"\n[recipes.x]\nprocedure = """\n'
    text += '[[probe]]\nname = "b"\n"""\n'
    path = tmp_path / "shop.toml"
    path.write_text(text)
    shop = ShopFile(path)
    shop.put_probe(GAUGE_3)
    assert [probe["name"] for probe in tomllib.loads(shop.text)["probe"]] == ["a", "gauge-3"]


# -- zero and two points ------------------------------------------------------------------------

GAUGE = Gauge("gauge-3", "kPa (gauge)", 0.0, 3500.0, resolution=0.7, noise=0.4)


def test_an_offset_is_what_takes_the_mean_to_the_true_value() -> None:
    said = [3.1, 3.3, 3.2, 3.0, 3.4, 3.2]
    found = zero(said, 0.0, GAUGE)
    assert found.offset == pytest.approx(-3.2, abs=1e-6)
    assert found.scale == 1.0
    assert zero(said, 0.0, GAUGE, scale=1.01).offset == pytest.approx(-3.232, abs=1e-6)
    assert "6 readings" in found.how


def test_a_gauge_that_says_its_end_is_zeroed_with_a_warning() -> None:
    found = zero([0.0] * 10, 0.0, GAUGE)
    assert found.offset == 0.0
    assert "cannot be seen" in found.note


@pytest.mark.parametrize(
    ("said", "true", "why"),
    [
        ([3.0] * 4, 0.0, "5 are needed"),
        ([3.0 + n for n in range(20)], 0.0, "readings move"),
        ([3.0, 40.0, 3.0] * 5, 0.0, "readings move"),
        ([80.0] * 20, 0.0, "more than 2 % of its range"),
        ([3.0] * 20, 9000.0, "outside its range"),
        ([3.0] * 20, -1.0, "outside its range"),
    ],
)
def test_nonsense_is_refused(said: list[float], true: float, why: str) -> None:
    with pytest.raises(CalibrationError, match=why):
        zero(said, true, GAUGE)


def test_two_points_give_a_line_through_both() -> None:
    points = [(2010.0, 2000.0), (5.0, 0.0)]
    found = two_points(points, GAUGE)
    for said, true in points:
        assert said * found.scale + found.offset == pytest.approx(true, abs=0.01)


@pytest.mark.parametrize(
    ("points", "why"),
    [
        ([(0.0, 0.0)], "exactly two"),
        ([(0.0, 0.0), (100.0, 100.0)], "a tenth of the range"),
        ([(0.0, 0.0), (1000.0, 900.0)], "more than 5 %"),
        ([(0.0, 300.0), (1000.0, 1300.0)], "more than 5 %"),
    ],
)
def test_two_points_of_nonsense_are_refused(points: list[tuple[float, float]], why: str) -> None:
    with pytest.raises(CalibrationError, match=why):
        two_points(points, GAUGE)
