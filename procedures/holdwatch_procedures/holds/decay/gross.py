"""A unit that empties before its gas has settled: a gross leak, seen at once."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S, Cause, Estimate
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Block

START_BLOCKS = 3
LEAST_BLOCKS = 30
"""Five minutes: pressure evening out between the sides of a system is over by then."""
RECENT_BLOCKS = 12
GOING_ON_SHARE = 0.5
"""What the last two minutes must still lose of what a leak would, by p² − room²: pressure that
evens out comes to rest."""
EMPTY_SHARE = 0.2
"""Share of the gauge pressure below which a unit counts as empty, and has nothing left to lose."""
LONGEST_S = 120.0
"""Longest time between two readings over which the flow is taken as even, s."""
ALLOWED_SHARE = 0.05
"""Share of the absolute pressure that charging heat may take with it while it leaves: 15 K that
no clamp sees. Nothing smaller is called a gross leak."""
SURE_SHARE = 0.10
JUMP_SHARE = 0.6
"""A loss that came mostly between two blocks is somebody's hand on a valve, not a leak."""

NOTE = Say("decay.gross_leak")


class GrossLeak:
    """Bounds the loss of a pressure decay from its first minutes, coarsely.

    The engine may not judge before the gas has settled; a unit that is empty by then has no
    slope left to judge. The bounds allow for 5 % of the pressure leaving with charging heat, and
    take the loss as lost at the mean rate (a leak is faster at the starting pressure, so the
    lower bound is low).

    Args:
        kappa: Exponent of pressure on temperature.
        flow_u: Relative standard uncertainty of the flow behind a slope.
        z_fail: Normal quantile of the stated rate of false fails.
    """

    def __init__(self, kappa: float, flow_u: float, z_fail: float) -> None:
        self._kappa = kappa
        self._share = 1.0 - min(z_fail * flow_u, 0.9)
        self._early: list[float] = []
        self._start_k: float | None = None
        self._start_pa = math.nan
        self._last_pa = math.nan
        self._last_s = math.nan
        self._largest_pa = 0.0
        self._clock_s = 0.0
        self._recent: deque[tuple[float, float]] = deque(maxlen=RECENT_BLOCKS)

    def push(self, block: Block) -> Estimate | None:
        """Take the next block; an estimate once a gross leak is sure, else None."""
        pressure = block.pressure_pa
        if pressure is None:
            return None
        if self._start_k is None:
            self._start_k = block.pipe_k
        if len(self._early) < START_BLOCKS:
            self._early.append(pressure)
            self._start_pa = max(self._early)
            self._last_pa, self._last_s = pressure, block.t_s
            return None
        self._largest_pa = max(self._largest_pa, self._last_pa - pressure)
        self._last_pa = pressure
        room = block.barometer_pa
        full = self._start_pa**2 - room**2
        if full <= 0.0:
            return None
        # A gauge that speaks more seldom than once a block skips blocks.
        passed_s = min(block.t_s - self._last_s, LONGEST_S)
        self._last_s = block.t_s
        self._clock_s += passed_s * min(max((pressure**2 - room**2) / full, 0.01), 1.0)
        self._recent.append((self._clock_s, pressure))
        return self._look(block, pressure)

    def _goes_on(self, loss: float, block: Block) -> bool:
        """Whether the unit is empty, or still loses as a leak would."""
        gauge = self._recent[-1][1] - block.barometer_pa
        if gauge < EMPTY_SHARE * (self._start_pa - block.barometer_pa):
            return True
        (clock_s, before_pa), (now_s, now_pa) = self._recent[0], self._recent[-1]
        expected = loss / self._clock_s * (now_s - clock_s)
        return before_pa - now_pa > GOING_ON_SHARE * expected

    def _look(self, block: Block, pressure: float) -> Estimate | None:
        warmth = 1.0
        if block.pipe_k is not None and self._start_k is not None:
            warmth = (block.pipe_k / self._start_k) ** self._kappa
        loss = self._start_pa * warmth - pressure
        allowed = ALLOWED_SHARE * self._start_pa
        sure = loss > SURE_SHARE * self._start_pa and self._largest_pa < JUMP_SHARE * loss
        if block.index < LEAST_BLOCKS or not sure or not self._goes_on(loss, block):
            return None
        end_s = block.t_s + BLOCK_S / 2
        slope = loss / self._clock_s
        low = (loss - allowed) / end_s * self._share
        high = (loss + allowed) / self._clock_s / self._share
        return Estimate(
            t_s=end_s,
            slope=slope,
            low=low,
            high=high,
            low95=low,
            high95=high,
            smallest_visible=2.0 * allowed / end_s,
            compensated_pa=-loss,
            ready=True,
            causes=(Cause.LEAK,),
            notes=(NOTE,),
        )
