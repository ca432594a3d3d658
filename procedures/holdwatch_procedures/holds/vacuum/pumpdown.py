"""Follows a pump-down: how it goes, when the valve was closed, and a pump that gains no more.

Isolation is seen in the data: the pressure falls or rests while the pump pulls, and from some
moment on it rises and goes on rising. One jump (gas ballast opened, a hose moved) is no
isolation, whatever its size; nor is a rise that noise, rounding or a slow wander explains.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_physics.water import vapour_pressure_pa
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    import numpy.typing as npt


BIN_S = 2.0
WINDOW_S = 600.0
CONFIRM_S = 24.0
CONFIRM_BINS = 5
LEAST_RISE_PA = 1.0
RISE_SIGMAS = 6.0
RISE_SHARE = 0.02
RISE_SHARE_HIGH = 0.10
JUMP_SHARE = 0.6
LASTING_SHARE = 0.65
BEFORE_S = 60.0
PULLED = 1.2
JUMP_FORGOTTEN_S = 60.0
RESUMES_WITHIN_S = 300.0
HIGHEST_VACUUM_PA = 5000.0
LEAST_SIGMA_PA = 0.02
KINKS_A_SAMPLE = 4
"""How many moments a sampling interval are tried as the beginning of a rise."""


class EvacuationPhase(StrEnum):
    """What an evacuation is doing."""

    EVACUATING = "evacuating"
    ISOLATED = "isolated"


class EvacuationNews(StrEnum):
    """What an evacuation has to tell."""

    TARGET_REACHED = "target reached"
    STAGNATED = "stagnated"
    ISOLATED = "isolated"
    RESUMED = "resumed"


@dataclass(frozen=True, slots=True)
class EvacuationEvent:
    """Something that happened during an evacuation.

    Attributes:
        kind: What happened.
        t_s: When it happened, on the clock of the readings, s.
        text: One sentence for a person.
    """

    kind: EvacuationNews
    t_s: float
    text: Say


@dataclass(frozen=True, slots=True)
class EvacuationFacts:
    """How the evacuation stands.

    Attributes:
        phase: Evacuating or isolated.
        first_s: Time of the first reading, s.
        pressure_pa: Newest pressure, averaged over two seconds, Pa.
        lowest_pa: Lowest such pressure, Pa.
        target_reached_s: When the pressure first stood at or below the target, s.
        isolated_s: When the rise after isolation began, s; None while not seen.
        seen_s: When it was seen, s.
        stagnation: The pump's stand-still, where there is one.
    """

    phase: EvacuationPhase = EvacuationPhase.EVACUATING
    first_s: float | None = None
    pressure_pa: float | None = None
    lowest_pa: float | None = None
    target_reached_s: float | None = None
    isolated_s: float | None = None
    seen_s: float | None = None
    stagnation: Stagnation | None = None


class EvacuationWatch:
    """Follows an evacuation reading by reading; feed any rate up to one reading in 30 s.

    Args:
        target_pa: Pressure at or below which the vacuum counts as reached, Pa absolute.
        resolution_pa: Step of the gauge's readings, Pa; learnt where not declared.
    """

    def __init__(self, target_pa: float, *, resolution_pa: float | None = None) -> None:
        if not 0.0 < target_pa < math.inf:
            raise ValueError(f"the target pressure must be above zero, got {target_pa} Pa")
        self._target = target_pa
        self._resolution = resolution_pa
        self._steps: deque[float] = deque(maxlen=200)
        self._bins: deque[tuple[float, float]] = deque()
        self._since_s = -math.inf
        self._bin: list[tuple[float, float]] = []
        self._last_pa: float | None = None
        self._under_target = 0
        self._under_since_s = 0.0
        self._curve: list[tuple[float, float]] = []
        self._stagnation = StagnationWatch(target_pa)
        self._base_pa = math.nan
        self._pulled_from = 0.0
        self.facts = EvacuationFacts()

    def push(self, t_s: float, p_pa: float, wall_k: float | None = None) -> list[EvacuationEvent]:
        """Take one good reading; return what there is to tell.

        Args:
            t_s: Time of the reading, s, rising.
            p_pa: Absolute pressure, Pa.
            wall_k: Temperature of the coldest wall, K, where known.
        """
        if self.facts.first_s is None:
            self.facts = replace(self.facts, first_s=t_s)
        if self._last_pa is not None and p_pa != self._last_pa:
            self._steps.append(abs(p_pa - self._last_pa))
        self._last_pa = p_pa
        found: list[EvacuationEvent] = []
        if self._bin and t_s >= self._bin[0][0] + BIN_S:
            found += self._close(wall_k)
        self._bin.append((t_s, p_pa))
        return found

    def may_resume(self, t_s: float) -> bool:
        """Whether the pump could still be seen to pull again; later readings need not be fed."""
        seen = self.facts.seen_s
        # A bin is judged when the next one begins, up to two readings of 30 s later.
        return seen is not None and t_s - seen <= RESUMES_WITHIN_S + 60.0

    def curve(self) -> list[tuple[float, float]]:
        """Return the pump-down as (s, Pa), thinned to what a log scale can show."""
        return list(self._curve)

    def _close(self, wall_k: float | None) -> Iterator[EvacuationEvent]:
        t = sum(x for x, _ in self._bin) / len(self._bin)
        p = sum(y for _, y in self._bin) / len(self._bin)
        self._bin = []
        self._bins.append((t, p))
        while self._bins[0][0] < t - WINDOW_S:
            self._bins.popleft()
        if self.facts.lowest_pa is None:
            self._pulled_from = p
        lowest = p if self.facts.lowest_pa is None else min(self.facts.lowest_pa, p)
        self.facts = replace(self.facts, pressure_pa=p, lowest_pa=lowest)
        self._draw(t, p)
        if self.facts.phase is EvacuationPhase.ISOLATED:
            yield from self._see_resumed(t, p)
            return
        yield from self._see_target(t, p)
        yield from self._see_isolation(t)
        if self.facts.phase is EvacuationPhase.EVACUATING:
            stagnation = self._stagnation.push(t, p, self._sigma(), wall_k)
            if stagnation is not None:
                self.facts = replace(self.facts, stagnation=stagnation)
                yield EvacuationEvent(EvacuationNews.STAGNATED, t, stagnation.text)

    def _draw(self, t: float, p: float) -> None:
        if self._curve:
            t_last, p_last = self._curve[-1]
            near = abs(p - p_last) < 0.02 * max(p_last, 1.0)
            if t - t_last < 5.0 or (near and t - t_last < 60.0):
                return
        self._curve.append((t, p))

    def _see_target(self, t: float, p: float) -> Iterator[EvacuationEvent]:
        # The first of the three is noted: where readings stopped in between, its bin is gone.
        if self._under_target == 0:
            self._under_since_s = t
        self._under_target = self._under_target + 1 if p <= self._target else 0
        if self._under_target == 3 and self.facts.target_reached_s is None:
            self.facts = replace(self.facts, target_reached_s=self._under_since_s)
            text = Say("pumpdown.target_reached", target_pa=self._target)
            yield EvacuationEvent(EvacuationNews.TARGET_REACHED, self._under_since_s, text)

    def _rounding_pa(self) -> float:
        """Return the gauge's step: declared, else the smallest change seen."""
        if self._resolution is not None:
            return self._resolution
        return min(self._steps, default=0.0)

    def _sigma(self) -> float:
        """Return the scatter of a two-second mean, from the newest second differences, Pa."""
        values = np.array([p for _, p in list(self._bins)[-40:]])
        rounding = self._rounding_pa() / math.sqrt(12.0)
        if values.size < 5:
            return math.hypot(rounding, LEAST_SIGMA_PA, 0.01 * float(values[-1]))
        bends = np.abs(np.diff(values, 2)) / math.sqrt(6.0)
        return math.hypot(1.4826 * float(np.median(bends)), rounding, LEAST_SIGMA_PA)

    def _see_isolation(self, t: float) -> Iterator[EvacuationEvent]:
        onset = self._isolation_onset(t)
        if onset is None:
            return
        first = self.facts.first_s if self.facts.first_s is not None else onset
        since_first = onset - first
        interval = self._bins[1][0] - self._bins[0][0]
        from_start = since_first < max(10.0, 1.5 * interval)
        low = min(p for _, p in self._bins)
        if low > self._target and (from_start or self._pulled_from < PULLED * low):
            return  # above the target, and the pump has not been seen to pull: no vacuum yet
        if from_start:
            onset = first
        self._base_pa = low
        self.facts = replace(self.facts, phase=EvacuationPhase.ISOLATED, isolated_s=onset, seen_s=t)
        text = Say("pumpdown.valved_off")
        if from_start:
            text = Say("pumpdown.already_isolated")
        elif self.facts.target_reached_s is None:
            text = Say("pumpdown.valved_off_above", target_pa=self._target)
        yield EvacuationEvent(EvacuationNews.ISOLATED, onset, text)

    def _isolation_onset(self, t: float) -> float | None:
        """Return when a rise began that nothing but isolation explains, else None."""
        window = [(x, y) for x, y in self._bins if x >= self._since_s]
        if len(window) < CONFIRM_BINS + 1:
            return None
        times = np.array([x for x, _ in window])
        values = np.array([y for _, y in window])
        # The lowest of three-bin means: one low reading makes no base.
        smooth = np.convolve(values, np.full(3, 1 / 3), mode="valid")
        lowest = int(np.argmin(smooth[: max(smooth.size - 2, 1)]))
        base = float(smooth[lowest])
        sigma = self._sigma()
        share = RISE_SHARE if base <= 2.0 * self._target else RISE_SHARE_HIGH
        least = max(RISE_SIGMAS * sigma, 3.0 * self._rounding_pa(), LEAST_RISE_PA, share * base)
        rise = float(smooth[-1]) - base
        if rise < least or base > HIGHEST_VACUUM_PA:
            return None
        if times.size - lowest - 1 < CONFIRM_BINS or t - float(times[lowest]) < CONFIRM_S:
            return None
        changes = np.diff(values[lowest:])
        largest = int(np.argmax(changes))
        if float(changes[largest]) > JUMP_SHARE * rise:
            # A jump that no rise followed for a minute was no isolation: look only after it.
            jumped = float(times[lowest + largest + 1])
            if t - jumped > JUMP_FORGOTTEN_S:
                self._since_s = jumped
            return None
        begin = int(np.searchsorted(times, times[lowest] - BEFORE_S))
        onset = rise_onset_s(times[begin:], values[begin:])
        return onset if self._lasts(times, values, onset) else None

    @staticmethod
    def _lasts(
        times: npt.NDArray[np.float64], values: npt.NDArray[np.float64], onset: float
    ) -> bool:
        """Whether the rise goes on: its second half brings nearly as much as its first.

        A jump through a slow gauge, or a burst that the pump draws off, brings less.
        """
        after = times > onset
        if times[-1] - onset < CONFIRM_S or int(after.sum()) < CONFIRM_BINS:
            return False
        since = times[after] - onset
        first, second = np.array_split(values[after], 2)
        slopes = [
            float(np.polyfit(part, value, 1)[0])
            for part, value in zip(np.array_split(since, 2), (first, second), strict=True)
        ]
        whole = float(np.polyfit(since, values[after], 1)[0])
        return whole > 0.0 and slopes[1] > LASTING_SHARE * max(slopes[0], whole)

    def _see_resumed(self, t: float, p: float) -> Iterator[EvacuationEvent]:
        """Soon after, the pressure is back at its base: it was a ramp of gas, or the pump is on."""
        seen = self.facts.seen_s
        if seen is None or t - seen > RESUMES_WITHIN_S:
            return
        peak = max(y for x, y in self._bins if x >= seen - CONFIRM_S)
        if p < self._base_pa + 0.3 * (peak - self._base_pa) and peak > self._base_pa:
            self.facts = replace(
                self.facts, phase=EvacuationPhase.EVACUATING, isolated_s=None, seen_s=None
            )
            self._since_s = t
            yield EvacuationEvent(EvacuationNews.RESUMED, t, Say("pumpdown.pulls_again"))


