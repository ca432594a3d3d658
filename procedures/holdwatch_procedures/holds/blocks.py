"""Ten-second blocks: many readings of several channels reduced to one value a quantity."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures.holds.estimates import BLOCK_S, Block, Clamp
from holdwatch_procedures.holds.order import Columns
from holdwatch_procedures.holds.resolution import ResolutionWatch

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from collections.abc import Set as AbstractSet

    from holdwatch_procedures.holds.order import Entry
    from holdwatch_procedures.holds.recipe import ChannelSpec, Recipe

BLOCK_NS = round(BLOCK_S * 1e9)
MAD_TO_SD = 1.4826
"""Standard deviation of a Gaussian over its median absolute deviation."""
BAROMETER_KEEPS_S = 600.0
"""How long the last barometer reading stands for the room, s."""
PIPE_KEEPS_INTERVALS = 3.0
PIPE_KEEPS_S = 120.0
"""How long the last pipe temperature stands for the pipe: three of its own intervals, up to this.
A clamp that speaks every second is missed in the block in which it falls silent."""
OUTLIER_SIGMAS = 4.0
DECAY_OUTLIER_FLOOR_PA = 3e3
VACUUM_OUTLIER_FLOOR_PA = 10.0
VACUUM_OUTLIER_SHARE = 0.10


@dataclass(slots=True)
class ClosedBlock:
    """A finished block with what the hold itself needs beside it.

    Attributes:
        block: What the engine sees.
        times: When the usable pressure readings were taken, outliers left out, s from the mark.
        values: What they read, Pa absolute.
        saturated: How many pressure readings stood at the end of the gauge's range.
        doubtful: How many pressure readings were suspect or stale.
        total: How many pressure readings came in all.
    """

    block: Block
    times: list[float]
    values: list[float]
    saturated: int
    doubtful: int
    total: int


@dataclass(slots=True)
class _Bin:
    """What has come in for one role since the block began; all times are kept of the gauge's."""

    times: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    last_s: float = 0.0


