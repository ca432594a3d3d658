"""Finds what disturbs a pressure-decay hold: steps, stuck instruments, gaps, a fallen clamp."""

from __future__ import annotations

import math
from bisect import bisect_left, insort
from collections import defaultdict, deque
from math import fsum
from statistics import fmean, median
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S, Action, Block, Cause, Clamp, Disturbance
from holdwatch_procedures.holds.resolution import Dither, Resolution
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


class StandstillWatch:
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


ROOM_K = 295.0
"""Stands in for a pipe temperature where no thermometer is bound, K."""


def _pa_per_k(block: Block) -> float:
    pressure = block.pressure_pa if block.pressure_pa is not None else 0.0
    return pressure / (block.pipe_k if block.pipe_k is not None else ROOM_K)


def _moved(values: Sequence[float], before: int) -> float:
    """How far the mean of the later values is from that of the first few."""
    early, late = values[:before], values[before:]
    return fsum(late) / len(late) - fsum(early) / len(early)


class StepWatch:
    """Finds jumps of the pressure: a valve, a hose, a gauge zeroed or swapped.

    Takes the mean of three blocks less the mean of the three before, against the median of its
    last ninety values; a jump is more than seven robust sigmas, more than 2 kPa and more than
    one and a half steps of the gauge (a leak makes a coarse gauge step by one), unless the
    pipe's own step in temperature explains half of it. Across a silence the usual change counts
    for the time that passed, and the threshold grows with its square root. Looks from ten
    minutes after the mark. No false alarm in 9 simulated days (nominal, harsh, four thermal
    parts: under 0.33 a day at 95 %); finds 58 % of 2 kPa steps, 100 % of 3 kPa in a nominal
    shop, 50, 75 and (5 kPa) 100 % in a harsh one. Measured by
    ``benchmarks/verdicts/decay_events.py``.
    """

    SIGMAS = 7.0
    FLOOR_PA = 2000.0
    FLOOR_STEPS = 1.5
    TRAILING = 90
    FEWEST = 30
    SKIP_S = 600.0

    def __init__(self) -> None:
        self._blocks: deque[Block] = deque(maxlen=12)
        self._jumps: deque[float] = deque(maxlen=self.TRAILING)
        self._ordered: list[float] = []
        self._quiet_until_s = -math.inf
        self._usual_s = 3.0 * BLOCK_S

    def push(self, block: Block) -> Disturbance | None:
        """Take a block; return the step that it completes."""
        if block.pressure_pa is None:
            return None
        if block.pressure_resolution is not None:
            self._usual_s = 3.0 * max(BLOCK_S, block.pressure_resolution.interval_s)
        self._blocks.append(block)
        if block.t_s < self.SKIP_S - 60.0 or len(self._blocks) < 6:
            return None
        recent = list(self._blocks)[-6:]
        levels = [b.pressure_pa for b in recent if b.pressure_pa is not None]
        jump = fsum(levels[3:]) / 3 - fsum(levels[:3]) / 3
        times_s = [b.t_s for b in recent]
        apart_s = fsum(times_s[3:]) / 3 - fsum(times_s[:3]) / 3
        times = max(apart_s / self._usual_s, 1.0)
        if block.t_s < self._quiet_until_s:
            found = None
        else:
            found = self._judge(recent, jump, times if times > 1.5 else 1.0)
        if found is not None:
            self._quiet_until_s = block.t_s + 2.0 * self._usual_s
        elif times <= 1.5:
            self._keep(jump)
        return found

    def _keep(self, jump: float) -> None:
        """Remember a usual jump, both in the order of time and in that of size."""
        if len(self._jumps) == self.TRAILING:
            del self._ordered[bisect_left(self._ordered, self._jumps[0])]
        self._jumps.append(jump)
        insort(self._ordered, jump)

    def _judge(self, recent: Sequence[Block], jump: float, times: float) -> Disturbance | None:
        if len(self._jumps) < self.FEWEST:
            return None
        usual = median(self._ordered)
        resolution = recent[-1].pressure_resolution
        coarse_pa = self.FLOOR_STEPS * (
            (resolution.step if resolution is not None else None) or 0.0
        )
        excess = jump - usual * times
        least_pa = max(self.FLOOR_PA, coarse_pa)
        if abs(excess) <= least_pa * math.sqrt(times):
            return None  # the scatter, which costs most to know, can only ask for more
        sigma = 1.4826 * median([abs(value - usual) for value in self._ordered])
        if abs(excess) <= max(self.SIGMAS * sigma, least_pa) * math.sqrt(times):
            return None
        if abs(self._explained(recent)) > 0.5 * abs(excess):
            return None
        where_s = 0.5 * (recent[2].t_s + recent[3].t_s)
        text = Say(
            "decay.rose_at_once" if excess > 0.0 else "decay.fell_at_once", jump_pa=abs(excess)
        )
        return Disturbance(Cause.STEP, where_s, text, Action.RESTART)

    def _explained(self, recent: Sequence[Block]) -> float:
        warm = [b.pipe_k for b in self._blocks if b.pipe_k is not None]
        if len(warm) < 12:
            return 0.0
        quick_k = fmean(warm[-3:]) - fmean(warm[-6:-3])
        slow_k = fmean(warm[6:]) - fmean(warm[:6])
        return _pa_per_k(recent[-1]) * max(quick_k, slow_k, key=abs)