def rise_onset_s(times_s: npt.NDArray[np.float64], values_pa: npt.NDArray[np.float64]) -> float:
    """Return when the values began to rise, s.

    Least squares of p = a + b·t + c·max(0, t − t0), c > 0, for every t0 on a grid of a quarter
    of the sampling interval; the last time where none fits.

    Args:
        times_s: Sampling times, s, at least three.
        values_pa: Pressures, Pa.
    """
    step = float(np.median(np.diff(times_s)))
    kinks = np.arange(times_s[0], times_s[-1] - step, step / KINKS_A_SAMPLE)
    bends = np.maximum(times_s[:, None] - kinks[None, :], 0.0)
    line, _ = np.linalg.qr(np.column_stack([np.ones_like(times_s), times_s - times_s[0]]))
    left = values_pa - line @ (line.T @ values_pa)
    bends -= line @ (line.T @ bends)
    along = bends.T @ left
    power = np.einsum("ij,ij->j", bends, bends)
    gain = np.where(
        (along > 0.0) & (power > 1e-9 * step**2), along**2 / np.maximum(power, 1e-300), 0
    )
    if not gain.size or float(gain.max()) <= 0.0:
        return float(times_s[-1])
    return float(kinks[int(np.argmax(gain))])


STILL_S = 300.0
STILL_SHARE = 0.03
ABOVE_TARGET = 1.2
HIGHEST_PA = 5000.0
WITHOUT_THERMOMETER = Say(
    "pumpdown.without_thermometer",
    cold_water_pa=600.0,
    warm_water_pa=3200.0,
    cold_k=273.15,
    warm_k=298.15,
)


