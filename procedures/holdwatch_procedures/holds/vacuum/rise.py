"""A rise within a time, as shops write it: counted from isolation, whatever its cause."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_procedures.holds.estimates import BLOCK_S, Block
from holdwatch_procedures.holds.vacuum.noise import BlockNoise
from holdwatch_procedures.holds.verdict import Outcome

if TYPE_CHECKING:
    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

TAIL = 6
"""Blocks behind the present pressure: a minute."""
LEAST_TAIL = 3


@dataclass(frozen=True, slots=True)
class RiseLook:
    """What is known of the rise after a block.

    Attributes:
        t_s: Time of the look, seconds from isolation (end of the newest block).
        rise_pa: Rise since isolation, Pa.
        low_pa: Deciding lower bound of the greatest rise so far, valid at every look, Pa.
        high_pa: Upper bound of the rise now; it decides at the end of the time only, Pa.
        limit_pa: The criterion, Pa.
        outcome: None while undecided; the first outcome stands.
    """

    t_s: float
    rise_pa: float
    low_pa: float
    high_pa: float
    limit_pa: float
    outcome: Outcome | None


class RiseWatch:
    """Judges a pressure-change criterion of a standing vacuum.

    Fails as soon as the rise is clearly above the limit, passes at the end of the time only, and
    is inconclusive when the two are too near to call or the end was not measured.
    """

    def __init__(
        self,
        setup: VacuumSetup,
        *,
        limit_pa: float,
        within_s: float,
        start_pa: float | None = None,
    ) -> None:
        """Begin at isolation.

        Args:
            setup: Error rates and what is known of the gauge; its slope limit plays no part.
            limit_pa: Largest allowed rise, Pa.
            within_s: Time within which it counts, s.
            start_pa: Pressure at isolation where it was measured before it; else it is found
                from the first two blocks.
        """
        if not (0.0 < limit_pa < math.inf and 0.0 < within_s < math.inf):
            raise ValueError(
                f"a rise criterion needs a limit and a time above zero, got {limit_pa} Pa "
                f"within {within_s} s"
            )
        self._setup = setup
        self._limit = limit_pa
        self._within_s = within_s
        self._start_pa = start_pa
        self._noise = BlockNoise(setup)
        self._early: list[tuple[float, float]] = []
        self._tail: deque[tuple[float, float]] = deque(maxlen=TAIL)
        self._outcome: Outcome | None = None
        self._looks = max(within_s / BLOCK_S, 1.0)

    def push(self, block: Block) -> RiseLook | None:
        """Take one block; None while there is nothing to compare."""
        end_s = block.t_s + BLOCK_S / 2
        pressure = block.pressure_pa
        if pressure is not None:
            self._noise.push(block, pressure)
            self._tail.append((block.t_s, pressure))
            if len(self._early) < 2:
                self._early.append((block.t_s, pressure))
        while self._tail and self._tail[0][0] < block.t_s - TAIL * BLOCK_S:
            self._tail.popleft()
        if len(self._early) < 2:
            if end_s >= self._within_s:
                self._outcome = self._outcome or Outcome.INCONCLUSIVE
            return None
        return self._look(end_s)

    def _start(self) -> tuple[float, float, float]:
        """Return the pressure at isolation: best, and the ends between which it must lie."""
        (t0, p0), (t1, p1) = self._early
        back = max(p1 - p0, 0.0) * t0 / (t1 - t0)
        if self._start_pa is not None:
            return self._start_pa, self._start_pa, self._start_pa
        # A rise that bends is steeper before the first block than between the first two.
        return p0 - back, p0 - 2.0 * back, p0

    def _present(self, end_s: float) -> tuple[float, float]:
        """Return pressure now and its uncertainty relative to one block's."""
        if len(self._tail) < LEAST_TAIL:
            return math.nan, math.inf
        times = np.array([t for t, _ in self._tail])
        values = np.array([p for _, p in self._tail])
        spread = times - times.mean()
        inertia = float(spread @ spread)
        slope = float(spread @ values) / inertia
        ahead = end_s - float(times.mean())
        now = float(values.mean()) + slope * ahead
        return now, math.sqrt(1.0 / len(values) + ahead**2 / inertia)

    def _look(self, end_s: float) -> RiseLook:
        start, start_low, start_high = self._start()
        now, share = self._present(end_s)
        sd = self._noise.sd_pa
        unseen = self._unseen(end_s, now)
        spread = math.hypot(sd * share, sd, unseen) if math.isfinite(share) else math.inf
        normal = NormalDist()
        # Looked at with every block until one clear crossing: the rate is spread over the looks.
        z_fail = -normal.inv_cdf(self._setup.false_fail / self._looks)
        z_pass = -normal.inv_cdf(self._setup.false_pass)
        measured = math.isfinite(now)
        low = now - start_high - z_fail * spread if measured else -math.inf
        high = now - start_low + z_pass * spread if measured else math.inf
        if self._outcome is None:
            self._outcome = self._decide(end_s, low, high)
        rise = now - start if measured else math.nan
        return RiseLook(end_s, rise, low, high, self._limit, self._outcome)

    def _decide(self, end_s: float, low: float, high: float) -> Outcome | None:
        if low > self._limit and end_s <= self._within_s + BLOCK_S / 2:
            return Outcome.FAIL
        if end_s < self._within_s:
            return None
        return Outcome.PASS if high < self._limit else Outcome.INCONCLUSIVE

    def _unseen(self, end_s: float, now: float) -> float:
        """Return what no reading shows: gauge wander, its linearity, rounding; Pa."""
        setup = self._setup
        wander = setup.gauge_drift_pa * math.sqrt(end_s / 3600.0)
        scale = setup.scale_share * max(now, 0.0) if math.isfinite(now) else 0.0
        rounding = 0.0 if self._noise.dithered else (setup.resolution_pa or 0.0) / math.sqrt(6.0)
        return math.hypot(wander, scale, rounding)
