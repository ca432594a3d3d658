"""The story's commands as a technician meets them: help, refusals, files, pictures."""

from __future__ import annotations

import json
import re
import sqlite3
from typing import TYPE_CHECKING

import pytest

from holdwatch_cli.jobs.desk import day_of, desk
from holdwatch_cli.jobs.job import app as job_app
from holdwatch_cli.jobs.report import run_report
from holdwatch_cli.jobs.vehicle_commands import app as vehicle_app
from holdwatch_cli.main import main

if TYPE_CHECKING:
    from pathlib import Path

    from typer import Typer

DAY = ("--on", "2026-05-11")


class Shop:
    """Commands in one data folder."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self._capsys = capsys

    def __call__(self, *words: str, status: int = 0) -> str:
        """Run a command; return what it printed."""
        with pytest.raises(SystemExit) as left:
            main([*words, "--data", str(self.folder)])
        shown = self._capsys.readouterr()
        assert left.value.code == status, shown.err
        return shown.out + shown.err


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Shop:
    made = Shop(tmp_path / "data", capsys)
    made("vehicle", "add", "BM-02", "--plate", "LIB 202", "--refrigerant", "R134a",
         "--charge-g", "900", "--oil", "PAG 46", "--oil-ml", "180", "--max-pressure-kpa-g",
         "1300")  # fmt: skip
    return made


def names(app: Typer) -> list[str]:
    found = []
    for command in app.registered_commands:
        function = command.callback.__name__ if command.callback is not None else ""
        found.append(command.name or function)
    return found


COMMANDS = [("vehicle", name) for name in names(vehicle_app)]
COMMANDS += [("job", name) for name in names(job_app)] + [("report", "")]


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_every_command_has_an_example_and_json(
    command: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    words = [word for word in command if word]
    with pytest.raises(SystemExit) as left:
        main([*words, "--help"])
    text = capsys.readouterr().out
    assert left.value.code == 0
    assert f"Example: holdwatch {' '.join(words)}" in text
    assert "--json" in text


def test_a_visit_does_not_close_while_a_point_is_open_and_says_which(shop: Shop) -> None:
    shop("visit", "open", "bm02", "--complaint", "warm", *DAY)
    shop("visit", "find", "BM-02", "condenser", "--by", "dye", *DAY)
    told = shop("visit", "close", "BM-02", *DAY, status=3)
    assert "work order 2026-0001 cannot close: not-repaired: not answered" in told
    told = shop("visit", "answer", "BM-02", "not-repaired", *DAY)
    assert "no advice is written down" in told
    assert "no advice is written down" in shop("visit", "close", "BM-02", *DAY, status=3)
    shop("visit", "advise", "BM-02", "The condenser leaks.")
    assert "2026-0001 is closed" in shop("visit", "close", "BM-02", *DAY)
    told = shop("visit", "weigh", "2026-0001", "--charged", "900", *DAY, status=3)
    assert "was closed on 2026-05-11" in told
    shop("visit", "reopen", "2026-0001")
    shop("visit", "weigh", "2026-0001", "--charged", "900", *DAY)


def test_an_answer_that_settles_nothing_says_so_at_once(shop: Shop) -> None:
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "repair", "BM-02", "condenser", *DAY)
    told = shop("visit", "answer", "BM-02", "evacuate", *DAY).splitlines()[0]
    assert told == (
        "2026-0001: evacuate: noted, but still open: no standing-vacuum hold of the whole system "
        "since the repair."
    )
    told = shop("visit", "answer", "BM-02", "recover", *DAY).splitlines()[0]
    assert "recover: noted, but still open: no recovered weight is written down" in told
    shop("visit", "weigh", "BM-02", "--recovered", "590", *DAY)
    assert shop("visit", "answer", "BM-02", "recover", *DAY).startswith("2026-0001: recover: done.")


def test_a_weight_that_is_written_down_only_waits_to_be_confirmed(shop: Shop) -> None:
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "weigh", "BM-02", "--recovered", "590", *DAY)
    shop("visit", "repair", "BM-02", "condenser", *DAY)
    shop("visit", "weigh", "BM-02", "--charged", "700", *DAY)
    shown = shop("visit", "show", "BM-02")
    for confirm in (
        "[590 g is written down; confirm with holdwatch job answer 2026-0001 recover]",
        "Recharge to the nameplate by weight. [not answered]",  # 900 g would be, 700 g are not
    ):
        assert confirm in shown
    shop("visit", "weigh", "BM-02", "--charged", "200", *DAY)
    told = "[900 g is written down; confirm with holdwatch job answer 2026-0001 recharge]"
    assert told in shop("visit", "show", "BM-02")
    refused = shop("visit", "close", "BM-02", *DAY, status=3)
    assert "recover: 590 g is written down; confirm it by answering; " in refused


def test_the_volumes_of_parts_are_shown_one_line_each(shop: Shop) -> None:
    words = ("--section-volume", "compressor=0.3:5", "--section-volume", "low-side=0.52:8")
    changed = shop("vehicle", "change", "BM-02", *words)
    for told in (changed, shop("vehicle", "show", "BM-02")):
        lines = [" ".join(line.split()) for line in told.splitlines()]
        assert "compressor 0.3 litres ±5.0 % (stated: stated by the shop)" in lines
        assert "low-side 0.52 litres ±8.0 % (stated: stated by the shop)" in lines


def test_the_fit_between_visits_shows_in_the_vehicle(shop: Shop) -> None:
    for day, out in (("2025-05-12", "590"), ("2026-05-12", "600")):
        shop("visit", "open", "BM-02", "--on", day)
        shop("visit", "weigh", "BM-02", "--recovered", out, "--on", day)
        shop("visit", "weigh", "BM-02", "--charged", "900", "--on", day)
        shop("visit", "close", "BM-02", "--on", day)
    made = json.loads(shop("vehicle", "show", "lib202", "--json", "--on", "2026-05-12"))
    # By hand: 900 - 600 = 300 g in 365 days, less 15 g (the middle of 0 to 30) for the oil.
    assert made["balance"]["g_per_year"]["value"] == pytest.approx(285 / 365 * 365.25, rel=1e-6)
    assert [visit["number"] for visit in made["visits"]] == ["2025-0001", "2026-0001"]


def test_too_much_dye_is_warned_of_and_the_next_visit_starts_with_the_lamp(shop: Shop) -> None:
    shop("visit", "open", "BM-02", *DAY)
    told = shop("visit", "dye", "BM-02", "yellow", "--ml", "25", "--way", "running", *DAY)
    assert "thins it" in told
    shop("visit", "answer", "BM-02", "look-again", "--look-again", "2026-06-11", *DAY)
    shop("visit", "close", "BM-02", *DAY)
    told = shop("visit", "open", "BM-02", "--on", "2026-06-11")
    assert "Start with the ultraviolet lamp" in told
    assert "! Ultraviolet light harms the eyes" in told


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("visit", "open", "BM-99"), "no vehicle goes by 'BM-99'; close"),
        (("visit", "show", "BM-02"), "BM-02 has no open visit"),
        (("visit", "weigh", "BM-02", "--charged", "-1"), "Invalid value"),
        (("visit", "weigh", "BM-02"), "give --recovered or --charged"),
        (("visit", "open", "BM-02", "--on", "11.5.2026"), "write the day as 2026-05-04"),
        (("vehicle", "add", "X", "--refrigerant", "R999"), "`refrigerant`"),
        (("vehicle", "add", "--refrigerant", "R134a"), "at least one of `fleet_number`"),
        (("vehicle", "add", "Y", "--refrigerant", "R134a", "--vin", "1M8GDM9A1KP042788"), "digit"),
        (("vehicle", "change", "BM-02"), "nothing to change was given"),
        (("vehicle", "volume", "BM-02", "--bottle-l", "2"), "lacks --before-kpa-g, --before-c"),
        (("report", "BM-02", "--out", "r.txt"), "name the file .html, .json or .pdf"),
        (("report", "--verify", "nowhere.html"), "cannot be read"),
    ],
)
def test_what_a_user_can_mend_is_one_sentence(
    shop: Shop, words: tuple[str, ...], told: str
) -> None:
    if "BM-99" in words:
        told = told.removesuffix("; close")
    text = shop(*words, status=3)
    assert told in text
    assert "Traceback" not in text
    assert len(text.strip().splitlines()) == 1


def test_the_fleet_goes_out_and_comes_in_whole(shop: Shop, tmp_path: Path) -> None:
    shop("visit", "open", "BM-02", "--complaint", 'warm, "very"', *DAY)
    shop("visit", "weigh", "BM-02", "--recovered", "590", *DAY)
    shop("visit", "find", "BM-02", "condenser", "--by", "dye", "--misled-by",
         "dye-from-earlier-repair", *DAY)  # fmt: skip
    fleet = tmp_path / "fleet.json"
    shop("vehicle", "export", str(fleet))
    other = Shop(tmp_path / "other", shop._capsys)
    other("vehicle", "import", str(fleet))
    other("vehicle", "import", str(fleet))  # again: replaced, not doubled
    again = tmp_path / "again.json"
    other("vehicle", "export", str(again))
    assert json.loads(again.read_text()) == json.loads(fleet.read_text())


@pytest.mark.parametrize("table", ["units", "weighings", "findings", "advice"])
def test_a_table_goes_out_and_comes_in_as_csv(shop: Shop, tmp_path: Path, table: str) -> None:
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "weigh", "BM-02", "--recovered", "590.5", *DAY)
    shop("visit", "find", "BM-02", "condenser", "--by", "dye", "--note", "a, b", *DAY)
    shop("visit", "advise", "BM-02", "Come back.")
    before = tmp_path / "before.json"
    shop("vehicle", "export", str(before))
    file = tmp_path / "table.csv"
    shop("vehicle", "export", str(file), "--table", table)
    assert len(file.read_text().splitlines()) == 2
    shop("vehicle", "import", str(file), "--table", table)
    after = tmp_path / "after.json"
    shop("vehicle", "export", str(after))
    assert json.loads(after.read_text()) == json.loads(before.read_text())


def test_a_bad_line_of_a_file_is_named_and_nothing_is_taken(shop: Shop, tmp_path: Path) -> None:
    file = tmp_path / "fleet.csv"
    file.write_text("fleet_number,refrigerant\nBM-07,R134a\nBM-08,R999\n")
    told = shop("vehicle", "import", str(file), status=3)
    assert re.search(r"fleet\.csv, line 3: `refrigerant`", told)
    shop("vehicle", "find", "BM-07", status=1)


def test_a_picture_is_kept_by_its_hash_and_missed_when_it_changes(
    shop: Shop, tmp_path: Path
) -> None:
    picture = tmp_path / "crimp.jpg"
    picture.write_bytes(b"\xff\xd8\xff\xe0 not much of a picture")
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "find", "BM-02", "condenser", "--by", "dye", "--photo", str(picture), *DAY)
    (kept,) = (shop.folder / "photos").iterdir()
    assert kept.read_bytes() == picture.read_bytes()
    report = tmp_path / "report.html"
    shop("report", "BM-02", "--out", str(report), *DAY)
    shop("report", "--verify", str(report))
    kept.write_bytes(b"another")
    told = shop("report", "--verify", str(report), status=1)
    assert f"photograph {kept.name[:12]}… of condenser: the picture" in told
    kept.unlink()
    assert "it is missing from" in shop("report", "--verify", str(report), status=1)


def test_the_shops_own_tables_are_used(shop: Shop) -> None:
    shop("vehicle", "tables")
    table = shop.folder / "follow_through.toml"
    table.write_text(table.read_text().replace('when = ["found-not-repaired"]', 'when = ["dye"]'))
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "find", "BM-02", "condenser", "--by", "dye", *DAY)
    shop("visit", "close", "BM-02", *DAY)
    table.write_text("point = 1")
    assert "follow_through.toml" in shop("visit", "show", "2026-0001", status=3)


def test_a_pdf_without_its_library_says_what_to_do(
    shop: Shop, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shop("visit", "open", "BM-02", *DAY)
    monkeypatch.setitem(__import__("sys").modules, "weasyprint", None)
    with pytest.raises(Exception, match=r"pip install 'holdwatch\[pdf\]'"):
        run_report(desk(shop.folder), "BM-02", [tmp_path / "r.pdf"], made_on=day_of("2026-05-11"))
    assert not (tmp_path / "r.pdf").exists()


def test_a_hold_is_bound_once_and_only_to_its_own_vehicle(shop: Shop) -> None:
    shop("vehicle", "add", "BM-03", "--refrigerant", "R134a")
    shop("visit", "open", "BM-02", *DAY)
    shop("visit", "open", "BM-03", *DAY)
    assert "waits to be bound" in shop("visit", "hold", "BM-02", status=3)
    connection = sqlite3.connect(shop.folder / "holdwatch.db")
    toml = (
        'procedure = "standing-vacuum"\nrefrigerant = "R134a"\nvolume_l = 2.0\n'
        "[criterion]\nleak_g_per_year = 60.0\n"
    )
    connection.execute(
        "INSERT INTO holds (id, bay, unit, procedure, recipe_toml, started, started_utc_ns,"
        " ended, outcome, sentence, version) VALUES ('h1', 'bay-1', 'BM-02', 'standing-vacuum', ?,"
        " '2026-05-11T08:00:00Z', 0, '2026-05-11T09:00:00Z', 'inconclusive', 'Too short.', '0')",
        (toml,),
    )
    connection.commit()
    connection.close()
    assert "was one of BM-02, not of BM-03" in shop("visit", "hold", "BM-03", "h1", status=3)
    assert "Too short." in shop("visit", "hold", "BM-02")
    assert "bound to work order 2026-0001 already" in shop("visit", "hold", "BM-02", "h1", status=3)
    assert "no hold 'h9' is stored" in shop("visit", "hold", "BM-02", "h9", status=3)


def test_a_section_never_takes_the_volume_of_the_whole_vehicle(shop: Shop, tmp_path: Path) -> None:
    shop("vehicle", "change", "BM-02", "--volume-class", "van-two-evaporators")
    shop("visit", "open", "BM-02", *DAY)
    recipe, trace = tmp_path / "hold.toml", tmp_path / "hold.csv"
    recipe.write_text('procedure = "standing-vacuum"\n[criterion]\nleak_g_per_year = 60.0\n')
    trace.write_text("time,channel,value,unit\n0,vacuum,50,Paa\n10,vacuum,50,Paa\n")
    files = ("--trace", str(trace), "--recipe", str(recipe))
    told = shop("visit", "hold", "BM-02", "--section", "compressor", *files, *DAY, status=3)
    assert "volume_l" in told
    told = shop("visit", "hold", "BM-02", *files, *DAY)
    assert "of system: Inconclusive" in told
