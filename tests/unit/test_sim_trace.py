"""Traces obey the contract of recorded readings, and the recipes beside them fit."""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import time
import tomllib
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from holdwatch_physics.reading import role_of
from holdwatch_simulators import garage
from holdwatch_simulators.__main__ import main
from holdwatch_simulators.garage import Overrides
from holdwatch_simulators.scenario import Run
from holdwatch_simulators.script import Act, Verb
from holdwatch_simulators.trace_writer import in_unit, recipe_toml, write_trace

if TYPE_CHECKING:
    from pathlib import Path

UNITS = {
    "vacuum": "micron",
    "low_side": "kPag",
    "pipe_temperature": "degC",
    "ambient_temperature": "degC",
    "barometer": "kPaa",
}


def trace_text(name: str, seed: int = 1, overrides: Overrides | None = None) -> str:
    out = io.StringIO()
    write_trace(Run(garage.scenario(name, overrides), seed), out)
    return out.getvalue()


@pytest.mark.parametrize("name", garage.NAMES)
def test_every_trace_obeys_the_contract(name: str) -> None:
    text = trace_text(name, overrides=Overrides(duration_s=1500.0))
    assert text.isascii()
    assert "\r" not in text
    assert text.endswith("\n")
    rows = list(csv.reader(io.StringIO(text)))
    assert rows[0] == ["time", "channel", "value", "unit"]
    seen: set[tuple[str, str]] = set()
    marks = []
    last = 0.0
    for row in rows[1:]:
        time_text, channel, value, unit = row
        assert float(time_text) >= last
        last = float(time_text)
        assert (time_text, channel) not in seen
        seen.add((time_text, channel))
        if channel == "mark":
            assert unit == ""
            marks.append((last, value))
            continue
        role = role_of(channel)
        assert role is not None
        assert unit == UNITS[role.value]
        assert float(value) == float(value)  # a number, and not NaN
    assert last == 1500.0
    vacuum = garage.scenario(name).recipe.procedure == "standing-vacuum"
    assert marks == ([(1080.0, "isolated")] if vacuum else [(300.0, "valve_closed")])


def test_marks_can_be_left_out() -> None:
    assert "mark" not in trace_text("nitrogen-tight", overrides=Overrides(400.0, marks=False))


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not() -> None:
    short = Overrides(duration_s=600.0)
    first = trace_text("nitrogen-leak", 7, short)
    assert first == trace_text("nitrogen-leak", 7, short)
    assert first != trace_text("nitrogen-leak", 8, short)


def test_a_longer_trace_begins_like_a_shorter_one() -> None:
    long = trace_text("vacuum-moist", 7, Overrides(duration_s=900.0))
    assert long.startswith(trace_text("vacuum-moist", 7, Overrides(duration_s=600.0)))


@pytest.mark.parametrize(
    ("si", "unit", "text"),
    # 1 micron is a millitorr, 101325/760000 Pa (NIST SP 811); 0 °C is 273.15 K.
    [
        (66.6612, "micron", "500"),
        (1.0e6, "kPag", "1000"),
        (273.15 - 0.0001, "degC", "0"),
        (294.52, "degC", "21.37"),
        (100_612.0, "kPaa", "100.612"),
    ],
)
def test_values_are_written_in_the_channels_unit(si: float, unit: str, text: str) -> None:
    assert in_unit(si, unit) == text


def test_an_unknown_unit_is_refused() -> None:
    with pytest.raises(ValueError, match="furlong"):
        in_unit(1.0, "furlong")


