"""What spoils a pressure-decay hold: steps, stuck instruments, gaps, a fallen clamp."""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from statistics import fmean, median
from typing import TYPE_CHECKING

from holdwatch_procedures.estimates import BLOCK_S, Block, Cause
from holdwatch_procedures.spoil import Action, Spoil

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOM_K = 295.0
"""Stands in for a pipe temperature where no thermometer is bound, K."""


def _pa_per_k(block: Block) -> float:
    pressure = block.pressure_pa if block.pressure_pa is not None else 0.0
    return pressure / (block.pipe_k if block.pipe_k is not None else ROOM_K)


class StepWatch:
    """Finds jumps of the pressure: a valve, a hose, a gauge zeroed or swapped.

    Takes the mean of three blocks less the mean of the three before, against the median of its
    last ninety values; a jump is more than seven robust sigmas and more than 2 kPa, unless the
    pipe's own step in temperature explains half of it. Looks from ten minutes after the mark.
    No false alarm in 18 simulated days (nominal, harsh, four thermal parts: under 0.17 a day at
    95 %); finds 54 % of 2 kPa steps, 100 % of 3 kPa in a nominal shop, 38, 83 and (5 kPa) 100 %
    in a harsh one. Measured by ``benchmarks/verdicts/decay_events.py``.
    """

    SIGMAS = 7.0
    FLOOR_PA = 2000.0
    TRAILING = 90
    FEWEST = 30
    SKIP_S = 600.0

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque(maxlen=12)
        self._jumps: deque[float] = deque(maxlen=self.TRAILING)
        self._quiet_until_s = -math.inf

    def push(self, block: Block) -> Spoil | None:
        """Take a block; return the step that it completes."""
        if block.pressure_pa is None:
            return None
        self._blocks.append(block)
        if block.t_s < self.SKIP_S - 60.0 or len(self._blocks) < 6:
            return None
        recent = list(self._blocks)[-6:]
        levels = [b.pressure_pa for b in recent if b.pressure_pa is not None]
        jump = fmean(levels[3:]) - fmean(levels[:3])
        found = self._judge(recent, jump) if block.t_s >= self._quiet_until_s else None
        if found is None:
            self._jumps.append(jump)
        else:
            self._quiet_until_s = block.t_s + 6 * BLOCK_S
        return found

    def _judge(self, recent: Sequence[Block], jump: float) -> Spoil | None:
        if len(self._jumps) < self.FEWEST:
            return None
        usual = median(self._jumps)
        sigma = 1.4826 * median([abs(value - usual) for value in self._jumps])
        excess = jump - usual
        if abs(excess) <= max(self.SIGMAS * sigma, self.FLOOR_PA):
            return None
        if abs(self._explained(recent[-1])) > 0.5 * abs(excess):
            return None
        where_s = 0.5 * (recent[2].t_s + recent[3].t_s)
        word = "rose" if excess > 0.0 else "fell"
        text = (
            f"The pressure {word} by about {abs(excess) / 1e3:.1f} kPa at once, which no leak and "
            "no temperature does: a valve, a hose or the gauge was touched."
        )
        return Spoil(Cause.STEP, where_s, text, Action.RESTART)

    def _explained(self, newest: Block) -> float:
        warm = [b.pipe_k for b in self._blocks if b.pipe_k is not None]
        if len(warm) < 12:
            return 0.0
        quick_k = fmean(warm[-3:]) - fmean(warm[-6:-3])
        slow_k = fmean(warm[6:]) - fmean(warm[:6])
        return _pa_per_k(newest) * max(quick_k, slow_k, key=abs)


