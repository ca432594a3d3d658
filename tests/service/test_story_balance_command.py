"""``holdwatch balance`` as its user sees it: output, exit status, one message for an error."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

FILLED = ("--charged", "600@2025-05-04", "--recovered", "540@2026-05-04")


def run(*options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "holdwatch_cli", "balance", *options]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


def test_the_json_form_holds_to_the_contract() -> None:
    done = run(*FILLED, "--unrecovered-g", "0:0", "--nameplate-g", "600", "--json")
    assert done.returncode == 0, done.stderr
    made = json.loads(done.stdout)
    rate = made["g_per_year"]
    assert rate["value"] == pytest.approx(60 * 365.25 / 365)
    assert rate["low"] < rate["value"] < rate["high"]
    assert rate["confidence"] == 0.95
    assert made["percent_per_year"] == pytest.approx(rate["value"] / 6)
    assert made["days"] == 365
    assert made["noticed_between"] == sorted(made["noticed_between"])
    assert made["noticed_between"][0] > "2026-05-04"


def test_without_a_nameplate_the_figures_that_need_it_are_null() -> None:
    made = json.loads(run(*FILLED, "--json").stdout)
    assert made["percent_per_year"] is None
    assert made["noticed_between"] is None


def test_the_text_starts_with_a_sentence_and_says_its_assumptions() -> None:
    done = run(*FILLED, "--nameplate-g", "600")
    assert done.returncode == 0
    first = done.stdout.splitlines()[0]
    assert first.startswith("Between ")
    assert "common practice, no source" in done.stdout


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--charged", "600@2026-05-04", "--recovered", "540@2025-05-04"), "before its --charged"),
        (("--charged", "600@2025-05-04", "--recovered", "540@2025-05-04"), "not after its charge"),
        ((*FILLED, "--charged", "600@2026-05-04"), "2 --charged and 1 --recovered"),
        (("--charged", "600@2025-05-04"), "recovered"),
        (("--charged", "0.6kg@2025-05-04", "--recovered", "540@2026-05-04"), "without a unit"),
        (("--charged", "600 g@2025-05-04", "--recovered", "540@2026-05-04"), "without a unit"),
        (("--charged", "600,5@2025-05-04", "--recovered", "540@2026-05-04"), "not a comma"),
        (("--charged", "nan@2025-05-04", "--recovered", "540@2026-05-04"), "no mass in grams"),
        (("--charged", "600@4.5.2025", "--recovered", "540@2026-05-04"), "ISO 8601"),
        (("--charged", "600", "--recovered", "540@2026-05-04"), "GRAMS@DATE"),
        ((*FILLED, "--unrecovered-g", "30"), "LOW:HIGH"),
        ((*FILLED, "--unrecovered-g", "30:0"), "lower figure first"),
        ((*FILLED, "--scale-tolerance-g", "-1"), "scale-tolerance-g"),
        ((*FILLED, "--nameplate-g", "0"), "nameplate"),
    ],
)
def test_what_cannot_be_used_is_one_message_and_status_3(
    options: tuple[str, ...], says: str
) -> None:
    done = run(*options, "--json")
    assert done.returncode == 3
    assert done.stdout == ""
    assert says in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1


def test_dates_with_a_time_and_zone_are_read() -> None:
    done = run(
        *("--charged", "600@2025-05-04T10:00:00+02:00", "--recovered", "540@2025-05-05T20:00:00Z"),
        *("--unrecovered-g", "0:0", "--json"),
    )
    assert json.loads(done.stdout)["days"] == pytest.approx(1.5)
