"""Where a hold starts when nobody marked it."""

from __future__ import annotations

from holdwatch_procedures.holds.start import ChargingWatch, charging_end


def test_a_trace_at_pressure_starts_at_its_first_reading() -> None:
    times = [float(t) for t in range(3600)]
    cooling = [1.6e6 - 20_000.0 * (1 - 2.718 ** (-t / 300.0)) for t in times]
    assert charging_end(times, cooling) == 0.0


def test_a_charge_in_two_steps_starts_behind_the_second() -> None:
    times = [float(t) for t in range(3600)]
    levels = []
    for t in times:
        first = min(t, 60.0) / 60.0 * 3e5
        second = min(max(t - 400.0, 0.0), 120.0) / 120.0 * 1.2e6
        levels.append(1e5 + first + second)
    start = charging_end(times, levels)
    assert start is not None
    assert 519.0 <= start <= 521.0


def test_a_rise_long_after_charging_does_not_move_the_start() -> None:
    times = [float(t) for t in range(3600)]
    levels = [1.6e6 + (1e5 if t > 2000.0 else 0.0) for t in times]
    assert charging_end(times, levels) == 0.0


def test_the_sun_on_the_pipes_is_not_charging() -> None:
    times = [10.0 * k for k in range(360)]
    assert (
        charging_end(times, [1.6e6 + 5_600.0 * 2.0 * t / 60.0 for t in times[:90]] + [1.77e6] * 270)
        == 0.0
    )


def test_no_readings_have_no_start() -> None:
    assert charging_end([], []) is None


def test_the_watch_says_when_the_start_has_moved() -> None:
    watch = ChargingWatch()
    moved = [t for t in range(1200) if watch.push(float(t), min(1e5 + 1e4 * t, 1.6e6))]
    assert moved[0] == 0
    assert 148 <= moved[-1] <= 151
    assert watch.over