class BlockBuilder:
    """Gathers ordered items from ``start_ns`` on and closes a block every ten seconds.

    Gauge pressure becomes absolute with the barometer channel where there is one, else with the
    recipe's constant; a sealed or absolute gauge never sees the room, so the constant stands.
    Several pipe thermometers are averaged after their first differences have been taken off, so
    that one of them dropping out does not move the mean. One that speaks more seldom than once a
    block stands with its last reading for as long as its own interval allows.

    Args:
        recipe: The channels' figures.
        pressure: Role name of the gauge.
        start_ns: Start of the first block, ns of the hold's clock.
        before: The builder of the segment before, whose knowledge of the instruments goes on.
        distrusted: Role names that are not believed any more.
    """

    def __init__(
        self,
        recipe: Recipe,
        pressure: str,
        start_ns: int,
        *,
        before: BlockBuilder | None = None,
        distrusted: AbstractSet[str] = frozenset(),
    ) -> None:
        self._room_constant_pa = recipe.barometer_pa
        self._is_vacuum = recipe.is_vacuum
        self._pressure = pressure
        self._start_ns = start_ns
        self._end_ns = start_ns + BLOCK_NS
        self._index = 0
        self._bins: dict[str, _Bin] = {}
        self._saturated = 0
        self._doubtful = 0
        self._total = 0
        self._gauge = False
        self._barometer_pa: float | None = None
        self._barometer_s = 0.0
        self._pipe_offset_k: dict[str, float] = {}
        self._pipe_last: dict[str, tuple[float, float]] = {}
        self._distrusted = distrusted
        self._resolutions: dict[str, ResolutionWatch] = {}
        if before is not None:
            self._resolutions = before._resolutions  # noqa: SLF001 (its own kind)
        self._specs = specs = specs_by_role(recipe)
        self._limits = {name: range_for(spec) for name, spec in specs.items()}
        spec = specs.get(pressure)
        self._vented = spec is None or spec.reference == "vented"

    @property
    def end_ns(self) -> int:
        """Hold time at which the block now open ends, ns."""
        return self._end_ns

    @property
    def barometer_measured(self) -> bool:
        """Whether a barometer channel has been seen."""
        return self._barometer_pa is not None

    @property
    def vented_gauge(self) -> bool:
        """Whether the pressure comes from a gauge that reads against the room."""
        return self._gauge and self._vented

    def add(self, item: Entry) -> None:
        """Take an item of the block now open; the caller closes blocks first."""
        t_ns, _rank, role, quantity, value, quality = item
        if role in self._distrusted:
            return
        is_pressure = role == self._pressure
        self._total += is_pressure
        if quality is not Quality.GOOD:
            if is_pressure:
                self._count_doubt(quality)
            return
        limits = self._limits.get(role)
        if limits is not None and limits[2] is quantity and not limits[0] <= value < limits[1]:
            if is_pressure:
                self._saturated += 1
            return
        self._gather(role, quantity, (t_ns,), (value,))

    def add_many(self, readings: Columns) -> None:
        """Take readings of the block now open: the same as `add` for one after another."""
        for role, own in _by_role(readings):
            if not self._is_plain(role, own):
                for entry in zip(*own, strict=True):
                    self.add(entry)
            elif role not in self._distrusted:
                if role == self._pressure:
                    self._total += len(own.values)
                self._gather(role, own.quantities[0], own.times_ns, own.values)

    def _is_plain(self, role: str, own: Columns) -> bool:
        """Whether all readings of a role are good, of one quantity and within their range."""
        quantity, count = own.quantities[0], len(own.values)
        if own.qualities.count(Quality.GOOD) != count or own.quantities.count(quantity) != count:
            return False
        limits = self._limits.get(role)
        if limits is None or limits[2] is not quantity:
            return True
        return limits[0] <= min(own.values) and max(own.values) < limits[1]

    def _gather(
        self,
        role: str,
        quantity: Quantity | None,
        times_ns: tuple[int, ...],
        values: tuple[float, ...],
    ) -> None:
        """Take usable readings of one role."""
        start_ns = self._start_ns
        gathered = self._bins.get(role)
        if gathered is None:
            gathered = self._bins[role] = _Bin()
        gathered.values.extend(values)
        gathered.last_s = (times_ns[-1] - start_ns) / 1e9
        if role == Role.BAROMETER:
            self._barometer_pa, self._barometer_s = values[-1], gathered.last_s
        is_pressure = role == self._pressure
        if is_pressure:
            self._gauge = quantity is Quantity.PRESSURE_GAUGE
            gathered.times.extend([(t_ns - start_ns) / 1e9 for t_ns in times_ns])
        if is_pressure or role_of(role) is Role.PIPE_TEMPERATURE:
            self._resolution(role).add_many([t_ns / 1e9 for t_ns in times_ns], values)

    def _resolution(self, role: str) -> ResolutionWatch:
        watch = self._resolutions.get(role)
        if watch is None:
            spec = self._specs.get(role)
            declared = None if spec is None else spec.delta_si("resolution")
            watch = self._resolutions[role] = ResolutionWatch(declared)
        return watch

    def _count_doubt(self, quality: Quality | None) -> None:
        if quality is Quality.SATURATED:
            self._saturated += 1
        else:
            self._doubtful += 1

    def close_until(self, t_ns: int) -> Iterator[ClosedBlock]:
        """Close and give out every block that ends at or before ``t_ns``."""
        while self._end_ns <= t_ns:
            yield self.close()

    def close(self) -> ClosedBlock:
        """Close the block now open, whole or cut short, and begin the next."""
        means = self._means()
        room_pa = self._room_pa(means.get(Role.BAROMETER))
        times, values, middle, deviation = self._pressures(room_pa)
        start_s = self._index * BLOCK_S
        clamps = self._clamps(start_s, means)
        block = Block(
            index=self._index,
            t_s=start_s + BLOCK_S / 2,
            pressure_pa=sum(values) / len(values) if values else None,
            pressure_sd_pa=MAD_TO_SD * deviation if middle is not None else 0.0,
            pressure_n=len(values),
            pipe_k=self._pipe_mean_k(clamps),
            coldest_k=_coldest_k(means),
            ambient_k=means.get(Role.AMBIENT_TEMPERATURE),
            barometer_pa=room_pa if room_pa is not None else self._room_constant_pa,
            pressure_resolution=self._resolution(self._pressure).close(),
            clamps=clamps,
        )
        closed = ClosedBlock(block, times, values, self._saturated, self._doubtful, self._total)
        self._bins = {}
        self._saturated = self._doubtful = self._total = 0
        self._index += 1
        self._end_ns += BLOCK_NS
        return closed

    def _means(self) -> dict[str, float]:
        """Mean of every role of this block but the gauge's."""
        return {
            role: sum(gathered.values) / len(gathered.values)
            for role, gathered in self._bins.items()
            if role != self._pressure
        }

    def _room_pa(self, mean: float | None) -> float | None:
        """The room's pressure for this block; None where a barometer has fallen silent."""
        if mean is not None:
            return mean
        if self._barometer_pa is None:
            return self._room_constant_pa
        silent_s = self._index * BLOCK_S - self._barometer_s
        return self._barometer_pa if silent_s <= BAROMETER_KEEPS_S else None

    def _pressures(
        self, room_pa: float | None
    ) -> tuple[list[float], list[float], float | None, float]:
        """Times and absolute pressures without outliers, their median and its deviation."""
        gathered = self._bins.get(self._pressure)
        if gathered is None:
            return [], [], None, 0.0
        values = gathered.values
        if self._gauge:
            offset = room_pa if self._vented else self._room_constant_pa
            if offset is None:
                return [], [], None, 0.0
            values = [value + offset for value in values]
        ordered = sorted(values)
        middle, deviation = _median_and_mad(ordered)
        if middle is None:
            return [], [], None, 0.0
        floor = DECAY_OUTLIER_FLOOR_PA
        if self._is_vacuum:
            floor = max(VACUUM_OUTLIER_FLOOR_PA, VACUUM_OUTLIER_SHARE * middle)
        reach = max(OUTLIER_SIGMAS * MAD_TO_SD * deviation, floor)
        if abs(ordered[0] - middle) <= reach and abs(ordered[-1] - middle) <= reach:
            return gathered.times, values, middle, deviation
        near = [place for place, value in enumerate(values) if abs(value - middle) <= reach]
        values = [values[place] for place in near]
        return [gathered.times[place] for place in near], values, *_median_and_mad(sorted(values))

    def _clamps(self, start_s: float, means: Mapping[str, float]) -> tuple[Clamp, ...]:
        """The pipe thermometers of this block, fresh or carried on, in the order of their roles."""
        found: list[Clamp] = []
        for role, mean in means.items():
            if role_of(role) is Role.PIPE_TEMPERATURE:
                found.append(Clamp(role, mean, self._resolution(role).close()))
                gathered = self._bins[role]
                self._pipe_last[role] = (gathered.last_s, gathered.values[-1])
        for role, (last_s, kelvin) in self._pipe_last.items():
            if role in self._bins:
                continue
            keeps_s = min(PIPE_KEEPS_INTERVALS * self._resolution(role).interval_s, PIPE_KEEPS_S)
            if start_s + BLOCK_S / 2 - last_s <= keeps_s:
                found.append(Clamp(role, kelvin, None))
        return tuple(sorted(found, key=lambda clamp: clamp.role))

    def _pipe_mean_k(self, clamps: tuple[Clamp, ...]) -> float | None:
        if not clamps:
            return None
        means = {clamp.role: clamp.kelvin for clamp in clamps}
        offsets = self._pipe_offset_k
        known = [means[role] - offsets[role] for role in means if role in offsets]
        base = sum(known) / len(known) if known else sum(means.values()) / len(means)
        for role, mean in means.items():
            offsets.setdefault(role, mean - base)
        return sum(mean - offsets[role] for role, mean in means.items()) / len(means)


