"""Each named scenario that goes wrong goes wrong in the way that it tells."""

from __future__ import annotations

import pytest

from holdwatch_simulators import garage, instruments
from holdwatch_simulators.garage import Overrides
from holdwatch_simulators.scenario import Run, Sample


def story(name: str) -> list[Sample]:
    run = Run(garage.scenario(name), seed=6)
    return [event for event in run.events() if isinstance(event, Sample)]


def values(samples: list[Sample], role: str) -> dict[float, float | None]:
    return {s.t_s: s.value for s in samples if s.probe.role == role}


def number(series: dict[float, float | None], t_s: float) -> float:
    value = series[t_s]
    assert value is not None
    return value


def test_a_knocked_hose_drops_the_pressure_at_once() -> None:
    low = values(story("nitrogen-knocked"), "low_side")
    assert number(low, 1799.0) - number(low, 1800.0) == pytest.approx(14_000.0, rel=0.15)


def test_a_fallen_clamp_reads_the_air_while_the_other_still_reads_the_pipe() -> None:
    samples = story("nitrogen-fallen-clamp")
    air = values(samples, "ambient_temperature")
    first, second = values(samples, "pipe_temperature"), values(samples, "pipe_temperature.2")
    assert abs(number(first, 1490.0) - number(second, 1490.0)) < 0.3
    assert number(second, 2400.0) - number(first, 2400.0) > 0.4
    assert number(first, 2400.0) == pytest.approx(number(air, 2400.0) + 0.1, abs=0.2)


def test_a_stuck_gauge_hides_the_leak_behind_it() -> None:
    low = values(story("nitrogen-stuck"), "low_side")
    assert len({value for t_s, value in low.items() if t_s >= 900.0}) == 1


def test_a_gauge_with_gaps_is_silent_for_minutes() -> None:
    low = values(story("nitrogen-gaps"), "low_side")
    missing = [t_s for t_s, value in low.items() if value is None]
    assert 0.1 < len(missing) / len(low) < 0.6


def test_overpressure_is_above_what_the_recipe_allows() -> None:
    scenario = garage.scenario("nitrogen-overpressure")
    low = values(story("nitrogen-overpressure"), "low_side")
    highest = max(value for value in low.values() if value is not None)
    assert highest > scenario.recipe.max_pressure_kpa_g * 1000.0


def test_ice_holds_the_vacuum_at_the_triple_point_while_it_thaws() -> None:
    vacuum = values(story("vacuum-ice"), "vacuum")
    assert number(vacuum, 1079.0) < 500.0 * instruments.MICRON_PA
    # 611.657 Pa, IAPWS, above the few pascals of what the pump left.
    assert number(vacuum, 1500.0) == pytest.approx(611.657, abs=8.0)
    assert number(vacuum, 3600.0) > 1000.0


def test_a_loose_hose_sends_the_gauge_to_the_end_of_its_range() -> None:
    vacuum = values(story("vacuum-open"), "vacuum")
    assert number(vacuum, 1079.0) < 500.0 * instruments.MICRON_PA
    assert number(vacuum, 3600.0) == 20_000.0 * instruments.MICRON_PA


def test_probes_can_be_left_out_but_only_those_that_are_there() -> None:
    scenario = garage.scenario("nitrogen-tight", Overrides(without=("barometer",)))
    assert "barometer" not in {probe.role for probe in scenario.probes}
    with pytest.raises(ValueError, match="no probe plays vacuum"):
        garage.scenario("nitrogen-tight", Overrides(without=("vacuum",)))