class FallenClamp:
    """Finds a thermometer that left its pipe: its temperature moves, the gas does not.

    The change from one minute's mean to the next (from three readings to the next three, where
    an instrument speaks more seldom) exceeds 0.8 K and one and a half of its own steps, while
    the pressure, whose steps must be fine enough to show it, moved by less than a quarter of
    what that would do to the gas. No false alarm in 9 simulated days; finds every fall onto air
    that differs by 2 K, 83 % at 1 K.
    """

    LEAST_K = 0.8
    LEAST_STEPS = 1.5
    SKIP_S = 600.0
    FEWEST = 3
    MOST_S = 180.0

    def __init__(self) -> None:
        self._taken: deque[tuple[float, float, float]] = deque(maxlen=36)
        self._quiet_until_s = -math.inf
        self._half_s = 60.0
        self._step_k = 0.0

    def push(self, block: Block, clamp: Clamp) -> Disturbance | None:
        """Take a block; return the fall that it completes."""
        if block.pressure_pa is None:
            return None
        if clamp.resolution is not None:
            gauge = block.pressure_resolution
            slowest_s = max(
                clamp.resolution.interval_s, gauge.interval_s if gauge is not None else 0.0
            )
            self._half_s = min(max(60.0, 3.0 * slowest_s), self.MOST_S)
            self._step_k = clamp.resolution.step or 0.0
        self._taken.append((block.t_s, clamp.kelvin, block.pressure_pa))
        if block.t_s < max(self.SKIP_S, self._quiet_until_s):
            return None
        turn_s = block.t_s - self._half_s
        first_s = turn_s - self._half_s
        after = before = 0
        for t_s, _, _ in reversed(self._taken):
            if t_s > turn_s:
                after += 1
            elif t_s > first_s:
                before += 1
            else:
                break
        if min(before, after) < self.FEWEST:
            return None
        taken = list(self._taken)[-before - after :]
        moved_k = _moved([k for _, k, _ in taken], before)
        if abs(moved_k) <= max(self.LEAST_K, self.LEAST_STEPS * self._step_k):
            return None
        return self._judge(block, moved_k, _moved([p for _, _, p in taken], before))

    def _judge(self, block: Block, moved_k: float, moved_pa: float) -> Disturbance | None:
        expected_pa = _pa_per_k(block) * abs(moved_k)
        resolution = block.pressure_resolution
        step_pa = (resolution.step if resolution is not None else None) or 0.0
        if expected_pa < 2.0 * step_pa or abs(moved_pa) >= 0.25 * expected_pa:
            return None
        self._quiet_until_s = block.t_s + 2.0 * self._half_s
        text = Say("decay.clamp_fell", moved_k=moved_k)
        return Disturbance(Cause.THERMOMETER, block.t_s - self._half_s, text, Action.RESTART)


class GapWatch:
    """Finds times without a usable pressure; a certainty, so without false alarms."""

    NOTE_S = 60.0
    NOTE_INTERVALS = 3.0

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._last_s: float | None = None

    def push(self, block: Block) -> Disturbance | None:
        """Take a block; return the gap that it ends."""
        if block.pressure_pa is None:
            return None
        before_s, self._last_s = self._last_s, block.t_s
        if before_s is None:
            return None
        missing_s = block.t_s - before_s - BLOCK_S
        resolution = block.pressure_resolution
        usual_s = self.NOTE_INTERVALS * resolution.interval_s if resolution is not None else 0.0
        if missing_s < max(self.NOTE_S, min(usual_s, self._longest_s)):
            return None
        if missing_s <= self._longest_s:
            text = Say("decay.gap_bridged", missing_s=missing_s)
            return Disturbance(Cause.GAP, before_s, text, Action.NOTE)
        text = Say("decay.gap", missing_s=missing_s, longest_s=self._longest_s)
        return Disturbance(Cause.GAP, block.t_s - 0.5 * BLOCK_S, text, Action.RESTART)