def _by_role(readings: Columns) -> Iterator[tuple[str, Columns]]:
    """Give out the readings of each role, in the order in which the roles first appear."""
    roles = readings.roles
    names = tuple(dict.fromkeys(roles))
    step = len(names)
    if roles == names * (len(roles) // step):  # in turn, as instruments of one rate speak
        for place, role in enumerate(names):
            yield role, Columns._make([column[place::step] for column in readings])
        return
    rows: defaultdict[str, list[Entry]] = defaultdict(list)
    for row in zip(*readings, strict=True):
        rows[row[2]].append(row)
    for role, own in rows.items():
        yield role, Columns.of(own)


def specs_by_role(recipe: Recipe) -> dict[str, ChannelSpec]:
    """The recipe's channel figures keyed by role name instead of channel name."""
    named = ((recipe.role_name(channel), spec) for channel, spec in recipe.channels.items())
    return {role: spec for role, spec in named if role is not None}


def range_for(spec: ChannelSpec) -> tuple[float, float, Quantity] | None:
    """Lowest good value, lowest saturated value, and the quantity they are given in."""
    ends, unit = spec.range_si(), spec.parsed_unit
    if ends is None or unit is None:
        return None
    return ends[0], ends[1], unit.quantity


def _coldest_k(means: Mapping[str, float]) -> float | None:
    lowest = [
        mean
        for role, mean in means.items()
        if (known := role_of(role)) is not None and not known.is_pressure
    ]
    return min(lowest, default=None)


def _median_and_mad(ordered: list[float]) -> tuple[float | None, float]:
    """Median and median absolute deviation of sorted values; (None, 0) without values."""
    if not ordered:
        return None, 0.0
    middle = _median(ordered)
    return middle, _median(sorted([abs(value - middle) for value in ordered]))


def _median(ordered: list[float]) -> float:
    half, odd = divmod(len(ordered), 2)
    return ordered[half] if odd else (ordered[half - 1] + ordered[half]) / 2
