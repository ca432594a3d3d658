"""Finds an instrument that repeats one value for longer than its nature allows."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S
from holdwatch_procedures.holds.resolution import Dither, Resolution

if TYPE_CHECKING:
    from collections.abc import Sequence


class StuckWatch:
    """Judges from single readings whether an instrument that stands still is stuck.

    Whether stillness is natural is judged from the instrument's own noise, never from the trend
    of its values: a leak moves a gauge as well. One whose readings take three neighbouring
    values within a minute is lively; it is stuck after five minutes of one value, once so many
    equal readings in a row are a chance of one in a million for it (longest natural run in 340
    simulated hours: 72 s at 1 kPa, 40 s at 0.69 kPa, 22 s at 0.1 K). One that is quiet on a
    coarse step may stand still: it counts as stuck when other instruments say that it should
    have moved by two steps, or after an hour. A value that never moved since the start is stuck
    after five minutes, or after an hour where a declared resolution explains it.

    Args:
        resolution: Step of its readings as declared, in its unit; None where it was not.
        noise: Scatter of single readings; None where unknown, then judged by what was seen.
    """

    PLAIN_S = 300.0
    QUIET_S = 3600.0
    MEMORY = 60
    LIVELY_SHARE = 0.5
    MOST_MOVES = 0.95
    CHANCE = 1e-6
    LEAST_PENDING_S = 90.0
    PENDING_INTERVALS = 3.0

    def __init__(self, resolution: float | None, noise: float | None) -> None:
        self._resolution = resolution
        self._noise = noise
        self._begun = False
        self._since_s = 0.0
        self._last_s = 0.0
        self._said_s = -math.inf
        self._moved = False
        self._dither = Dither(self.MEMORY)
        self._seen: deque[tuple[int, int]] = deque(maxlen=self.MEMORY)
        self._still: list[Resolution] = []
        self._step = 0.0
        self._interval_s = 0.0
        self._expected: tuple[float, float] = (math.inf, -math.inf)

    def push(
        self, t_s: float, resolution: Resolution, expected: float = 0.0, slack: float = 0.0
    ) -> float | None:
        """Take a block; return since when it has been stuck, every five minutes, s.

        Args:
            t_s: Middle of the block, s.
            resolution: What its readings showed.
            expected: What other instruments would make of it, in the same unit.
            slack: How far they may move without any meaning, likewise.
        """
        self._step = resolution.step or 0.0
        self._interval_s, self._last_s = resolution.interval_s, t_s
        if not self._begun or resolution.moves:
            self._take_move(resolution)
            self._begun, self._since_s = True, t_s
            self._expected = (expected, expected)
            return None
        self._still.append(resolution)
        low, high = self._expected
        self._expected = (min(low, expected), max(high, expected))
        if not self._is_stuck(slack) or t_s - self._said_s < self.PLAIN_S:
            return None
        self._said_s = t_s
        return self._since_s - 0.5 * BLOCK_S

    @property
    def still_s(self) -> float:
        """How long the newest value has been repeated, s."""
        return self._last_s - self._since_s + BLOCK_S if self._begun else 0.0

    @property
    def has_moved(self) -> bool:
        """Whether it has ever shown two values."""
        return self._moved

    @property
    def is_pending(self) -> bool:
        """Whether it has stood still for so long that only its next move proves it alive."""
        natural_s = max(self.LEAST_PENDING_S, self.PENDING_INTERVALS * self._interval_s)
        return self.still_s > natural_s

    @property
    def is_quiet(self) -> bool:
        """Whether standing still is natural for it: coarse steps, and little noise on them."""
        if not self._moved:
            return self._resolution is not None
        if self._dither.coarse_share < self.LIVELY_SHARE:
            return False
        if self._noise is not None and self._step > 0.0:
            return self._noise < 0.25 * self._step
        return True

    def _is_stuck(self, slack: float) -> bool:
        if self.still_s < self.PLAIN_S:
            return False
        moved_by = self._expected[1] - self._expected[0]
        if self.still_s >= self.QUIET_S or moved_by > 2.0 * self._step + slack > slack:
            return True
        if self.is_quiet:
            return False
        return not self._moved or self._is_no_chance(self._still)

    def _is_no_chance(self, still: Sequence[Resolution]) -> bool:
        """Whether so many equal readings in a row are next to impossible for its noise."""
        moves = sum(count for count, _ in self._seen)
        readings = sum(count for _, count in self._seen)
        share = min(moves / max(readings, 1), self.MOST_MOVES)
        equal = sum(resolution.readings for resolution in still)
        return equal * math.log1p(-share) < math.log(self.CHANCE)

    def _take_move(self, resolution: Resolution) -> None:
        """Learn from a block with a move, and from the stillness before it if that was natural."""
        if self._begun:
            self._moved = True
            was_stuck = self._said_s > self._since_s
            for seen in (*([] if was_stuck else self._still), resolution):
                self._dither.push(seen)
                self._seen.append((seen.moves, seen.readings))
        self._still.clear()
