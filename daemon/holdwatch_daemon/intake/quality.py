"""What readings say of their own instrument: stuck, at its end, out of step, twice, out of order.

Pure: time comes in with the readings, nothing here does I/O. A watch that is not certain says
nothing; a hold has watches of its own, finer ones, on its blocks.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final, Literal

STUCK_S: Final = 300.0
"""An instrument whose noise moves it must have repeated one value for at least this long, s."""
_CHANCE: Final = 1e-9
"""How unlikely such a run must be for an instrument of its noise."""
_LIVELY_TURNS: Final = 10
_LIVELY_JUMPS: Final = 5
_LEVEL_SHARE: Final = 0.2
_MEMORY: Final = 60
_UNKNOWN_RUN: Final = 100


@dataclass(frozen=True, slots=True)
class Figures:
    """What is known of a channel, in Pa or K as the device says it, before any calibration.

    Attributes:
        low: Lowest value of its range; None where unknown.
        high: End of its range, itself not a measurement; None where unknown.
        resolution: Step of its readings; None where unknown.
        noise: Scatter of single readings; None where unknown.
    """

    low: float | None = None
    high: float | None = None
    resolution: float | None = None
    noise: float | None = None

    @property
    def span(self) -> float | None:
        """The width of its range, or None."""
        return None if self.low is None or self.high is None else self.high - self.low

    def end(self, said: float) -> Literal["low", "high"] | None:
        """Return the end of the range at which a value stands; the lowest value is still good.

        The same rule as a hold's own: a gauge at its zero says its lowest value. What is sent is
        rounded, so that a value within half a step of the upper end stands there.
        """
        low, top = self.inside
        if said < low:
            return "low"
        return "high" if said >= top else None

    @property
    def inside(self) -> tuple[float, float]:
        """The lowest value that is within the range, and the lowest that is above it."""
        low = -math.inf if self.low is None else self.low
        top = math.inf if self.high is None else self.high - 0.5 * (self.resolution or 0.0)
        return low, top


class StuckWatch:
    """Finds an instrument that repeats one value although its noise should move it.

    Only an instrument that was seen to be lively at this level can be convicted: among its last
    sixty moves ten turned back, and five were of two steps of its resolution or more. One on a
    coarse step that only flips between two neighbours may well stand still when its value drifts
    to the middle of a step, and a vacuum gauge's noise falls with the pressure: hence both
    conditions, whatever noise its owner stated. A run of equal readings then convicts once it
    has lasted five minutes and a hundred readings; where resolution and noise are stated also
    not before it is less likely than one in 10⁹ (the largest share of readings within one step,
    to the power of the run). Values at the end of the range are another matter
    (``Figures.end``), and so is an exact zero: many devices say 0 for all that is below it.

    Args:
        figures: What is known of the channel.
    """

    def __init__(self, figures: Figures) -> None:
        self._figures = figures
        self._least_move = 1e-3 * (figures.resolution or 0.0)
        self._value: float | None = None
        self._since_ns = 0
        self._run = 0
        self._moves: deque[tuple[float, float]] = deque(maxlen=_MEMORY)  # from, by how much
        self._least_run = _least_run(figures)

    def push(self, mono_ns: int, said: float) -> float | None:
        """Take a reading; return for how long the instrument has been stuck, s, or None."""
        before = self._value
        if before is None:
            self._value, self._since_ns, self._run = said, mono_ns, 1
            return None
        moved = said - before
        if abs(moved) > self._least_move and abs(moved) > 1e-9 * abs(said):
            self._moves.append((before, moved))
            self._value, self._since_ns, self._run = said, mono_ns, 1
            return None
        self._run += 1
        lasted_s = (mono_ns - self._since_ns) / 1e9
        if lasted_s < STUCK_S or self._run < self._least_run or self._is_at_an_end(said):
            return None
        return lasted_s if self._was_lively(said) else None

    def _is_at_an_end(self, said: float) -> bool:
        low = self._figures.low
        return said == 0.0 or self._figures.end(said) is not None or said == low

    def _was_lively(self, level: float) -> bool:
        near = _LEVEL_SHARE * abs(level)
        moves = [by for start, by in self._moves if abs(start - level) <= near]
        if not moves:
            return False
        step = self._figures.resolution or min(abs(by) for by in moves)
        jumps = sum(abs(by) > 1.5 * step for by in moves)
        turns = sum(a * b < 0.0 for a, b in pairwise(moves))
        return jumps >= _LIVELY_JUMPS and turns >= _LIVELY_TURNS


def _least_run(figures: Figures) -> int:
    """How many equal readings convict at the least."""
    if not figures.noise or not figures.resolution:
        return _UNKNOWN_RUN
    # Gaussian noise about the middle of a step: the share of it within that step.
    same = math.erf(0.5 * figures.resolution / figures.noise / math.sqrt(2.0))
    if same >= 1.0:
        return _UNKNOWN_RUN
    return max(_UNKNOWN_RUN, math.ceil(math.log(_CHANCE) / math.log(same)))


class OrderWatch:
    """Tells a reading that came twice, or after a later one, by its channel's times."""

    _KEPT = 64

    def __init__(self) -> None:
        self._recent: deque[int] = deque(maxlen=self._KEPT)
        self._newest_ns: int | None = None

    def push(self, mono_ns: int) -> Literal["new", "out_of_order", "duplicate"]:
        """Take a reading's time."""
        newest = self._newest_ns
        if newest is None or mono_ns > newest:
            self._newest_ns = mono_ns
            self._recent.append(mono_ns)
            return "new"
        if mono_ns in self._recent:
            return "duplicate"
        self._recent.append(mono_ns)
        return "out_of_order"


