"""The season of three vans in docs/, played for real, and its report put to the store."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shutil
import sqlite3
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from system_parts import require_library

from holdwatch_cli.main import main

SCRIPT = Path(__file__).parents[2] / "docs" / "season.sh"
LAST_WEIGHT = (
    "UPDATE jobs SET body = json_replace(body, '$.weighings[' || (SELECT key FROM"
    " json_each(body, '$.weighings') WHERE json_extract(value, '$.kind') = 'recovered')"
    " || '].grams', 700) WHERE number = '2025-0002'"
)

OIL_NOTE = (
    "UPDATE jobs SET body = json_replace(body, '$.answers[' || (SELECT key FROM"
    " json_each(body, '$.answers') WHERE json_extract(value, '$.point') = 'oil')"
    " || '].note', 'none') WHERE EXISTS (SELECT 1 FROM json_each(body, '$.answers')"
    " WHERE json_extract(value, '$.point') = 'oil')"
)

pytestmark = pytest.mark.timeout(900)


def run(folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    path = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    return subprocess.run(
        command,
        cwd=folder,
        env=os.environ | {"PATH": path},
        capture_output=True,
        text=True,
        check=False,
        timeout=800,
    )


@pytest.fixture(scope="module")
def played(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The folder after the season, and what the terminal showed."""
    folder = tmp_path_factory.mktemp("season")
    done = run(folder, "sh", str(SCRIPT), str(folder))
    assert done.returncode == 0, done.stderr
    return folder, done.stdout + done.stderr


@pytest.fixture
def season(played: tuple[Path, str], tmp_path: Path) -> Path:
    """A copy of the season's folder, to spoil."""
    folder = tmp_path / "copy"
    shutil.copytree(played[0], folder)
    return folder


def spoil(folder: Path, sql: str, *values: str) -> None:
    connection = sqlite3.connect(folder / "holdwatch-data" / "holdwatch.db")
    changed = connection.execute(sql, values).rowcount
    connection.commit()
    connection.close()
    assert changed > 0, "nothing was spoilt"


def command(folder: Path, *words: str) -> tuple[int, str]:
    """Run a command in a folder; the season itself runs each in a process of its own."""
    shown = io.StringIO()
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(shown),
        contextlib.redirect_stderr(shown),
        pytest.raises(SystemExit) as left,
    ):
        main(list(words))
    assert isinstance(left.value.code, int)
    return left.value.code, shown.getvalue()


def verify(folder: Path, file: str) -> tuple[int, str]:
    return command(folder, "report", "--verify", file)


def test_the_story_is_told_as_it_should_be(played: tuple[Path, str]) -> None:
    _, text = played
    assert "Loss since the last repair: 319 g a year, between 269 g and 369 g" in text
    assert "1.61 litres ±0.6 % (measured on 2025-05-12" in text
    assert "The leak is in: compressor and discharge hose and its crimps." in text
    assert "low-side: Tight" in text
    refused = next(line for line in text.splitlines() if "cannot close" in line)
    assert "recover: 665 g is written down; confirm it by answering; cores-and-caps:" in refused
    for point in ("cores-and-caps", "drier", "oil", "prove", "evacuate", "look-again"):
        assert f"{point}: not answered" in refused
    assert "[665 g is written down; confirm with holdwatch job answer 2026-0001 recover]" in text
    assert "Visit 2026-0001 is closed." in text


def test_the_report_tells_the_proof_and_needs_nothing_from_elsewhere(
    played: tuple[Path, str],
) -> None:
    page = (played[0] / "BM-02.html").read_text(encoding="utf-8")
    assert page.count("<main>") == 2
    assert page.count("<svg") >= 4
    assert not re.search(r"""(src|href)=|@import|url\(|<script(?! type="application/json")""", page)
    assert "After the repair, whole system under nitrogen: Tight" in page
    assert "Before the repair: between" in page
    assert "Please come back on 10 June 2026" in page
    report = json.loads((played[0] / "BM-02.json").read_text(encoding="utf-8"))
    holds = report["shop"]["work_order"]["holds"]
    assert [hold["outcome"] for hold in holds] == ["fail", "fail", "fail", "pass", "pass", "pass"]
    assert [hold["after_repair"] for hold in holds] == [False] * 4 + [True] * 2
    assert report["shop"]["open_points"] == []


def test_an_untouched_report_agrees_with_its_store(season: Path) -> None:
    for file in ("BM-02.html", "BM-02.json", "BM-03.html"):
        status, text = verify(season, file)
        assert status == 0, text
        assert "unchanged" in text


def test_the_measured_volume_was_used(played: tuple[Path, str]) -> None:
    connection = sqlite3.connect(played[0] / "holdwatch-data" / "holdwatch.db")
    toml = connection.execute(
        "SELECT recipe_toml FROM holds, jobs, json_each(jobs.body, '$.holds') AS entry"
        " WHERE json_extract(entry.value, '$.hold_id') = holds.id"
        " AND json_extract(entry.value, '$.section') = 'system'"
    ).fetchone()[0]
    connection.close()
    recipe = tomllib.loads(toml)
    # By hand, ideal gas: 2.0 l (1001.3 - 551.3)/(551.3 - 0.04) kPa less 0.03 l of hose = 1.60 l.
    assert recipe["volume_l"] == pytest.approx(1.60, rel=0.01)
    assert recipe["volume_uncertainty"] < 0.01