class FallenClamp:
    """Finds a thermometer that left its pipe: its temperature moves, the gas does not.

    The change from one minute's mean to the next exceeds 0.8 K while the pressure moved by
    less than a quarter of what that would do to the gas. No false alarm in 18 simulated days;
    finds every fall onto air that differs by 2 K, 88 % at 1 K.
    """

    LEAST_K = 0.8
    SKIP_S = 600.0

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque(maxlen=12)
        self._quiet_until_s = -math.inf

    def push(self, block: Block) -> Spoil | None:
        """Take a block; return the fall that it completes."""
        if block.pressure_pa is None or block.pipe_k is None:
            return None
        self._blocks.append(block)
        if len(self._blocks) < 12 or block.t_s < max(self.SKIP_S, self._quiet_until_s):
            return None
        if self._blocks[-1].t_s - self._blocks[0].t_s > 20 * BLOCK_S:
            return None
        warm = [b.pipe_k for b in self._blocks if b.pipe_k is not None]
        level = [b.pressure_pa for b in self._blocks if b.pressure_pa is not None]
        moved_k = fmean(warm[6:]) - fmean(warm[:6])
        moved_pa = fmean(level[6:]) - fmean(level[:6])
        if abs(moved_k) <= self.LEAST_K:
            return None
        if abs(moved_pa) >= 0.25 * _pa_per_k(block) * abs(moved_k):
            return None
        self._quiet_until_s = block.t_s + 120.0
        text = (
            f"The pipe temperature moved by {moved_k:+.1f} K within a minute and the gas did not "
            "follow: the thermometer is off its pipe. Clamp it on again, under insulation."
        )
        return Spoil(Cause.THERMOMETER, block.t_s - 6 * BLOCK_S, text, Action.RESTART)


class StuckWatch:
    """Finds an instrument that repeats one value for longer than its nature allows.

    An instrument whose noise moves it to and fro never repeats one block mean for five minutes
    (longest natural run of equal readings in 340 simulated hours: 72 s at 1 kPa, 40 s at 0.69
    kPa, 22 s at 0.1 K). One that is quiet on a coarse step may: it counts as stuck when other
    instruments say that it should have moved by two steps, or after an hour. A value that
    never moved at all since the start is stuck after five minutes.

    Args:
        resolution: Step of its readings, in its unit; None where unknown.
        noise: Scatter of single readings; None where unknown, then judged by what was seen.
    """

    PLAIN_S = 300.0
    QUIET_S = 3600.0
    LIVELY = 10
    MEMORY = 60
    REST_SHARE = 0.2

    def __init__(self, resolution: float | None, noise: float | None) -> None:
        self._resolution = resolution or 0.0
        self._noise = noise
        self._value: float | None = None
        self._since_s = 0.0
        self._said_s = -math.inf
        self._moves: deque[float] = deque(maxlen=self.MEMORY)
        self._still: deque[bool] = deque(maxlen=self.MEMORY)
        self._expected: tuple[float, float] = (math.inf, -math.inf)

    def push(self, t_s: float, value: float, expected: float) -> float | None:
        """Take a block's mean; return since when it has been stuck, every five minutes, s.

        Args:
            t_s: Middle of the block, s.
            value: The instrument's own mean, without what was added to it.
            expected: What other instruments would make of it, in the same unit.
        """
        tolerance = max(1e-3 * self._resolution, 1e-9 * abs(value))
        if self._value is None or abs(value - self._value) > tolerance:
            if self._value is not None:
                self._moves.append(value - self._value)
                self._still.extend([True] * round((t_s - self._since_s) / BLOCK_S - 1.0))
                self._still.append(False)
            self._value, self._since_s = value, t_s
            self._expected = (expected, expected)
            return None
        low, high = self._expected
        self._expected = (min(low, expected), max(high, expected))
        run_s = t_s - self._since_s + BLOCK_S
        overdue = self._expected[1] - self._expected[0] > 2.0 * self._resolution > 0.0
        if run_s < (self.QUIET_S if self.is_quiet and not overdue else self.PLAIN_S):
            return None
        if t_s - self._said_s < self.PLAIN_S:
            return None
        self._said_s = t_s
        return self._since_s - 0.5 * BLOCK_S

    @property
    def is_quiet(self) -> bool:
        """Whether equal blocks are natural: it moves, but seldom turns round or often rests."""
        if self._noise is not None and self._resolution > 0.0:
            return self._noise < 0.25 * self._resolution
        turns = sum(a * b < 0.0 for a, b in pairwise(self._moves))
        rests = sum(self._still) > self.REST_SHARE * len(self._still)
        return len(self._moves) > 0 and (turns < self.LIVELY or rests)