_FAR_NS: Final = 5_000_000_000


class ClockWatch:
    """Compares the two times of readings with the service's own two clocks.

    Durations rest on the monotonic time alone; a wall-clock time that does not fit it was
    written by another clock, the device's or its gateway's.
    """

    FAR_S: Final = _FAR_NS / 1e9
    NEAR_S: Final = 1.0

    def __init__(self) -> None:
        self.is_off = False

    def has_news(self, ahead_ns: int) -> bool:
        """Return whether ``push`` may have something to say of a clock so far ahead, ns."""
        return self.is_off or not -_FAR_NS <= ahead_ns <= _FAR_NS

    def push(
        self, utc_ns: int, mono_ns: int, now_utc_ns: int, now_mono_ns: int
    ) -> tuple[bool, float] | None:
        """Take a reading's times; return whether its clock is off and by how much, on a change.

        Returns:
            ``(True, seconds)`` once the clock runs ahead (above 0) or behind by more than 5 s,
            ``(False, seconds)`` once it is back within 1 s, else None.
        """
        ahead_s = ((utc_ns - mono_ns) - (now_utc_ns - now_mono_ns)) / 1e9
        if abs(ahead_s) > (self.NEAR_S if self.is_off else self.FAR_S):
            told, self.is_off = not self.is_off, True
            return (True, ahead_s) if told else None
        told, self.is_off = self.is_off, False
        return (False, ahead_s) if told else None


@dataclass(frozen=True, slots=True)
class Parting:
    """Two gauges on one line that no longer agree, or agree again.

    Attributes:
        apart: Whether they are out of step from now on.
        difference: First less second, Pa.
        drift: How far that has moved since it was first seen steady, Pa; None where the
            difference alone was too large from the start.
        over_s: Since when, s; None as above.
        allowed: The figure that was passed, Pa.
    """

    apart: bool
    difference: float
    drift: float | None
    over_s: float | None
    allowed: float


@dataclass(slots=True)
class _Half:
    """One gauge's readings of a window."""

    times: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def mean(self) -> float:
        return sum(self.values) / len(self.values)

    def moved(self) -> float:
        """Mean of the second half less that of the first."""
        half = len(self.values) // 2
        first, second = self.values[:half], self.values[-half:]
        return sum(second) / half - sum(first) / half


