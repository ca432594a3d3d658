"""Finds what disturbs a standing vacuum: a start too high, step, fall, end of range, stuck, gap."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S, Action, Block, Cause, Disturbance
from holdwatch_procedures.holds.sliding import SlidingMedian
from holdwatch_procedures.holds.vacuum.noise import BlockNoise
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup


STEP_FROM_S = 150.0
STEP_SIGMAS = 8.0
STEP_LEAST_PA = 20.0
SETTLED_S = 120.0
FALL_LEAST_PA = 10.0
FALL_SHARE = 0.05
FALL_SIGMAS = 6.0
TOP_SHARE = 0.999
TOP_BLOCKS = 2
STUCK_S = 300.0
STUCK_COARSE_S = 1200.0
GAP_NOTED_S = 30.0
GAP_INTERVALS = 3.0

NO_VACUUM_PA = 10e3
"""Above this nothing was evacuated, and no verdict can be given, Pa."""
BARRED_OVER_TARGET = 3.0
"""Isolated above this many times its target, a hold cannot pass: it was not pumped down."""
GAUGE_SHARE = 1.1
"""What a gauge may read above the target and still be at it."""


def is_no_vacuum(start_pa: float) -> bool:
    """Whether the pressure after isolation is not that of a vacuum at all."""
    return start_pa > NO_VACUUM_PA


def bars_pass(recipe: Recipe, start_pa: float) -> bool:
    """Whether the vacuum was isolated so far above its target that it may not pass."""
    return start_pa > BARRED_OVER_TARGET * recipe.target_pa


def remark(recipe: Recipe, start_pa: float) -> Say | None:
    """What there is to say of the pressure at isolation; None where it was at the target."""
    if is_no_vacuum(start_pa):
        return Say("vacuum.never_evacuated", start_pa=start_pa)
    if bars_pass(recipe, start_pa):
        return Say("vacuum.isolated_too_high", start_pa=start_pa, target_pa=recipe.target_pa)
    if start_pa > GAUGE_SHARE * recipe.target_pa:
        return Say("vacuum.isolated_above", start_pa=start_pa, target_pa=recipe.target_pa)
    return None


class VacuumWatch:
    """Watches the blocks of one standing vacuum; make a new one after a restart.

    False alarms are measured by ``benchmarks/verdicts/vacuum_spoil.py`` and printed there.

    Args:
        setup: What is known of the gauge.
        max_gap_s: Longest silence that may be bridged; a longer one restarts the judging.
    """

    def __init__(self, setup: VacuumSetup, *, max_gap_s: float = 300.0) -> None:
        self._setup = setup
        self._max_gap_s = max_gap_s
        self._noise = BlockNoise(setup)
        self._differences = SlidingMedian(90)
        self._last_three: deque[float] = deque(maxlen=3)
        self._highest_pa = -math.inf
        self._at_top = 0
        self._last_s: float | None = None
        self._first_s: float | None = None
        self._same_pa: float | None = None
        self._same_since_s = 0.0
        self._changes = 0
        self._done: set[str] = set()

    def push(self, block: Block) -> list[Disturbance]:
        """Take one block; return what it shows, each kind once."""
        if self._first_s is None:
            self._first_s = block.t_s
        pressure = block.pressure_pa
        if pressure is None:
            return []
        found = list(self._gap(block))
        self._last_s = block.t_s
        self._noise.push(block, pressure)
        found += [*self._top(block, pressure), *self._stuck(block, pressure)]
        step = list(self._step(block))
        found += step or self._fall(block, pressure)
        return found

    def _once(self, kind: str, disturbance: Disturbance) -> Iterator[Disturbance]:
        if kind not in self._done:
            self._done.add(kind)
            yield disturbance

    def _gap(self, block: Block) -> Iterator[Disturbance]:
        if self._last_s is None:
            return
        silent_s = block.t_s - self._last_s - BLOCK_S
        resolution = block.pressure_resolution
        usual_s = GAP_INTERVALS * resolution.interval_s if resolution is not None else 0.0
        if silent_s < max(GAP_NOTED_S, min(usual_s, self._max_gap_s)):
            return
        if silent_s > self._max_gap_s:
            text = Say("vacuum.gap", missing_s=silent_s)
            yield Disturbance(Cause.GAP, block.t_s, text, Action.RESTART)
        else:
            text = Say("vacuum.gap_bridged", missing_s=silent_s)
            yield Disturbance(Cause.GAP, block.t_s, text, Action.NOTE)

    def _top(self, block: Block, pressure: float) -> Iterator[Disturbance]:
        top = self._setup.range_top_pa
        if top is None:
            return
        self._at_top = self._at_top + 1 if pressure >= TOP_SHARE * top else 0
        if self._at_top == TOP_BLOCKS:
            text = Say("vacuum.saturated", top_pa=top)
            yield from self._once("top", Disturbance(Cause.SATURATED, block.t_s, text, Action.VOID))

    def _stuck(self, block: Block, pressure: float) -> Iterator[Disturbance]:
        """Readings that never move: natural only where rounding hides noise and rise."""
        moved = block.pressure_sd_pa > 0.0 or pressure != self._same_pa
        if moved:
            self._changes += self._same_pa is not None
            self._same_pa, self._same_since_s = pressure, block.t_s - BLOCK_S / 2
            return
        if self._at_top:
            return
        still_s = block.t_s + BLOCK_S / 2 - self._same_since_s
        coarse = self._setup.resolution_pa is not None and not self._setup.dithers(pressure)
        allowed = STUCK_COARSE_S if coarse and self._changes else STUCK_S
        if still_s >= allowed:
            text = Say("vacuum.stuck", still_s=still_s)
            yield from self._once("stuck", Disturbance(Cause.GAP, block.t_s, text, Action.VOID))

    def _step(self, block: Block) -> Iterator[Disturbance]:
        bend = self._noise.second_difference_pa
        if bend is None:
            return
        if block.t_s - (self._first_s or 0.0) >= STEP_FROM_S and self._differences.count >= 8:
            sigma = 1.4826 * self._differences.median
            expected = math.sqrt(6.0) * self._noise.sd_pa
            reach = max(STEP_SIGMAS * max(sigma, expected), STEP_LEAST_PA)
            if abs(bend) > reach:
                text = Say("vacuum.jumped", jump_pa=bend)
                disturbance = Disturbance(Cause.STEP, block.t_s, text, Action.RESTART)
                yield from self._once("step", disturbance)
        self._differences.push(abs(bend))

    def _fall(self, block: Block, pressure: float) -> Iterator[Disturbance]:
        """Pressure well below what it was: the pump pulls again, or the gauge cooled."""
        self._last_three.append(pressure)
        if len(self._last_three) < 3:
            return
        middle = sorted(self._last_three)[1]
        early = block.t_s - (self._first_s or 0.0) < SETTLED_S
        if early:
            self._highest_pa = middle  # hoses and parts may still even out
            return
        self._highest_pa = max(self._highest_pa, middle)
        reach = max(FALL_LEAST_PA, FALL_SHARE * self._highest_pa, FALL_SIGMAS * self._noise.sd_pa)
        if middle < self._highest_pa - reach:
            text = Say("vacuum.fell", before_pa=self._highest_pa, now_pa=middle)
            yield from self._once("fall", Disturbance(Cause.STEP, block.t_s, text, Action.VOID))
