"""Learns an instrument's resolution, pace and liveliness from its raw readings."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import chain
from operator import sub
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

WINDOW_BLOCKS = 6
"""Blocks over which an instrument's levels are counted: a minute."""
REMEMBERED = 31
EQUAL_SHARE = 1e-9
"""Values nearer than this share of themselves are the same reading, restated in another unit."""


@dataclass(frozen=True, slots=True)
class Resolution:
    """What one block showed of an instrument, in its own unit and without anything added.

    Attributes:
        step: Step of its readings: the declared one, or the smallest change seen so far where
            that is larger or nothing was declared; None while neither is known.
        low: Lowest reading of the block.
        high: Highest reading of the block.
        moves: How many readings differed from the one before them.
        readings: How many readings there were.
        interval_s: Its usual time from one reading to the next, s.
    """

    step: float | None
    low: float
    high: float
    moves: int
    readings: int
    interval_s: float


class ResolutionWatch:
    """Follows the raw readings of one channel and gives out what each block showed.

    Args:
        declared: Step of its readings as declared; None where it was not.
    """

    def __init__(self, declared: float | None) -> None:
        self._declared = declared
        self._smallest = math.inf
        self._last: tuple[float, float] | None = None
        self._intervals: deque[float] = deque(maxlen=REMEMBERED)
        self._low, self._high = math.inf, -math.inf
        self._moves = self._readings = 0

    def add(self, t_s: float, value: float) -> None:
        """Take one reading at a time of the hold's clock, s."""
        self.add_many((t_s,), (value,))

    def add_many(self, times_s: Sequence[float], values: Sequence[float]) -> None:
        """Take readings in the order of their times, s of the hold's clock; one or more."""
        lowest, highest = min(values), max(values)
        self._readings += len(values)
        self._low, self._high = min(self._low, lowest), max(self._high, highest)
        last_s, last = self._last if self._last is not None else (times_s[0], values[0])
        passed = map(sub, times_s, chain((last_s,), times_s))
        self._intervals.extend([interval for interval in passed if interval > 0.0])
        before = (last, *values)
        changes = [change for change in map(abs, map(sub, values, before)) if change]
        least = min(changes, default=math.inf)
        if least <= EQUAL_SHARE * max(abs(lowest), abs(highest), abs(last)):
            changes = [
                abs(value - earlier)
                for value, earlier in zip(values, before, strict=False)
                if abs(value - earlier) > EQUAL_SHARE * max(abs(value), abs(earlier))
            ]
            least = min(changes, default=math.inf)
        self._smallest, self._last = min(self._smallest, least), (times_s[-1], values[-1])
        self._moves += len(changes)

    def close(self) -> Resolution | None:
        """End the block; None where it had no reading."""
        if not self._readings:
            return None
        resolution = Resolution(
            step=self.step,
            low=self._low,
            high=self._high,
            moves=self._moves,
            readings=self._readings,
            interval_s=self.interval_s,
        )
        self._low, self._high = math.inf, -math.inf
        self._moves = self._readings = 0
        return resolution

    @property
    def step(self) -> float | None:
        """The step of the readings as far as it is known."""
        if math.isinf(self._smallest):
            return self._declared
        return max(self._smallest, self._declared or 0.0)

    @property
    def interval_s(self) -> float:
        """Median time between readings, s; 0 before the second."""
        return median(self._intervals) if self._intervals else 0.0


class Dither:
    """Says how far noise shakes an instrument over its steps, so that rounding averages out.

    Counted over sliding minutes: rounding has averaged out only where the readings took three
    neighbouring values or more. Two values are no proof: a quiet instrument at the edge between
    two steps shows them as well, and its mean then follows nothing. A scatter of 0.5 steps takes
    three values in 94 % of the minutes at worst, one of 0.3 in half of them, one of 0.15 in none;
    the error left in a mean is 0.002, 0.05 and 0.2 steps (Fourier series of a rounded Gaussian).
    """

    def __init__(self, remembered: int | None = None) -> None:
        self._lows: deque[float] = deque(maxlen=WINDOW_BLOCKS)
        self._highs: deque[float] = deque(maxlen=WINDOW_BLOCKS)
        self._coarse: deque[bool] = deque(maxlen=remembered)
        self._count = 0

    def push(self, resolution: Resolution) -> None:
        """Take the resolution of a block."""
        self._lows.append(resolution.low)
        self._highs.append(resolution.high)
        span = max(self._highs) - min(self._lows)
        coarse = resolution.step is None or span < 1.5 * resolution.step
        if len(self._coarse) == self._coarse.maxlen:
            self._count -= self._coarse[0]
        self._coarse.append(coarse)
        self._count += coarse

    @property
    def coarse_share(self) -> float:
        """Share of the minutes in which rounding did not average out; 0 before the first."""
        return self._count / len(self._coarse) if self._coarse else 0.0


def rounding_doubt(step: float | None, coarse_share: float) -> float:
    """Return the standard uncertainty of a change from one time to another by rounding.

    A value may be half a step off at either end, so that the change may be a whole one off either
    way: rectangular, a/√3 (JCGM 100, 4.3.7), where noise does not average it out.

    >>> round(rounding_doubt(690.0, 1.0), 1), rounding_doubt(690.0, 0.0), rounding_doubt(None, 1.0)
    (398.4, 0.0, 0.0)
    """
    return (step or 0.0) * coarse_share / math.sqrt(3.0)
