"""The pressure-decay engine: blocks of a hold in, the leak with its bounds out."""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from statistics import NormalDist, median
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.confidence import half_width
from holdwatch_procedures.holds.decay.bank import Bank, Posterior
from holdwatch_procedures.holds.decay.blur import BlurWatch
from holdwatch_procedures.holds.decay.bounds import advice, doubts, visible
from holdwatch_procedures.holds.decay.signal import COLUMNS, GasSignal, Row
from holdwatch_procedures.holds.estimates import BLOCK_S, Block, Cause, Estimate

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdwatch_procedures.holds.decay.setup import DecaySetup

FIRST_LOOK = 30
"""Usable blocks after the floor before there is an estimate."""

EARLY = 90
"""Usable blocks from which the noise is taken; when they are full the hold is replayed."""

LOST_S = 300.0
"""After this long without a usable block nothing may be decided, s."""

USABLE_SHARE = 0.8
"""Share of the blocks since the floor that must be usable before anything is decided; a gauge
that speaks more seldom than once a block promises as many as its interval allows."""

SETTLED_SHARE = 0.1
"""Transients below this share of the criterion have settled."""

READINGS_A_BLOCK = 10
"""Readings that a block averages over at one a second, for forecasts and where nobody counted."""

Z95 = 1.959964
_ENDS = 6


def scatter_variance(
    levels: list[float],
    resolution_pa: float | None,
    readings: float = READINGS_A_BLOCK,
    coarse_share: float = 0.0,
) -> float:
    """Return the white-noise variance of blocks from their differences, Pa².

    Half the square of 1.4826 times the median absolute deviation of successive differences,
    with a floor of 1 Pa² and from the resolution: uniform, averaged over the block's readings
    but for the share of the time in which no noise shook them over the steps.
    """
    rounding = (resolution_pa or 0.0) ** 2 / 12.0
    share = coarse_share + (1.0 - coarse_share) / max(readings, 1.0)
    floor = max(1.0, rounding * share)
    steps = [after - before for before, after in pairwise(levels)]
    if not steps:
        return floor
    middle = median(steps)
    mad = median([abs(step - middle) for step in steps])
    return max(0.5 * (1.4826 * mad) ** 2, floor)


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


class DecayEngine:
    """Judges the amount of gas in a pressure-decay hold, one block at a time.

    Push every block from the mark on, in order. The first ten minutes only set the scale;
    from five minutes later each block gives an `Estimate`. The cost of a block is constant.
    After a spoiling event build a new engine: a hold is restarted, never patched.

    Attributes:
        setup: What the engine was told.
        settled_at_s: End of the first block, seconds from the mark, at which the transients
            had faded to a tenth of the criterion; None until then.
    """

    def __init__(self, setup: DecaySetup) -> None:
        self.setup = setup
        self.settled_at_s: float | None = None
        self._signal = GasSignal(setup)
        self._early: list[Row] = []
        self._bank: Bank | None = None
        self._blur = BlurWatch()
        self._usable = 0
        self._promised = 0.0
        self._block_share = 1.0
        self._resolution_pa = setup.resolution_pa
        self._readings: list[int] = []
        self._first_levels: list[float] = []
        self._last_levels: deque[float] = deque(maxlen=_ENDS)
        self._last_usable_s = -math.inf
        self._visible = math.inf
        self._z_pass = NormalDist().inv_cdf(1.0 - setup.false_pass)
        self._z_fail = NormalDist().inv_cdf(1.0 - setup.false_fail)

    def push(self, block: Block) -> Estimate | None:
        """Take the next block; return the estimate after it, or None while there is none."""
        row = self._signal.push(block)
        if row is None:
            return None
        self._blur.push(block)
        self._count(block, row)
        if self._usable <= EARLY and (row.usable or self._usable < EARLY):
            self._early.append(row)
        if row.usable and self._usable in {FIRST_LOOK, EARLY}:
            self._replay()
        elif self._bank is not None:
            self._learn(row)
        if self._bank is None:
            return None
        return self._look(block, row, self._bank.posterior())

    def _count(self, block: Block, row: Row) -> None:
        resolution = block.pressure_resolution
        if resolution is not None:
            self._block_share = BLOCK_S / max(BLOCK_S, resolution.interval_s)
            self._resolution_pa = resolution.step
        self._promised += self._block_share
        if not row.usable:
            return
        if len(self._readings) < EARLY:
            self._readings.append(block.pressure_n)
        self._usable += 1
        self._last_usable_s = block.t_s
        level = self._signal.normalised(row)
        self._last_levels.append(level)
        if len(self._first_levels) < _ENDS:
            self._first_levels.append(level)

    def _replay(self) -> None:
        """Take the noise from the early blocks and run the bank over them from the start."""
        levels = [self._signal.normalised(row) for row in self._early if row.usable]
        coarse = self._blur.coarse_gauge
        noise = scatter_variance(levels, self._resolution_pa, median(self._readings), coarse)
        wander = self.setup.gauge_wander_pa_per_h**2 / 3600.0
        spec = self.setup.bank_spec
        self._bank = Bank(spec, self._signal.pa_per_k, noise, COLUMNS, wander)
        for row in self._early:
            self._learn(row)
        if self._usable >= EARLY:
            self._early = []

    def _learn(self, row: Row) -> None:
        assert self._bank is not None  # noqa: S101 (callers have built it)
        values = self._signal.values(row) if row.usable else None
        self._bank.step(row.t_s, row.clock_s, values)

    def _look(self, block: Block, row: Row, posterior: Posterior) -> Estimate:
        setup = self.setup
        limit = setup.limit_pa_per_s
        slope, variance = posterior.slope, posterior.variance
        found = doubts(setup, posterior, row.t_s, self._signal.pa_per_k, self._blur.blur)
        unlearned = math.hypot(*found.values())
        scale = math.hypot(setup.considered.scale, setup.volume_u)
        considered = math.hypot(unlearned, scale * slope)
        up = half_width(variance, limit, setup.false_pass, setup.spread)
        down = setup.considered.tails * half_width(variance, limit, setup.false_fail, setup.spread)
        spread = math.hypot(math.sqrt(variance), considered)
        end_s = block.t_s + 0.5 * BLOCK_S
        if self.settled_at_s is None and abs(posterior.transient_rate) < SETTLED_SHARE * limit:
            self.settled_at_s = end_s
        ready = (
            self.settled_at_s is not None
            and block.t_s - self._last_usable_s < LOST_S
            and self._usable >= USABLE_SHARE * self._promised
        )
        # Gas does not come into being: a slope far below zero is an error and earns no pass.
        least = max(slope, -setup.considered.least_slope * spread)
        high = least + math.hypot(up, self._z_pass * considered)
        low = slope - math.hypot(down, self._z_fail * considered)
        if ready:
            sight = visible(setup, posterior, unlearned)
            self._visible = min(self._visible, sight, high)
        return Estimate(
            t_s=end_s,
            slope=slope,
            low=low,
            high=high,
            low95=slope - Z95 * spread,
            high95=slope + Z95 * spread,
            smallest_visible=self._visible,
            compensated_pa=_mean(self._last_levels) - _mean(self._first_levels),
            ready=ready,
            causes=(Cause.LEAK,) if ready and low > limit else (),
            notes=advice(setup, found, high - least),
        )