@pytest.mark.parametrize("name", garage.NAMES)
def test_every_recipe_is_complete_and_fits_its_trace(name: str) -> None:
    scenario = garage.scenario(name, Overrides(volume_m3=1.8e-3, criterion_g_per_year=750.0))
    recipe = tomllib.loads(recipe_toml(scenario))
    assert recipe["procedure"] in {"pressure-decay", "standing-vacuum"}
    assert recipe["volume_l"] == pytest.approx(1.8)
    assert recipe["criterion"] == {"leak_g_per_year": 750.0, "source": "shop rule"}
    if recipe["procedure"] == "pressure-decay":
        assert recipe["gas"] == "nitrogen"
        assert recipe["limits"]["max_pressure_kpa_g"] in {900.0, 1300.0, 1950.0}
        assert "vacuum" not in recipe
    else:
        assert recipe["vacuum"] == {"target_micron": 500.0}
        assert "gas" not in recipe
    assert set(recipe["channels"]) == {probe.role for probe in scenario.probes}
    for role, channel in recipe["channels"].items():
        assert channel["role"] == role
        low, high = channel["range"]
        assert low < high
        assert ("reference" in channel) == (channel["unit"] != "degC")


def test_the_vacuum_gauge_says_its_range_end_before_the_pump_runs() -> None:
    rows = [row.split(",") for row in trace_text("vacuum-tight").splitlines()]
    vacuum = {float(row[0]): float(row[2]) for row in rows if row[1] == "vacuum"}
    assert vacuum[0.0] == 20_000.0
    assert vacuum[1080.0] < 500.0


def test_a_leak_shows_and_a_tight_system_does_not() -> None:
    def drop(name: str) -> float:
        rows = [row.split(",") for row in trace_text(name).splitlines()]
        low = {float(row[0]): float(row[2]) for row in rows if row[1] == "low_side"}
        return low[1200.0] - low[3600.0]

    assert drop("nitrogen-leak") > 15.0
    assert abs(drop("nitrogen-tight")) < 5.0
    assert abs(drop("nitrogen-warming")) < 5.0  # leaks, but the shop warms
    assert drop("nitrogen-cooling") > 5.0  # tight, but the shop cools


def test_the_command_line_writes_a_trace_and_its_recipe(tmp_path: Path) -> None:
    trace, recipe = tmp_path / "t.csv", tmp_path / "r.toml"
    command = ["trace", "--scenario", "nitrogen-leak", "--seed", "3", "--minutes", "10"]
    assert main([*command, "--out", str(trace), "--recipe-out", str(recipe)]) == 0
    expected = trace_text("nitrogen-leak", 3, Overrides(duration_s=600.0))
    assert trace.read_text(encoding="utf-8") == expected
    assert tomllib.loads(recipe.read_text(encoding="utf-8"))["refrigerant"] == "R134a"


def test_the_module_runs_as_a_program_and_lists_its_scenarios() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "holdwatch_simulators", "list"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert [line.split()[0] for line in done.stdout.splitlines()] == list(garage.NAMES)


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (["--scenario", "no-such"], "no-such"),
        (["--scenario", "nitrogen-leak", "--minutes", "-1"], "duration"),
        (["--scenario", "nitrogen-leak", "--out", "/nowhere/at/all.csv"], "/nowhere/at/all.csv"),
    ],
)
def test_bad_input_gives_one_message(
    extra: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trace", *extra]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert words in captured.err
    assert len(captured.err.splitlines()) == 1


def test_ten_hours_are_written_in_seconds() -> None:
    began = time.process_time()
    out = io.StringIO()
    overrides = Overrides(duration_s=36_000.0)
    readings = write_trace(Run(garage.scenario("nitrogen-leak", overrides), 1), out)
    assert readings > 3 * 36_000
    assert time.process_time() - began < 10.0


def test_a_note_with_a_comma_stays_one_field() -> None:
    scenario = garage.scenario("nitrogen-tight", Overrides(duration_s=20.0))
    note = Act(5.0, Verb.NOTE, text='gate open, "draughty"')
    out = io.StringIO()
    write_trace(Run(replace(scenario, acts=(note,)), 1), out)
    marks = [row for row in csv.reader(io.StringIO(out.getvalue())) if row[1] == "mark"]
    assert marks == [["5", "mark", 'note gate open, "draughty"', ""]]