@dataclass(frozen=True, slots=True)
class Stagnation:
    """A stand-still of the pump-down above its target.

    Attributes:
        t_s: When it was seen, s.
        level_pa: Pressure at which the pump stands, Pa.
        water_pa: Vapour pressure of water at the coldest wall, Pa; None without a thermometer.
        fits: Causes that fit, likeliest first; a tired pump has no word of the contract.
        pump_fits: Whether a tired pump, wet oil or a narrow path to the gauge fits as well.
        text: What fits and why, and what tells them apart.
    """

    t_s: float
    level_pa: float
    water_pa: float | None
    fits: tuple[Cause, ...]
    pump_fits: bool
    text: Say


class StagnationWatch:
    """Sees, once, that five minutes of pumping lowered the pressure by less than 3 %."""

    def __init__(self, target_pa: float) -> None:
        self._target = target_pa
        self._window: deque[tuple[float, float]] = deque()
        self._told = False

    def push(
        self, t_s: float, p_pa: float, sigma_pa: float, wall_k: float | None
    ) -> Stagnation | None:
        """Take one averaged reading; return the stand-still when it is first seen."""
        self._window.append((t_s, p_pa))
        while self._window[0][0] < t_s - STILL_S - 30.0:
            self._window.popleft()
        if self._told or t_s - self._window[0][0] < STILL_S:
            return None
        begin = _median([p for t, p in self._window if t <= self._window[0][0] + 30.0])
        end = _median([p for t, p in self._window if t >= t_s - 30.0])
        if not ABOVE_TARGET * self._target < end <= HIGHEST_PA:
            return None
        if abs(begin - end) > max(STILL_SHARE * end, sigma_pa):
            return None
        self._told = True
        return _reason(t_s, end, wall_k)


def _median(values: Sequence[float]) -> float:
    return float(np.median(values))


def _reason(t_s: float, level: float, wall_k: float | None) -> Stagnation:
    water = None if wall_k is None else vapour_pressure_pa(wall_k)
    if water is None:
        why = WITHOUT_THERMOMETER
        fits: tuple[Cause, ...] = (Cause.MOISTURE, Cause.LEAK)
    elif level > 1.15 * water:
        why = Say("pumpdown.above_water", water_pa=water)
        fits = (Cause.LEAK,)
    elif level >= 0.4 * water:
        # Boiling water cools its wall: the plateau lies below the vapour pressure measured outside.
        why = Say("pumpdown.near_water", water_pa=water)
        fits = (Cause.MOISTURE, Cause.LEAK)
    else:
        why = Say("pumpdown.below_water", water_pa=water)
        fits = (Cause.LEAK,)
    text = Say("pumpdown.stalled", level_pa=level, why=why)
    return Stagnation(t_s, level, water, fits, pump_fits=level < 1000.0, text=text)