class GapWatch:
    """Finds times without a usable pressure; a certainty, so without false alarms."""

    NOTE_S = 60.0

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._last_s: float | None = None

    def push(self, block: Block) -> Spoil | None:
        """Take a block; return the gap that it ends."""
        if block.pressure_pa is None:
            return None
        before_s, self._last_s = self._last_s, block.t_s
        if before_s is None:
            return None
        missing_s = block.t_s - before_s - BLOCK_S
        if missing_s < self.NOTE_S:
            return None
        if missing_s <= self._longest_s:
            text = f"No pressure was received for {missing_s:.0f} s."
            return Spoil(Cause.GAP, before_s, text, Action.NOTE)
        text = (
            f"No pressure was received for {missing_s / 60.0:.0f} min, longer than "
            f"{self._longest_s / 60.0:.0f} min: what happened meanwhile is not known."
        )
        return Spoil(Cause.GAP, block.t_s - 0.5 * BLOCK_S, text, Action.RESTART)


class DecayWatch:
    """All watches of a pressure-decay hold on one stream of blocks.

    Push every block of the hold, from the mark on and across restarts where the caller can: the
    watches look after their own memory. A restart's ``t_s`` is where the event was.

    Args:
        resolution_pa: Step of the gauge's readings, Pa; None where unknown.
        noise_pa: Scatter of single readings, Pa; None where unknown.
        longest_gap_s: A longer time without pressure restarts the hold, s.
        vented: Whether the blocks' barometer was added to the gauge's own reading.
    """

    def __init__(
        self,
        resolution_pa: float | None = None,
        noise_pa: float | None = None,
        longest_gap_s: float = 300.0,
        *,
        vented: bool = True,
    ) -> None:
        self._vented = vented
        self._scale_pa_per_k = 0.0
        self._step = StepWatch()
        self._clamp = FallenClamp()
        self._gauge_stuck = StuckWatch(resolution_pa, noise_pa)
        self._pipe_stuck = StuckWatch(None, None)
        self._gap = GapWatch(longest_gap_s)

    def push(self, block: Block) -> list[Spoil]:
        """Take the next block; return what it shows to be spoilt, oldest first."""
        found = [
            self._gap.push(block),
            self._clamp.push(block),
            self._step.push(block),
            self._stuck_gauge(block),
            self._stuck_pipe(block),
        ]
        return sorted((spoil for spoil in found if spoil is not None), key=lambda spoil: spoil.t_s)

    def _stuck_gauge(self, block: Block) -> Spoil | None:
        if block.pressure_pa is None:
            return None
        pipe_k = block.pipe_k if block.pipe_k is not None else ROOM_K
        if self._scale_pa_per_k == 0.0:
            self._scale_pa_per_k = _pa_per_k(block)
        own = block.pressure_pa - (block.barometer_pa if self._vented else 0.0)
        since_s = self._gauge_stuck.push(block.t_s, own, self._scale_pa_per_k * pipe_k)
        if since_s is None:
            return None
        text = (
            f"The gauge has repeated one value since {since_s / 60.0:.0f} min: it is stuck, or "
            "its last reading is being repeated. Check its battery and its link."
        )
        return Spoil(Cause.GAP, block.t_s, text, Action.RESTART)

    def _stuck_pipe(self, block: Block) -> Spoil | None:
        if block.pipe_k is None:
            return None
        since_s = self._pipe_stuck.push(block.t_s, block.pipe_k, 0.0)
        if since_s is None:
            return None
        text = (
            f"The pipe temperature has repeated one value since {since_s / 60.0:.0f} min: the "
            "thermometer is stuck. Check its battery and its link."
        )
        action = Action.NOTE if self._pipe_stuck.is_quiet else Action.RESTART
        return Spoil(Cause.THERMOMETER, block.t_s, text, action)
