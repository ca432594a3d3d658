"""Evacuation watched: target, isolation seen in the data, and a pump that gains no more."""

from __future__ import annotations

import numpy as np
import pytest
from vacuum_pumpdown import GAUGES, Gauge, after_isolation, pump_down

from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.vacuum.pumpdown import (
    EvacuationEvent,
    EvacuationNews,
    EvacuationPhase,
    EvacuationWatch,
)
from holdwatch_procedures.wording import render

TARGET = 66.7
ISOLATED = 1200.0


def run(
    true: np.ndarray,
    gauge: Gauge = GAUGES[0],
    *,
    seed: int = 1,
    wall_k: float | None = 293.15,
    target: float = TARGET,
) -> tuple[EvacuationWatch, list[EvacuationEvent]]:
    """Feed a true curve, given every 0.25 s, through a gauge."""
    watch = EvacuationWatch(target)
    time = np.arange(true.size) * 0.25
    events = []
    for t, p in zip(*gauge.read(time, true, np.random.default_rng(seed)), strict=True):
        events += watch.push(float(t), float(p), wall_k)
    return watch, events


def kinds(events: list[EvacuationEvent]) -> list[EvacuationNews]:
    return [event.kind for event in events]


def isolated_curve(
    slope_per_min: float, *, water_pa: float = 0.0, after_s: float = 300
) -> np.ndarray:
    time = np.arange(0, ISOLATED + after_s, 0.25)
    base = 30 + 100e3 * np.exp(-time / 25) + 600 * np.exp(-time / 150)
    since = np.maximum(time - ISOLATED, 0.0)
    return np.asarray(base + slope_per_min / 60 * since + water_pa * (1 - np.exp(-since / 300)))


@pytest.mark.parametrize("gauge", GAUGES, ids=[gauge.name for gauge in GAUGES])
def test_isolation_is_seen_soon_and_dated_well_by_every_gauge(gauge: Gauge) -> None:
    watch, events = run(isolated_curve(12.0, water_pa=200), gauge)
    assert kinds(events) == [EvacuationNews.TARGET_REACHED, EvacuationNews.ISOLATED]
    facts = watch.facts
    assert facts.phase is EvacuationPhase.ISOLATED
    assert facts.isolated_s == pytest.approx(ISOLATED, abs=2 * gauge.interval_s + gauge.lag_s + 2)
    assert facts.seen_s is not None
    assert facts.seen_s < ISOLATED + max(60.0, 8 * gauge.interval_s)


def test_a_slow_rise_is_seen_later_and_still_dated() -> None:
    watch, _ = run(isolated_curve(1.0, after_s=600))
    assert watch.facts.isolated_s == pytest.approx(ISOLATED, abs=45)


@pytest.mark.parametrize("size", [15.0, 60.0, 400.0])
@pytest.mark.parametrize("tau", [5.0, 40.0])
@pytest.mark.parametrize("lasting", [0.0, 20.0])
def test_a_burst_of_gas_is_no_isolation(size: float, tau: float, lasting: float) -> None:
    curve = isolated_curve(0.0, after_s=900)
    time = np.arange(curve.size) * 0.25 - 1000.0
    after = time >= 0
    curve[after] += size * np.exp(-time[after] / tau) + lasting
    _, events = run(curve)
    assert EvacuationNews.ISOLATED not in kinds(events)


def test_isolation_after_a_burst_is_still_seen() -> None:
    curve = isolated_curve(10.0)
    time = np.arange(curve.size) * 0.25 - 1000.0
    curve[time >= 0] += 60 * np.exp(-time[time >= 0] / 15) + 15
    watch, _ = run(curve)
    assert watch.facts.isolated_s == pytest.approx(ISOLATED, abs=10)


def test_pumps_that_go_on_pulling_raise_no_isolation_in_four_hours() -> None:
    rng = np.random.default_rng(21)
    alarms = 0
    for _ in range(1):
        curve = pump_down(np.arange(0, 4 * 3600, 0.25), rng, bursts=2)
        alarms += kinds(run(curve, seed=5)[1]).count(EvacuationNews.ISOLATED)
    assert alarms == 0


