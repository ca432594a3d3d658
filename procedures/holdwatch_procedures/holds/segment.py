"""Judges one undisturbed segment of a hold: readings in, an evaluation after every block out.

Blocks of ten seconds go to the engine of the procedure and to the watches for disturbances;
what they find is turned into the figures that a verdict, a snapshot and the curve show.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field, replace
from statistics import fmean, median
from typing import TYPE_CHECKING

from holdwatch_physics.fluids import R_GAS
from holdwatch_procedures.holds.blocks import BlockBuilder, ClosedBlock
from holdwatch_procedures.holds.decay.disturbances import DecayWatch
from holdwatch_procedures.holds.decay.engine import DecayEngine
from holdwatch_procedures.holds.decay.signal import FLOOR_S
from holdwatch_procedures.holds.estimates import BLOCK_S, Action, Cause, Disturbance
from holdwatch_procedures.holds.events import CurvePoint
from holdwatch_procedures.holds.overpressure import is_over_pressure
from holdwatch_procedures.holds.scale import Scale, scale_for, unknown_leak
from holdwatch_procedures.holds.setups import (
    decay_setup,
    decay_watch,
    gross_leak,
    rise_watch,
    vacuum_setup,
    vacuum_watch,
)
from holdwatch_procedures.holds.vacuum.disturbances import bars_pass, is_no_vacuum, remark
from holdwatch_procedures.holds.vacuum.engine import SKIP_S, VacuumEngine
from holdwatch_procedures.holds.vacuum.series import combine_holds
from holdwatch_procedures.holds.verdict import Outcome
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.decay.gross import GrossLeak
    from holdwatch_procedures.holds.estimates import Block, Estimate
    from holdwatch_procedures.holds.order import Columns, Item
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.vacuum.disturbances import VacuumWatch
    from holdwatch_procedures.holds.vacuum.rise import RiseLook, RiseWatch
    from holdwatch_procedures.holds.verdict import Leak


AGREEING_EVALUATIONS = 4
"""Evaluations in a row that must agree before a verdict: a step is recognised three blocks after
it happened, and must not have decided by then. The bounds hold at every evaluation, so waiting
only makes the error rates smaller."""
SATURATED_BLOCKS = 2
OVERPRESSURE_BLOCKS = 1
FIRST_BLOCKS = 30
"""Blocks that count as the first minutes of a segment (five minutes)."""
ENDS = 6
"""Blocks averaged at either end of a pressure change (one minute)."""
LOST_BLOCKS = 30
"""Five minutes without a usable reading: the instrument is gone."""


@dataclass(slots=True)
class Observed:
    """The remembered part of a segment.

    Attributes:
        origin_s: From when on a change of pressure is counted, seconds from the start.
        first_pa: Absolute pressure of the first block that had one, Pa.
        last_pa: That of the newest, Pa.
        temperature_k: Newest pipe temperature, or the room's where no pipe is read, K.
        thermometer: Whether a pipe thermometer has been read.
        early_pa, early_room_pa, early_k: Of the first minutes: gas, room, gas temperature.
    """

    origin_s: float
    first_pa: float | None = None
    last_pa: float | None = None
    temperature_k: float | None = None
    thermometer: bool = False
    early_pa: list[float] = field(default_factory=list)
    early_room_pa: list[float] = field(default_factory=list)
    early_k: list[float] = field(default_factory=list)
    _blocks_without_pressure: int = 0
    _blocks_without_pipe: int = 0
    _since_origin: int = 0
    _origin_pa: list[float] = field(default_factory=list)
    _newest_pa: deque[float] = field(default_factory=lambda: deque(maxlen=ENDS))

    @property
    def change_pa(self) -> float | None:
        """Measured change of absolute pressure, minute to minute where there are two, Pa."""
        if self._since_origin >= 2 * ENDS:
            return fmean(self._newest_pa) - fmean(self._origin_pa)
        if self.last_pa is None or self.first_pa is None:
            return None
        return self.last_pa - self.first_pa

    @property
    def lost(self) -> Cause | None:
        """What has been silent for the last minutes: the thermometer, the gauge, or nothing."""
        if self._blocks_without_pressure >= LOST_BLOCKS:
            return Cause.GAP
        if self.thermometer and self._blocks_without_pipe >= LOST_BLOCKS:
            return Cause.THERMOMETER
        return None

    def remember(self, block: Block) -> None:
        """Take a block in."""
        temperature = block.pipe_k
        self.thermometer = self.thermometer or temperature is not None
        self._blocks_without_pipe = 0 if temperature is not None else self._blocks_without_pipe + 1
        self._blocks_without_pressure += 1
        if temperature is None:
            temperature = block.ambient_k
        if temperature is not None:
            self.temperature_k = temperature
        if block.pressure_pa is not None:
            self._pressure(block, block.pressure_pa, temperature)

    def _pressure(self, block: Block, pressure_pa: float, temperature_k: float | None) -> None:
        self._blocks_without_pressure = 0
        if self.first_pa is None:
            self.first_pa = pressure_pa
        self.last_pa = pressure_pa
        self._newest_pa.append(pressure_pa)
        if block.t_s >= self.origin_s:
            self._since_origin += 1
            if len(self._origin_pa) < ENDS:
                self._origin_pa.append(pressure_pa)
        if len(self.early_pa) < FIRST_BLOCKS:
            self.early_pa.append(pressure_pa)
            self.early_room_pa.append(block.barometer_pa)
            if temperature_k is not None:
                self.early_k.append(temperature_k)


class LinearFit:
    """Least-squares slope of x over t, from two points on.

    Sums are kept about the first point, so that times and values of any size lose no digits
    (checked against the certified values of the NIST statistical reference data sets).
    """

    def __init__(self) -> None:
        self.points = 0
        self._t0 = 0.0
        self._x0 = 0.0
        self._mean_t = 0.0
        self._mean_x = 0.0
        self._stt = 0.0
        self._stx = 0.0

    def add(self, t: float, x: float) -> None:
        """Take one more point in."""
        if self.points == 0:
            self._t0, self._x0 = t, x
        self.points += 1
        dt = t - self._t0 - self._mean_t
        dx = x - self._x0 - self._mean_x
        self._mean_t += dt / self.points
        self._mean_x += dx / self.points
        rest = t - self._t0 - self._mean_t
        self._stt += dt * rest
        self._stx += dx * rest

    def extend(self, points: Iterable[tuple[float, float]]) -> None:
        """Take many points in."""
        for t, x in points:
            self.add(t, x)

    @property
    def slope(self) -> float | None:
        """The slope, or None while all points share one time."""
        return self._stx / self._stt if self._stt > 0.0 else None

    @property
    def intercept(self) -> float | None:
        """The value at t = 0, or None where there is no slope."""
        slope = self.slope
        if slope is None:
            return None
        return self._x0 + self._mean_x - slope * (self._t0 + self._mean_t)


def amount_density(pressure_pa: float, compressibility: float, gas_k: float) -> float:
    """Amount of gas in a cubic metre, p/(Z·R·T), mol/m³.

    Source: real-gas law; 40 CFR 1065.644 uses its slope times the volume as the leak rate.

    >>> round(amount_density(101325.0, 1.0, 273.15), 4)
    44.615
    """
    return pressure_pa / (compressibility * R_GAS * gas_k)


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What the hold sees after a block: estimate, disturbances, and a decision if one fell."""

    block: Block
    estimate: Estimate | None
    disturbances: tuple[Disturbance, ...]
    decision: Outcome | None
    point: CurvePoint


