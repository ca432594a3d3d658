"""How far a block's pressure scatters in a vacuum, learnt from curvature, floored by rounding."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S
from holdwatch_procedures.holds.sliding import SlidingMedian

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Block
    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

REMEMBERED = 360
"""Second differences kept: an hour of blocks."""
LEAST_DIFFERENCES = 8
MAD_TO_SD = 1.4826


class BlockNoise:
    """Follows the scatter of block means: expected from the declaration, scaled as measured.

    The measure is the median absolute second difference over √6 standard deviations, which
    neither a slope nor a slow curve moves. It never falls below what rounding alone gives. A
    gauge that speaks more seldom than once a block is measured over its own intervals, by what
    the middle of three readings is off the line between the others.
    """

    def __init__(self, setup: VacuumSetup) -> None:
        self._setup = setup
        self._recent: deque[tuple[int, float]] = deque(maxlen=3)
        self._differences = SlidingMedian(REMEMBERED)
        self._level_pa: float | None = None
        self._floor_share = 0.0
        self._dithered = True
        self.expected_sd_pa = math.nan
        self.second_difference_pa: float | None = None

    def push(self, block: Block, pressure_pa: float) -> None:
        """Take one block that has a pressure."""
        # The level is that of earlier blocks, so that a weight never depends on its own error.
        level = max(pressure_pa if self._level_pa is None else self._level_pa, 0.0)
        n = block.pressure_n
        self._dithered = self._setup.dithers(level, block.pressure_sd_pa)
        floor = self._setup.floor_variance(n, dithered=self._dithered)
        variance = self._setup.reading_sd_pa(level) ** 2 / n + floor
        self.expected_sd_pa = math.sqrt(variance)
        self._floor_share = max(self._floor_share, floor / variance)
        self._level_pa = level + 0.3 * (pressure_pa - level)
        self._recent.append((block.index, pressure_pa))
        self.second_difference_pa = None
        if len(self._recent) < 3:
            return
        (first, a), (middle, b), (last, c) = self._recent
        if last - first == 2:
            self.second_difference_pa = a - 2.0 * b + c
        resolution = block.pressure_resolution
        apart = math.ceil(resolution.interval_s / BLOCK_S) if resolution is not None else 1
        if last - first <= 2 * max(apart, 1):
            share = (middle - first) / (last - first)
            off = a + share * (c - a) - b
            spread = math.sqrt(1.0 + share**2 + (1.0 - share) ** 2)
            self._differences.push(abs(off) / (spread * self.expected_sd_pa))

    @property
    def dithered(self) -> bool:
        """Whether noise shook the newest block's readings enough for rounding to average out."""
        return self._dithered

    @property
    def factor(self) -> float:
        """Measured over expected standard deviation of a block."""
        if self._differences.count < LEAST_DIFFERENCES:
            return 1.0
        scatter = MAD_TO_SD * self._differences.median
        return math.sqrt(max(scatter**2, self._floor_share))

    @property
    def sd_pa(self) -> float:
        """Standard deviation of the newest block's mean, Pa."""
        return self.expected_sd_pa * self.factor