def test_a_changed_reading_is_named_with_hold_and_time(season: Path) -> None:
    report = json.loads((season / "BM-02.json").read_text(encoding="utf-8"))
    hold = report["shop"]["work_order"]["holds"][1]["hold_id"]  # the compressor's
    spoil(
        season,
        "UPDATE readings SET value = value + 500 WHERE (channel_id, mono_ns) ="
        " (SELECT channel_id, mono_ns FROM readings JOIN channels ON channels.id = channel_id"
        " WHERE name = ? AND mono_ns >= 36e11 ORDER BY mono_ns LIMIT 1)",
        f"{hold}/low_side",
    )
    status, text = verify(season, "BM-02.html")
    assert status == 1
    named = re.search(rf"hold {hold}, readings: .* from about (\d+\.\d) min", text)
    assert named is not None, text
    assert abs(float(named.group(1)) - 60.0) < 0.5
    assert text.count("\n- ") == 1, "only that is named"


def test_a_changed_verdict_is_named(season: Path) -> None:
    spoil(
        season,
        "UPDATE verdicts SET body = json_set(body, '$.outcome', 'pass') WHERE hold_id ="
        " (SELECT json_extract(entry.value, '$.hold_id') FROM jobs,"
        " json_each(jobs.body, '$.holds') AS entry"
        " WHERE json_extract(entry.value, '$.section') = 'compressor')",
    )
    status, text = verify(season, "BM-02.html")
    assert status == 1
    assert "verdict, outcome: the report says fail, the store pass" in text


@pytest.mark.parametrize(
    ("sql", "place"),
    [
        (LAST_WEIGHT, "customer.charge_history"),
        (
            "UPDATE jobs SET body = json_replace(body, '$.holds[4].outcome', 'fail')",
            "shop.work_order.holds[4]",
        ),
        ("UPDATE curve_points SET body = json_set(body, '$.compensated_pa', 1)", "shop.proofs[0]"),
        (
            OIL_NOTE,
            "work_order.answers",
        ),
        (
            "UPDATE vehicles SET body = json_replace(body, '$.nameplate_charge_g', 800)",
            "shop.unit.nameplate_charge_g",
        ),
        ("DELETE FROM verdicts", "verdict, g_per_year"),
    ],
)
def test_a_change_in_the_store_is_named_by_its_place(season: Path, sql: str, place: str) -> None:
    spoil(season, sql)
    status, text = verify(season, "BM-02.json")
    assert status == 1
    assert place in text


def test_a_changed_file_is_named_by_its_line(season: Path) -> None:
    page = (season / "BM-02.html").read_text(encoding="utf-8")
    shown = "<li>compressor shaft seal: renewed.</li>"
    changed = page.replace(shown, "<li>compressor: renewed.</li>", 1)
    assert changed != page
    (season / "false.html").write_text(changed, encoding="utf-8")
    status, text = verify(season, "false.html")
    assert status == 1
    line = 1 + page[: page.index(shown)].count("\n")
    assert f"line {line}: the page shows what its data does not say" in text


def test_changed_data_is_found_by_its_hash(season: Path) -> None:
    text = (season / "BM-02.json").read_text(encoding="utf-8")
    (season / "false.json").write_text(text.replace('"grams": 665', '"grams": 865'))
    status, told = verify(season, "false.json")
    assert status == 1
    assert "its content is not what its hash was made of" in told


def test_the_pdf_has_a_page_for_each_reader_and_is_known_again(season: Path) -> None:
    status, text = command(
        season, "report", "2026-0001", "--on", "2026-05-13", "--out", "BM-02.pdf"
    )
    assert status == 0, text
    pdf = (season / "BM-02.pdf").read_bytes()
    assert pdf.startswith(b"%PDF")
    require_library("pango-1.0", "libpango-1.0-0")
    from weasyprint import HTML  # noqa: PLC0415 - it cannot be imported without the library

    pages = HTML(filename=season / "BM-02.html").render().pages
    assert len(pages) == 2
    assert verify(season, "BM-02.pdf")[0] == 0
    (season / "false.pdf").write_bytes(pdf + b"\n")
    status, text = verify(season, "false.pdf")
    assert status == 1
    assert "no PDF with these bytes" in text


def test_a_later_visit_leaves_an_earlier_report_true(season: Path) -> None:
    for words in (
        ("visit", "open", "BM-02", "--on", "2027-05-10"),
        ("visit", "weigh", "BM-02", "--recovered", "885", "--on", "2027-05-10"),
        ("visit", "find", "BM-02", "condenser", "--by", "dye", "--nothing", "--on", "2027-05-10"),
    ):
        assert command(season, *words)[0] == 0
    status, text = verify(season, "BM-02.html")
    assert status == 0, text