class Segment:
    """Judges what comes after one start: a mark, or the end of a disturbance.

    ``before`` is the segment that a disturbance has ended, where there is one.

    Add ordered items; before each, close the blocks that end before it with ``close_until``.
    """

    def __init__(
        self, recipe: Recipe, fluids: Fluids, role: str, start_ns: int, *, before: Segment | None
    ) -> None:
        self.recipe = recipe
        self._most_pa = recipe.max_gauge_pa
        self.start_ns = start_ns
        self.role = role
        self.scale: Scale | None = None
        self.estimate: Estimate | None = None
        self.own: Estimate | None = None
        self.rise: RiseLook | None = None
        self._gross: GrossLeak | None = None
        self._gross_scale: Scale | None = None
        self._bounded: Outcome | None = None
        self._agreed = 0
        self.settled_at_s: float | None = None
        self._amounts = LinearFit()
        self._fluids = fluids
        self._origin_s = SKIP_S if recipe.is_vacuum else FLOOR_S
        self._observed = Observed(self._origin_s)
        self._saturated_run = self._over_run = 0
        self._held: list[Block] = []
        self._engine: DecayEngine | VacuumEngine | None = None
        self.watch: DecayWatch | VacuumWatch | None = None
        self.watched_from_s = self.start_s
        if not recipe.is_vacuum:
            # The decay's watches know by themselves what a restart means to them.
            self.watch = decay_watch(recipe, role) if before is None else before.watch
            self.watched_from_s = self.start_s if before is None else before.watched_from_s
        self.builder: BlockBuilder = BlockBuilder(
            recipe,
            role,
            start_ns,
            before=None if before is None else before.builder,
            distrusted=self._distrusted,
        )
        self._rise: RiseWatch | None = None

    @property
    def start_s(self) -> float:
        """Start of the segment, seconds of the hold's clock."""
        return self.start_ns / 1e9

    @property
    def raw_change_pa(self) -> float | None:
        """Measured change of absolute pressure since the engine's start, Pa."""
        if self.rise is not None and math.isfinite(self.rise.rise_pa):
            return self.rise.rise_pa  # counted from isolation, as its criterion is
        return self._observed.change_pa

    @property
    def ready_estimate(self) -> Estimate | None:
        """The newest estimate, where it may decide."""
        return self.estimate if self.estimate is not None and self.estimate.ready else None

    @property
    def leak(self) -> Leak:
        """The leak: the engine's where it is ready, else that of the plain regression."""
        scale = self.scale
        if scale is None:
            return unknown_leak(self.recipe)
        estimate = self.ready_estimate
        if estimate is not None:
            return scale.leak(estimate)
        slope = self._amounts.slope
        if slope is None:
            return scale.plain_leak(None)
        # The regression is of mol/m³ over time; a gas under pressure loses, a vacuum gains.
        sign = 1.0 if self.recipe.is_vacuum else -1.0
        amount = sign * slope * self.recipe.volume_m3
        return scale.plain_leak(amount / scale.mol_per_pa)

    @property
    def own_slope(self) -> tuple[float, float, float] | None:
        """Slope and bounds of this hold alone, without earlier holds of the same system, Pa/s."""
        own = self.own
        return (own.slope, own.low, own.high) if own is not None and own.ready else None

    @property
    def criterion_g_per_year(self) -> float | None:
        """The criterion in g a year; None while it is not known."""
        return self.scale.limit_grams if self.scale is not None else None

    @property
    def settled_s(self) -> float | None:
        """When the gas had settled, seconds of the hold's clock; None while it has not."""
        return None if self.settled_at_s is None else self.start_s + self.settled_at_s

    @property
    def earliest_end_s(self) -> float | None:
        """When a tight unit could pass, seconds of the hold's clock; None without a forecast.

        That is when the smallest visible leak will have fallen to the criterion.
        """
        if self.estimate is None or self.scale is None:
            return None
        needed_s = self.estimate.time_to_see_s(self.scale.limit_slope)
        return self.start_s + needed_s if math.isfinite(needed_s) else None

    def smallest_visible(self, outcome: Outcome | None = None) -> float | None:
        """Return the smallest leak that could have been seen by now, g a year.

        Args:
            outcome: That of the verdict, once there is one.
        """
        estimate = self.ready_estimate
        if estimate is None or self.scale is None:
            return None
        visible = estimate.smallest_visible
        if outcome is Outcome.PASS:
            # What has been ruled out has been seen, whatever the forecast for the noise says.
            visible = min(visible, max(estimate.high, 0.0))
        return self.scale.grams(visible) if math.isfinite(visible) else None

    @property
    def entry_remark(self) -> Say | None:
        """What there is to say of the pressure at which a vacuum was isolated."""
        start_pa = self._observed.first_pa
        return remark(self.recipe, start_pa) if self.recipe.is_vacuum and start_pa else None

    @property
    def lost(self) -> Cause | None:
        """What has been silent for the last minutes: the thermometer, the gauge, or nothing."""
        return self._observed.lost

    @property
    def pressure_pa(self) -> float | None:
        """Absolute pressure of the newest block, Pa."""
        return self._observed.last_pa

    @property
    def temperature_k(self) -> float | None:
        """Pipe temperature of the newest block, K."""
        return self._observed.temperature_k

    @property
    def thermometer_seen(self) -> bool:
        """Whether a pipe thermometer has given a usable reading, even if none is believed now."""
        return self._observed.thermometer or bool(self._distrusted)

    @property
    def _distrusted(self) -> frozenset[str]:
        """Thermometers that the watch has found off their pipe or stuck."""
        watch = self.watch
        return frozenset(watch.distrusted) if isinstance(watch, DecayWatch) else frozenset()

    @property
    def barometer_measured(self) -> bool:
        """Whether a barometer channel has been read."""
        return self.builder.barometer_measured

    @property
    def needs_barometer(self) -> bool:
        """Whether the gauge reads against the room and the room was not measured."""
        return self.builder.vented_gauge and not self.barometer_measured

    def add(self, item: Item) -> None:
        """Take an item at or after the start."""
        self.builder.add(item)

    @property
    def end_ns(self) -> int:
        """Time of the hold's clock at which the block now open ends, ns."""
        return self.builder.end_ns

    def add_many(self, readings: Columns) -> None:
        """Take readings that all belong to the block now open, in order."""
        self.builder.add_many(readings)

    def close_until(self, t_ns: int) -> Iterator[Evaluation]:
        """Close and judge every block that ends at or before ``t_ns`` of the hold's clock."""
        for closed in self.builder.close_until(t_ns):
            yield self._judge(closed)

    def finish(self) -> None:
        """Take the last, unfinished block into the plain estimate; it decides nothing."""
        self._remember(self.builder.close())
        if self.scale is None:
            self._set_scale()

    def _judge(self, closed: ClosedBlock) -> Evaluation:
        self._remember(closed)
        estimate = self._push(closed.block)
        disturbances = (*self._block_limits(closed), *self._watched(closed.block))
        if estimate is not None:
            self.own = estimate
            estimate = self.estimate = self._together(estimate)
        gross: Estimate | None = None
        if estimate is None or not estimate.ready:
            gross = self._gross_leak(closed.block)
        decision: Outcome | None = None
        disturbed = any(found.action is not Action.NOTE for found in disturbances)
        if not disturbed and (gross is not None or self._may_decide(closed.block)):
            decision = self._decide(closed.block, gross or estimate)
        estimate = gross or estimate
        return Evaluation(closed.block, estimate, disturbances, decision, self._point(closed.block))

    def _remember(self, closed: ClosedBlock) -> None:
        self._observed.remember(closed.block)
        if closed.block.pressure_pa is not None and self.estimate is None:
            self._take_amounts(closed)

    def _take_amounts(self, closed: ClosedBlock) -> None:
        """Amounts of gas, as pressures at the segment's first temperature, into the regression."""
        gas = "air" if self.recipe.is_vacuum else self.recipe.gas
        gas_k = self._observed.temperature_k or self.recipe.reference_k
        pressure = max(closed.block.pressure_pa or 0.0, 1.0)
        z = self._fluids.compressibility(gas, pressure, gas_k)
        per_pa = amount_density(1.0, z, gas_k)
        self._amounts.extend(zip(closed.times, [p * per_pa for p in closed.values], strict=True))

    def _block_limits(self, closed: ClosedBlock) -> Iterator[Disturbance]:
        """What the block by itself shows: the end of the range, too much pressure."""
        block = closed.block
        self._saturated_run = self._saturated_run + 1 if 2 * closed.saturated > closed.total else 0
        if self._saturated_run == SATURATED_BLOCKS:
            yield Disturbance(Cause.SATURATED, block.t_s, Say("hold.saturated"), Action.VOID)
        most = self._most_pa
        over = block.pressure_pa is not None and is_over_pressure(
            block.pressure_pa - block.barometer_pa, most
        )
        self._over_run = self._over_run + 1 if over else 0
        if self._over_run == OVERPRESSURE_BLOCKS and most is not None:
            text = Say("hold.over_pressure", most_pa=most)
            yield Disturbance(Cause.OVERPRESSURE, block.t_s, text, Action.VOID)

    def _push(self, block: Block) -> Estimate | None:
        if self._engine is not None:
            return self._engine_push(block)
        self._held.append(block)
        needed = 1 if self.recipe.is_vacuum else FIRST_BLOCKS
        if len(self._observed.early_pa) < needed:
            return None
        self._set_scale()
        self._engine = self._build_engine()
        held, self._held = self._held, []
        estimate: Estimate | None = None
        for earlier in held:
            estimate = self._engine_push(earlier)
        return estimate

    def _engine_push(self, block: Block) -> Estimate | None:
        engine = self._engine
        if engine is None:
            return None
        estimate = engine.push(block)
        if isinstance(engine, DecayEngine):
            self.settled_at_s = engine.settled_at_s
        elif estimate is not None and estimate.ready and self.settled_at_s is None:
            self.settled_at_s = estimate.t_s
        return estimate

    def _gross_leak(self, block: Block) -> Estimate | None:
        """What a unit that empties before its gas has settled shows."""
        if self.recipe.is_vacuum or block.pressure_pa is None:
            return None
        if self._gross is None:
            room, gas_k = block.barometer_pa, self._gas_k()
            if block.pressure_pa <= room:
                return None
            scale = scale_for(self.recipe, self._fluids, block.pressure_pa, room, gas_k)
            self._gross = gross_leak(self.recipe, self._fluids, scale, block.pressure_pa)
            self._gross_scale = scale
        estimate = self._gross.push(block)
        if estimate is not None:
            self.estimate = self.own = estimate
            self.scale = self._gross_scale
        return estimate

    def _together(self, estimate: Estimate) -> Estimate:
        """The estimate with what earlier holds of the same closed system have shown."""
        if not estimate.ready or not self.recipe.earlier_holds:
            return estimate
        earlier = [
            replace(
                estimate,
                slope=hold.slope_pa_per_s,
                low=hold.low_pa_per_s,
                high=hold.high_pa_per_s,
            )
            for hold in self.recipe.earlier_holds
        ]
        joint = combine_holds([*earlier, estimate])
        return replace(
            estimate,
            slope=joint.slope,
            low=joint.low,
            high=joint.high,
            notes=estimate.notes + joint.notes,
        )

    def _set_scale(self) -> None:
        observed = self._observed
        if not observed.early_pa:
            return
        pressure = observed.early_pa[0] if self.recipe.is_vacuum else median(observed.early_pa)
        self.scale = scale_for(
            self.recipe,
            self._fluids,
            pressure,
            median(observed.early_room_pa),
            self._gas_k(),
        )

    def _gas_k(self) -> float:
        early = self._observed.early_k
        if early:
            return early[0] if self.recipe.is_vacuum else median(early)
        return self.recipe.coldest_wall_k or self.recipe.reference_k

    def _build_engine(self) -> DecayEngine | VacuumEngine:
        scale = self.scale
        if scale is None:
            raise RuntimeError("an engine needs a scale first")
        if self.recipe.is_vacuum:
            setup = vacuum_setup(self.recipe, scale, role=self.role)
            self.watch = vacuum_watch(self.recipe, setup)
            self._rise = rise_watch(self.recipe, setup)
            return VacuumEngine(setup)
        return DecayEngine(
            decay_setup(
                self.recipe,
                self._fluids,
                scale,
                role=self.role,
                start_pa=median(self._observed.early_pa),
                thermometer=any(block.pipe_k is not None for block in self._held),
                barometer_measured=self.builder.barometer_measured,
            )
        )

    def _watched(self, block: Block) -> Iterator[Disturbance]:
        """What the watch finds, its times turned from the watch's start to this segment's."""
        if self.watch is None:
            return
        earlier_s = self.start_s - self.watched_from_s
        seen = replace(block, t_s=block.t_s + earlier_s) if earlier_s else block
        for disturbance in self.watch.push(seen):
            yield self._as_criterion_takes_it(replace(disturbance, t_s=disturbance.t_s - earlier_s))

    def _as_criterion_takes_it(self, disturbance: Disturbance) -> Disturbance:
        """What a watch found, as this criterion takes it.

        Where any rise counts, a step is part of it: noted as its cause, no new start.
        """
        if self._rise is not None and disturbance.action is Action.RESTART:
            if disturbance.cause is Cause.STEP:
                return replace(disturbance, action=Action.NOTE)
            return replace(disturbance, action=Action.VOID)
        return disturbance

    def _may_decide(self, block: Block) -> bool:
        """Whether the block counts as an evaluation: it is news, from a gauge that is alive."""
        if not isinstance(self.watch, DecayWatch):
            return True
        if self.watch.is_gauge_still:
            self._agreed = 0
            return False
        return block.pressure_pa is not None

    def _decide(self, block: Block, estimate: Estimate | None) -> Outcome | None:
        """Pass below the criterion, fail above it, None while neither bound is clear."""
        if self._rise is not None:
            self.rise = self._rise.push(block)
            return self._allowed(self.rise.outcome) if self.rise is not None else None
        if estimate is None or not estimate.ready or self.scale is None:
            return None
        limit = self.scale.limit_slope
        bounded: Outcome | None = None
        if estimate.high < limit:
            bounded = Outcome.PASS
        elif estimate.low > limit:
            bounded = Outcome.FAIL
        same = bounded is self._bounded
        self._bounded = bounded
        self._agreed = self._agreed + 1 if same else 1
        if self._agreed < AGREEING_EVALUATIONS:
            return None
        return self._allowed(bounded) if self.recipe.is_vacuum else bounded

    def _allowed(self, outcome: Outcome | None) -> Outcome | None:
        """What a vacuum may decide: nothing without one, no pass from far above its target."""
        observed = self._observed
        start_pa, last_pa = observed.first_pa, observed.last_pa
        if start_pa is None or last_pa is None or is_no_vacuum(start_pa):
            return None
        if outcome is Outcome.PASS and bars_pass(self.recipe, start_pa):
            return Outcome.INCONCLUSIVE
        if outcome is Outcome.FAIL and last_pa <= start_pa:
            return None  # a pressure that has fallen cannot prove an inflow
        return outcome

    def _point(self, block: Block) -> CurvePoint:
        estimate, scale = self.estimate, self.scale
        ready = estimate is not None and scale is not None

        def grams(slope: float) -> float | None:
            if scale is None or not math.isfinite(slope):
                return None
            return scale.grams(slope)

        since = block.t_s + BLOCK_S / 2
        criterion = None
        if scale is not None:
            sign = 1.0 if self.recipe.is_vacuum else -1.0
            criterion = sign * scale.limit_slope * max(since - self._origin_s, 0.0)
        return CurvePoint(
            t_s=self.start_s + since,
            pressure_pa=block.pressure_pa,
            temperature_k=block.pipe_k,
            compensated_pa=estimate.compensated_pa if estimate is not None else None,
            criterion_pa=criterion,
            leak_g_per_year=grams(estimate.slope) if ready and estimate else None,
            low_g_per_year=grams(estimate.low) if ready and estimate else None,
            high_g_per_year=grams(estimate.high) if ready and estimate else None,
            smallest_visible_g_per_year=(
                grams(estimate.smallest_visible) if ready and estimate else None
            ),
        )