def test_random_isolations_are_seen_and_none_is_called_early() -> None:
    rng = np.random.default_rng(22)
    for _ in range(5):
        time = np.arange(0, ISOLATED + 300, 0.25)
        curve = pump_down(time, rng, bursts=1)
        after = time >= ISOLATED
        curve[after] = curve[after][0] + 4 / 60 * (time[after] - ISOLATED)
        curve[after] += after_isolation(time[after] - ISOLATED, rng)
        watch, _ = run(curve, seed=6)
        assert watch.facts.seen_s is not None
        assert watch.facts.seen_s > ISOLATED


def test_a_trace_that_begins_isolated_starts_with_its_first_reading() -> None:
    time = np.arange(0, 400, 0.25)
    watch, events = run(40 + 8 / 60 * time)
    assert watch.facts.isolated_s == 0.0
    assert "already isolated" in render(events[-1].text)


def test_a_rise_from_the_first_reading_above_the_target_is_no_isolation() -> None:
    time = np.arange(0, 400, 0.25)
    _, events = run(900 + 60 / 60 * time)
    assert events == []


def test_a_valve_opened_to_the_pump_again_resumes_the_evacuation() -> None:
    curve = isolated_curve(30.0)
    time = np.arange(curve.size) * 0.25 - (ISOLATED + 100)
    late = time >= 0
    curve[late] = 30 + (curve[late][0] - 30) * np.exp(-time[late] / 10)
    watch, events = run(curve)
    assert kinds(events)[-2:] == [EvacuationNews.ISOLATED, EvacuationNews.RESUMED]
    assert watch.facts.isolated_s is None


def plateau(level: float) -> np.ndarray:
    time = np.arange(0, 2400, 0.25)
    return np.asarray(level + 100e3 * np.exp(-time / 25))


@pytest.mark.parametrize(
    ("level", "wall_k", "fits"),
    [
        (1900.0, 293.15, (Cause.MOISTURE, Cause.LEAK)),  # water at 20 °C: 2339 Pa (IAPWS)
        (3500.0, 293.15, (Cause.LEAK,)),
        (250.0, 293.15, (Cause.LEAK,)),
        (350.0, 268.15, (Cause.MOISTURE, Cause.LEAK)),  # ice at −5 °C: 402 Pa (IAPWS)
        (1900.0, None, (Cause.MOISTURE, Cause.LEAK)),
    ],
)
def test_a_pump_that_gains_no_more_is_told_with_what_fits(
    level: float, wall_k: float | None, fits: tuple[Cause, ...]
) -> None:
    watch, events = run(plateau(level), wall_k=wall_k)
    assert kinds(events) == [EvacuationNews.STAGNATED]
    stagnation = watch.facts.stagnation
    assert stagnation is not None
    assert stagnation.level_pa == pytest.approx(level, rel=0.02)
    assert stagnation.fits == fits
    assert stagnation.pump_fits == (level < 1000)
    assert "Valve the pump off" in render(stagnation.text)


def test_a_pump_at_its_target_has_not_stagnated() -> None:
    watch, events = run(plateau(50.0))
    assert kinds(events) == [EvacuationNews.TARGET_REACHED]
    assert watch.facts.stagnation is None


def test_the_curve_is_thinned_but_keeps_its_shape() -> None:
    watch, _ = run(isolated_curve(0.0))
    curve = watch.curve()
    assert len(curve) < 200
    times = [t for t, _ in curve]
    truth = isolated_curve(0.0)[np.array(times, dtype=float).astype(int) * 4]
    ratio = np.array([p for _, p in curve])[10:] / truth[10:]
    assert np.abs(ratio - 1).max() < 0.15


def test_a_target_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="target"):
        EvacuationWatch(0.0)
