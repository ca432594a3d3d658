"""How far a block's pressure scatters in a vacuum, learnt from curvature, floored by rounding."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from holdwatch_procedures.estimates import Block
    from holdwatch_procedures.vacuum_setup import VacuumSetup

REMEMBERED = 360
"""Second differences kept: an hour of blocks."""
LEAST_DIFFERENCES = 8
MAD_TO_SD = 1.4826


class BlockNoise:
    """Follows the scatter of block means: expected from the declaration, scaled as measured.

    The measure is the median absolute second difference over √6 standard deviations, which
    neither a slope nor a slow curve moves. It never falls below what rounding alone gives.
    """

    def __init__(self, setup: VacuumSetup) -> None:
        self._setup = setup
        self._recent: deque[tuple[int, float]] = deque(maxlen=3)
        self._differences: deque[float] = deque(maxlen=REMEMBERED)
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
        if len(self._recent) == 3 and block.index - self._recent[0][0] == 2:
            (_, a), (_, b), (_, c) = self._recent
            self.second_difference_pa = a - 2.0 * b + c
            scaled = abs(self.second_difference_pa) / (math.sqrt(6.0) * self.expected_sd_pa)
            self._differences.append(scaled)

    @property
    def dithered(self) -> bool:
        """Whether noise shook the newest block's readings enough for rounding to average out."""
        return self._dithered

    @property
    def factor(self) -> float:
        """Measured over expected standard deviation of a block."""
        if len(self._differences) < LEAST_DIFFERENCES:
            return 1.0
        scatter = MAD_TO_SD * float(np.median(self._differences))
        return math.sqrt(max(scatter**2, self._floor_share))

    @property
    def sd_pa(self) -> float:
        """Standard deviation of the newest block's mean, Pa."""
        return self.expected_sd_pa * self.factor
