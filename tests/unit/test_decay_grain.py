"""What raw readings tell of their instrument: step, interval, and how noise shakes it."""

from __future__ import annotations

import random

import pytest

from holdwatch_procedures.holds.resolution import Dither, ResolutionWatch


def watched(
    values: list[float], every_s: float = 1.0, declared: float | None = None
) -> ResolutionWatch:
    watch = ResolutionWatch(declared)
    for place, value in enumerate(values):
        watch.add(place * every_s, value)
    return watch


def test_the_step_is_the_smallest_change_or_what_was_declared() -> None:
    assert watched([1.5e6] * 5).step is None
    assert watched([1.5e6] * 5, declared=690.0).step == 690.0
    assert watched([1.5e6, 1.5e6 + 2070.0, 1.5e6 + 1380.0]).step == pytest.approx(690.0)
    assert watched([0.0, 50.0, 100.0], declared=690.0).step == 690.0
    # The same reading restated in another unit differs in its last digits only.
    assert watched([217.557 * 6894.757293168, 217.557 / 1.45037737730e-4]).step is None


def test_the_interval_is_the_usual_one_and_a_silence_does_not_change_it() -> None:
    watch = ResolutionWatch(None)
    for t_s in (0.0, 15.0, 30.0, 600.0, 615.0, 630.0):
        watch.add(t_s, 1.0)
    assert watch.interval_s == 15.0


def test_a_block_counts_its_own_moves_and_an_empty_one_gives_nothing() -> None:
    watch = watched([1.0, 1.0, 2.0])
    first = watch.close()
    assert first is not None
    assert (first.moves, first.readings, first.low, first.high) == (1, 3, 1.0, 2.0)
    assert watch.close() is None
    watch.add(10.0, 3.0)
    second = watch.close()
    assert second is not None
    assert (second.moves, second.readings, second.low) == (1, 1, 3.0)


def coarse_share(noise: float, place: float) -> float:
    """Share for noise and a place between two steps, both in steps, over two hours."""
    chance = random.Random(5)
    watch, dither = ResolutionWatch(1.0), Dither()
    for block in range(720):
        for second in range(10):
            watch.add(10.0 * block + second, float(round(place + chance.gauss(0.0, noise))))
        resolution = watch.close()
        assert resolution is not None
        dither.push(resolution)
    return dither.coarse_share


@pytest.mark.parametrize("place", [0.0, 0.25, 0.5])
def test_only_noise_of_half_a_step_makes_rounding_average_out(place: float) -> None:
    assert coarse_share(0.7, place) < 0.01
    assert coarse_share(0.5, place) < 0.12
    assert coarse_share(0.1, place) > 0.99