class DecayWatch:
    """All watches of a pressure-decay hold on one stream of blocks.

    Push every block of the hold, from the mark on and across restarts where the caller can: the
    watches look after their own memory. A restart's ``t_s`` is where the event was. What is stuck
    or off its pipe is judged from the resolutions and clamps that the blocks carry.

    Args:
        resolution_pa: Step of the gauge's readings, Pa; None where not declared.
        noise_pa: Scatter of single readings, Pa; None where unknown.
        longest_gap_s: A longer time without pressure restarts the hold, s.
        vented: Whether the blocks' barometer was added to the gauge's own reading.
        clamps: Declared step and noise of the pipe thermometers by role name, K.

    Attributes:
        distrusted: Role names of the thermometers that left their pipe or are stuck. They are
            not believed again before a new mark, for which there is a new watch.
    """

    EMPTY_SHARE = 0.02
    CLAMP_NOTE_S = 1200.0

    def __init__(
        self,
        resolution_pa: float | None = None,
        noise_pa: float | None = None,
        longest_gap_s: float = 300.0,
        *,
        vented: bool = True,
        clamps: Mapping[str, tuple[float | None, float | None]] | None = None,
    ) -> None:
        self.distrusted: set[str] = set()
        self._vented = vented
        self._declared = dict(clamps or {})
        self._scale_pa_per_k = 0.0
        self._pipe_k = ROOM_K
        self._pipe_step_k = 0.0
        self._first_pa: float | None = None
        self._warned: set[str] = set()
        self._step = StepWatch()
        self._fallen: defaultdict[str, FallenClamp] = defaultdict(FallenClamp)
        self._pipe_stuck: dict[str, StandstillWatch] = {}
        self._gauge_stuck = StandstillWatch(resolution_pa, noise_pa)
        self._gap = GapWatch(longest_gap_s)

    @property
    def is_gauge_still(self) -> bool:
        """Whether the gauge has stood still so long that nothing may be decided by it now.

        A gauge that froze and one at rest look alike until the next move: that move, not a time,
        is what makes the stillness before it a measurement.
        """
        return self._gauge_stuck.is_pending

    def push(self, block: Block) -> list[Disturbance]:
        """Take the next block; return what it shows to be spoilt, oldest first."""
        clamps = [clamp for clamp in block.clamps if clamp.role not in self.distrusted]
        found = [self._gap.push(block)]
        for clamp in clamps:
            found += [self._fell(block, clamp), self._stuck_clamp(block, clamp)]
        found += [self._step.push(block), self._stuck_gauge(block)]
        disturbances = [disturbance for disturbance in found if disturbance is not None]
        return sorted(disturbances, key=lambda disturbance: disturbance.t_s)

    def _fell(self, block: Block, clamp: Clamp) -> Disturbance | None:
        fallen = self._fallen[clamp.role].push(block, clamp)
        if fallen is not None:
            self.distrusted.add(clamp.role)
        return fallen

    def _stuck_gauge(self, block: Block) -> Disturbance | None:
        if block.pressure_pa is None or block.pressure_resolution is None:
            return None
        if block.pipe_k is not None:
            self._pipe_k = block.pipe_k
        if self._scale_pa_per_k == 0.0:
            self._scale_pa_per_k = _pa_per_k(block)
        own = block.pressure_pa - (block.barometer_pa if self._vented else 0.0)
        scale = self._scale_pa_per_k
        watch = self._gauge_stuck
        since_s = watch.push(
            block.t_s, block.pressure_resolution, scale * self._pipe_k, scale * self._pipe_step_k
        )
        if self._first_pa is None:
            self._first_pa = own
        if self._first_pa > 0.0 and own < self.EMPTY_SHARE * self._first_pa:
            return None  # an empty unit stands still at the room's pressure
        if since_s is None:
            return self._resting_gauge(block)
        text = Say("decay.gauge_stuck", still_s=since_s)
        return Disturbance(Cause.GAP, block.t_s, text, Action.RESTART)

    def _resting_gauge(self, block: Block) -> Disturbance | None:
        """Tell once that a coarse gauge has not moved yet: it may be at rest, or stuck."""
        watch = self._gauge_stuck
        resting = watch.is_quiet and not watch.has_moved and watch.still_s >= watch.PLAIN_S
        if not resting or "gauge" in self._warned:
            return None
        self._warned.add("gauge")
        text = Say("decay.gauge_rests")
        return Disturbance(Cause.GAP, block.t_s, text, Action.NOTE)

    def _stuck_clamp(self, block: Block, clamp: Clamp) -> Disturbance | None:
        if clamp.resolution is None:
            return None  # carried on from an earlier block
        watch = self._pipe_stuck.get(clamp.role)
        if watch is None:
            watch = StandstillWatch(*self._declared.get(clamp.role, (None, None)))
            self._pipe_stuck[clamp.role] = watch
        self._pipe_step_k = max(self._pipe_step_k, clamp.resolution.step or 0.0)
        since_s = watch.push(block.t_s, clamp.resolution)
        if since_s is None:
            return None
        if watch.has_moved and not watch.is_quiet:
            self.distrusted.add(clamp.role)
            text = Say("decay.clamp_stuck", still_s=since_s)
            return Disturbance(Cause.THERMOMETER, block.t_s, text, Action.RESTART)
        if clamp.role in self._warned or watch.still_s < self.CLAMP_NOTE_S:
            return None
        self._warned.add(clamp.role)
        text = Say("decay.clamp_rests", still_s=since_s)
        return Disturbance(Cause.THERMOMETER, block.t_s, text, Action.NOTE)
