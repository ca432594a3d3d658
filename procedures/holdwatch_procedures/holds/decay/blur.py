"""Follows the steps of gauge and clamps through a pressure decay: what they leave unsaid."""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.decay.bounds import Blur
from holdwatch_procedures.holds.estimates import BLOCK_S
from holdwatch_procedures.holds.resolution import Dither, rounding_doubt

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Block

NATURAL_STILL_S = 3600.0
"""A thermometer whose steps are known may show one value for so long and still be believed."""


class BlurWatch:
    """Counts, over the blocks that an engine judges, how far rounding averages out.

    Blocks without resolutions (nobody counted) leave nothing unsaid.
    """

    def __init__(self) -> None:
        self._gauge = Dither()
        self._gauge_step: float | None = None
        self._clamps: defaultdict[str, Dither] = defaultdict(Dither)
        self._clamp_step: dict[str, float] = {}
        self._still_s = self._longest_still_s = 0.0

    def push(self, block: Block) -> None:
        """Take one block."""
        resolution = block.pressure_resolution
        if resolution is not None:
            self._gauge.push(resolution)
            self._gauge_step = resolution.step
        fresh = [clamp for clamp in block.clamps if clamp.resolution is not None]
        moves = 0
        for clamp in fresh:
            if clamp.resolution is not None:
                self._clamps[clamp.role].push(clamp.resolution)
                self._clamp_step[clamp.role] = clamp.resolution.step or 0.0
                moves += clamp.resolution.moves
        if block.clamps:
            self._still_s = 0.0 if moves else self._still_s + BLOCK_S
            self._longest_still_s = max(self._longest_still_s, self._still_s)

    @property
    def coarse_gauge(self) -> float:
        """Share of the minutes in which the gauge's rounding did not average out."""
        return self._gauge.coarse_share

    @property
    def blur(self) -> Blur:
        """What the instruments leave unsaid so far; of several clamps, the coarsest counts."""
        clamps = [
            rounding_doubt(self._clamp_step[role], dither.coarse_share)
            for role, dither in self._clamps.items()
        ]
        known = any(self._clamp_step.values())
        still_s = self._longest_still_s
        return Blur(
            gauge_pa=rounding_doubt(self._gauge_step, self.coarse_gauge),
            clamp_k=max(clamps, default=0.0),
            still_s=still_s if not known or still_s >= NATURAL_STILL_S else 0.0,
        )