class PairWatch:
    """Compares two gauges on one line, minute by minute, while the pressure is steady.

    Their difference is taken as theirs by nature once three steady minutes have shown it; a
    difference that then moves by more than ``drift_allowed`` in three minutes on end is drift.
    A difference above ``apart_allowed`` is told without any such history. A gauge's error grows
    with pressure, so the history is forgotten when the pressure moves by a twentieth of the
    span.

    ``drift_allowed``: a five-hundredth of the wider span (what the temperature coefficients of
    two field gauges make of a night's ten kelvin: common practice, no source), or three of the
    coarser steps, or four standard errors of the minute's difference, whichever is most.
    ``apart_allowed``: a
    hundredth of the wider span (common practice for field gauges, no source). Without a span
    the largest pressure of the minute stands in its place, at least 100 kPa.
    """

    WINDOW_NS: Final = 60 * 10**9
    LEAST: Final = 4
    RUN: Final = 3

    def __init__(self, first: Figures, second: Figures) -> None:
        spans = [one.span for one in (first, second) if one.span is not None]
        self._span = max(spans, default=None)
        self._steps = max(first.resolution or 0.0, second.resolution or 0.0)
        self._noise = (first.noise or 0.0, second.noise or 0.0)
        self._halves = (_Half(), _Half())
        self._window_ns: int | None = None
        self._early: list[float] = []
        self._base: tuple[float, float, int] | None = None  # difference, level, since when
        self._run = 0
        self.apart = False

    def push(self, which: Literal[0, 1], mono_ns: int, value: float) -> Parting | None:
        """Take a calibrated reading of the first (0) or second (1) gauge; return a change."""
        if self._window_ns is None:
            self._window_ns = mono_ns
        found = None
        if mono_ns - self._window_ns >= self.WINDOW_NS:
            found = self._close(mono_ns)
            self._halves = (_Half(), _Half())
            self._window_ns = mono_ns
        self._halves[which].times.append(mono_ns)
        self._halves[which].values.append(value)
        return found

    def _close(self, now_ns: int) -> Parting | None:
        first, second = self._halves
        if min(len(first.values), len(second.values)) < self.LEAST:
            return None
        level = max(abs(first.mean()), abs(second.mean()))
        span = self._span if self._span is not None else max(level, 1e5)
        error = math.hypot(
            self._noise[0] / math.sqrt(len(first.values)),
            self._noise[1] / math.sqrt(len(second.values)),
        )
        allowed = max(2e-3 * span, 3.0 * self._steps, 4.0 * error)
        # A stuck gauge is steady for ever, so one that moves slowly beside it must pass.
        if max(abs(first.moved()), abs(second.moved())) > 2.0 * allowed:
            return None
        difference = first.mean() - second.mean()
        if self._base is not None and abs(level - self._base[1]) > 0.05 * span:
            self._base, self._early, self._run = None, [], 0
        if self._base is None:
            self._learn(difference, level, now_ns)
        return self._decide(difference, now_ns, allowed, 1e-2 * span)

    def _learn(self, difference: float, level: float, now_ns: int) -> None:
        self._early.append(difference)
        if len(self._early) >= self.RUN:
            self._base = (median(self._early), level, now_ns)

    def _decide(self, difference: float, now_ns: int, allowed: float, far: float) -> Parting | None:
        drift = None if self._base is None else difference - self._base[0]
        drifted = drift is not None and abs(drift) > (0.5 * allowed if self.apart else allowed)
        is_far = abs(difference) > (0.5 * far if self.apart else far)
        changes = (drifted or is_far) is not self.apart
        self._run = self._run + 1 if changes else 0
        if self._run < self.RUN:
            return None
        self._run, self.apart = 0, not self.apart
        over_s = None if self._base is None else (now_ns - self._base[2]) / 1e9
        by_drift = drifted or not self.apart
        return Parting(
            self.apart,
            difference,
            drift if by_drift else None,
            over_s if by_drift else None,
            allowed if by_drift else far,
        )
