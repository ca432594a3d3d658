"""Checks a reading once, in one order, and says how far it may be believed.

The chain, for every reading of an enrolled probe:

1. *possible*: a value and times that can be at all (`doubt`, and ``physics.reading.impossible``,
   which the reader of traces asks too);
2. *order*: come twice, or after a later one (`OrderWatch`);
3. *clock*: whether the times of the device agree with this machine's (`ClockWatch`);
4. *calibration*: the device's own error taken off;
5. *range*: at the end of what the device can say (`Figures`);
6. *stuck*: one value repeated although noise should move it (`StuckWatch`);
7. *peers*: out of step with a second gauge on the same line (`PairWatch`).

Lateness is asked of the running hold itself. Pure: time comes in with the readings, nothing here
does I/O. A watch that is not certain says nothing; a hold has watches of its own, finer ones, on
its blocks.
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from dataclasses import dataclass, field
from itertools import combinations, pairwise
from statistics import median
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from holdwatch_daemon.intake.calibration import calibrations_of
from holdwatch_daemon.store.events import Draft
from holdwatch_physics.reading import (
    POSSIBLE,
    Calibration,
    Channel,
    Quality,
    Quantity,
    Role,
    impossible,
    role_of,
)
from holdwatch_physics.units import parse_unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_adapters.settings import ProbeSettings
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_physics.reading import Reading


AHEAD_NS = 2_000_000_000
"""A reading may be stamped this far ahead of the clock, ns; beyond it the stamp is wrong."""
_LATEST_NS = 2**62


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a reading is not judged; ``stored`` says whether it is worth keeping."""

    text: str
    stored: bool


def doubt(reading: Reading, now_mono_ns: int) -> Doubt | None:
    """Return why a reading cannot be believed, or None.

    Args:
        reading: As the adapter gave it.
        now_mono_ns: Monotonic time of the clock that stamps readings, ns.
    """
    why = impossible(reading.quantity, reading.value)
    if why:
        return Doubt(f"{reading.channel}: {why}; check the probe", stored=False)
    if not (0 < reading.utc_ns < _LATEST_NS and -_LATEST_NS < reading.mono_ns < _LATEST_NS):
        return Doubt(f"{reading.channel}: its time cannot be; check the clocks", stored=False)
    ahead_ns = reading.mono_ns - now_mono_ns
    if ahead_ns > AHEAD_NS:
        return Doubt(
            f"{reading.channel}: stamped {ahead_ns / 1e9:.1f} s ahead of the clock; "
            "it is stored but not judged",
            stored=True,
        )
    return None


STUCK_S: Final = 300.0
"""An instrument whose noise moves it must have repeated one value for at least this long, s."""
_CHANCE: Final = 1e-9
"""How unlikely such a run must be for an instrument of its noise."""
_LIVELY_TURNS: Final = 10
_LIVELY_JUMPS: Final = 5
_LEVEL_SHARE: Final = 0.2
_MEMORY: Final = 60
_UNKNOWN_RUN: Final = 100


@dataclass(frozen=True, slots=True)
class Figures:
    """What is known of a channel, in Pa or K as the device says it, before any calibration.

    Attributes:
        low: Lowest value of its range; None where unknown.
        high: End of its range, itself not a measurement; None where unknown.
        resolution: Step of its readings; None where unknown.
        noise: Scatter of single readings; None where unknown.
    """

    low: float | None = None
    high: float | None = None
    resolution: float | None = None
    noise: float | None = None

    @property
    def span(self) -> float | None:
        """The width of its range, or None."""
        return None if self.low is None or self.high is None else self.high - self.low

    def end(self, said: float) -> Literal["low", "high"] | None:
        """Return the end of the range at which a value stands; the lowest value is still good.

        The same rule as a hold's own: a gauge at its zero says its lowest value. What is sent is
        rounded, so that a value within half a step of the upper end stands there.
        """
        low, top = self.inside
        if said < low:
            return "low"
        return "high" if said >= top else None

    @property
    def inside(self) -> tuple[float, float]:
        """The lowest value that is within the range, and the lowest that is above it."""
        low = -math.inf if self.low is None else self.low
        top = math.inf if self.high is None else self.high - 0.5 * (self.resolution or 0.0)
        return low, top


class StuckWatch:
    """Finds an instrument that repeats one value although its noise should move it.

    Only an instrument that was seen to be lively at this level can be convicted: among its last
    sixty moves ten turned back, and five were of two steps of its resolution or more. One on a
    coarse step that only flips between two neighbours may well stand still when its value drifts
    to the middle of a step, and a vacuum gauge's noise falls with the pressure: hence both
    conditions, whatever noise its owner stated. A run of equal readings then convicts once it
    has lasted five minutes and a hundred readings; where resolution and noise are stated also
    not before it is less likely than one in 10⁹ (the largest share of readings within one step,
    to the power of the run). Values at the end of the range are another matter
    (``Figures.end``), and so is an exact zero: many devices say 0 for all that is below it.

    Args:
        figures: What is known of the channel.
    """

    def __init__(self, figures: Figures) -> None:
        self._figures = figures
        self._least_move = 1e-3 * (figures.resolution or 0.0)
        self._value: float | None = None
        self._since_ns = 0
        self._run = 0
        self._moves: deque[tuple[float, float]] = deque(maxlen=_MEMORY)  # from, by how much
        self._least_run = _least_run(figures)

    def push(self, mono_ns: int, said: float) -> float | None:
        """Take a reading; return for how long the instrument has been stuck, s, or None."""
        before = self._value
        if before is None:
            self._value, self._since_ns, self._run = said, mono_ns, 1
            return None
        moved = said - before
        if abs(moved) > self._least_move and abs(moved) > 1e-9 * abs(said):
            self._moves.append((before, moved))
            self._value, self._since_ns, self._run = said, mono_ns, 1
            return None
        self._run += 1
        lasted_s = (mono_ns - self._since_ns) / 1e9
        if lasted_s < STUCK_S or self._run < self._least_run or self._is_at_an_end(said):
            return None
        return lasted_s if self._was_lively(said) else None

    def _is_at_an_end(self, said: float) -> bool:
        low = self._figures.low
        return said == 0.0 or self._figures.end(said) is not None or said == low

    def _was_lively(self, level: float) -> bool:
        near = _LEVEL_SHARE * abs(level)
        moves = [by for start, by in self._moves if abs(start - level) <= near]
        if not moves:
            return False
        step = self._figures.resolution or min(abs(by) for by in moves)
        jumps = sum(abs(by) > 1.5 * step for by in moves)
        turns = sum(a * b < 0.0 for a, b in pairwise(moves))
        return jumps >= _LIVELY_JUMPS and turns >= _LIVELY_TURNS


def _least_run(figures: Figures) -> int:
    """How many equal readings convict at the least."""
    if not figures.noise or not figures.resolution:
        return _UNKNOWN_RUN
    # Gaussian noise about the middle of a step: the share of it within that step.
    same = math.erf(0.5 * figures.resolution / figures.noise / math.sqrt(2.0))
    if same >= 1.0:
        return _UNKNOWN_RUN
    return max(_UNKNOWN_RUN, math.ceil(math.log(_CHANCE) / math.log(same)))


class OrderWatch:
    """Tells a reading that came twice, or after a later one, by its channel's times."""

    _KEPT = 64

    def __init__(self) -> None:
        self._recent: deque[int] = deque(maxlen=self._KEPT)
        self._newest_ns: int | None = None

    def push(self, mono_ns: int) -> Literal["new", "out_of_order", "duplicate"]:
        """Take a reading's time."""
        newest = self._newest_ns
        if newest is None or mono_ns > newest:
            self._newest_ns = mono_ns
            self._recent.append(mono_ns)
            return "new"
        if mono_ns in self._recent:
            return "duplicate"
        self._recent.append(mono_ns)
        return "out_of_order"


_FAR_NS: Final = 5_000_000_000


class ClockWatch:
    """Compares the two times of readings with the service's own two clocks.

    Durations rest on the monotonic time alone; a wall-clock time that does not fit it was
    written by another clock, the device's or its gateway's.
    """

    FAR_S: Final = _FAR_NS / 1e9
    NEAR_S: Final = 1.0

    def __init__(self) -> None:
        self.is_off = False

    def has_news(self, ahead_ns: int) -> bool:
        """Return whether ``push`` may have something to say of a clock so far ahead, ns."""
        return self.is_off or not -_FAR_NS <= ahead_ns <= _FAR_NS

    def push(
        self, utc_ns: int, mono_ns: int, now_utc_ns: int, now_mono_ns: int
    ) -> tuple[bool, float] | None:
        """Take a reading's times; return whether its clock is off and by how much, on a change.

        Returns:
            ``(True, seconds)`` once the clock runs ahead (above 0) or behind by more than 5 s,
            ``(False, seconds)`` once it is back within 1 s, else None.
        """
        ahead_s = ((utc_ns - mono_ns) - (now_utc_ns - now_mono_ns)) / 1e9
        if abs(ahead_s) > (self.NEAR_S if self.is_off else self.FAR_S):
            was_well, self.is_off = not self.is_off, True
            return (True, ahead_s) if was_well else None
        was_well, self.is_off = self.is_off, False
        return (False, ahead_s) if was_well else None


@dataclass(frozen=True, slots=True)
class Parting:
    """Two gauges on one line that no longer agree, or agree again.

    Attributes:
        apart: Whether they are out of step from now on.
        difference: First less second, Pa.
        drift: How far that has moved since it was first seen steady, Pa; None where the
            difference alone was too large from the start.
        over_s: Since when, s; None as above.
        allowed: The figure that was passed, Pa.
    """

    apart: bool
    difference: float
    drift: float | None
    over_s: float | None
    allowed: float


@dataclass(slots=True)
class _Half:
    """One gauge's readings of a window."""

    times: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def mean(self) -> float:
        return sum(self.values) / len(self.values)

    def moved(self) -> float:
        """Mean of the second half less that of the first."""
        half = len(self.values) // 2
        first, second = self.values[:half], self.values[-half:]
        return sum(second) / half - sum(first) / half


class PairWatch:
    """Compares two gauges on one line, minute by minute, while the pressure is steady.

    Their difference is taken as theirs by nature once three steady minutes have shown it; a
    difference that then moves by more than ``drift_allowed`` in three minutes on end is drift.
    A difference above ``apart_allowed`` is told without any such history. A gauge's error grows
    with pressure, so the history is forgotten when the pressure moves by a twentieth of the
    span.

    ``drift_allowed``: a five-hundredth of the wider span (what the temperature coefficients of
    two field gauges make of a night's ten kelvin: common practice, no source), or three of the
    coarser steps, or four standard errors of the minute's difference, whichever is most.
    ``apart_allowed``: a
    hundredth of the wider span (common practice for field gauges, no source). Without a span
    the largest pressure of the minute stands in its place, at least 100 kPa.
    """

    WINDOW_NS: Final = 60 * 10**9
    LEAST: Final = 4
    RUN: Final = 3

    def __init__(self, first: Figures, second: Figures) -> None:
        spans = [one.span for one in (first, second) if one.span is not None]
        self._span = max(spans, default=None)
        self._steps = max(first.resolution or 0.0, second.resolution or 0.0)
        self._noise = (first.noise or 0.0, second.noise or 0.0)
        self._halves = (_Half(), _Half())
        self._window_ns: int | None = None
        self._early: list[float] = []
        self._base: tuple[float, float, int] | None = None  # difference, level, since when
        self._run = 0
        self.apart = False

    def push(self, which: Literal[0, 1], mono_ns: int, value: float) -> Parting | None:
        """Take a calibrated reading of the first (0) or second (1) gauge; return a change."""
        if self._window_ns is None:
            self._window_ns = mono_ns
        found = None
        if mono_ns - self._window_ns >= self.WINDOW_NS:
            found = self._close(mono_ns)
            self._halves = (_Half(), _Half())
            self._window_ns = mono_ns
        self._halves[which].times.append(mono_ns)
        self._halves[which].values.append(value)
        return found

    def _close(self, now_ns: int) -> Parting | None:
        first, second = self._halves
        if min(len(first.values), len(second.values)) < self.LEAST:
            return None
        level = max(abs(first.mean()), abs(second.mean()))
        span = self._span if self._span is not None else max(level, 1e5)
        error = math.hypot(
            self._noise[0] / math.sqrt(len(first.values)),
            self._noise[1] / math.sqrt(len(second.values)),
        )
        allowed = max(2e-3 * span, 3.0 * self._steps, 4.0 * error)
        # A stuck gauge is steady for ever, so one that moves slowly beside it must pass.
        if max(abs(first.moved()), abs(second.moved())) > 2.0 * allowed:
            return None
        difference = first.mean() - second.mean()
        if self._base is not None and abs(level - self._base[1]) > 0.05 * span:
            self._base, self._early, self._run = None, [], 0
        if self._base is None:
            self._learn(difference, level, now_ns)
        return self._decide(difference, now_ns, allowed, 1e-2 * span)

    def _learn(self, difference: float, level: float, now_ns: int) -> None:
        self._early.append(difference)
        if len(self._early) >= self.RUN:
            self._base = (median(self._early), level, now_ns)

    def _decide(self, difference: float, now_ns: int, allowed: float, far: float) -> Parting | None:
        drift = None if self._base is None else difference - self._base[0]
        drifted = drift is not None and abs(drift) > (0.5 * allowed if self.apart else allowed)
        is_far = abs(difference) > (0.5 * far if self.apart else far)
        changes = (drifted or is_far) is not self.apart
        self._run = self._run + 1 if changes else 0
        if self._run < self.RUN:
            return None
        self._run, self.apart = 0, not self.apart
        over_s = None if self._base is None else (now_ns - self._base[2]) / 1e9
        by_drift = drifted or not self.apart
        return Parting(
            self.apart,
            difference,
            drift if by_drift else None,
            over_s if by_drift else None,
            allowed if by_drift else far,
        )


_LINES = frozenset({Role.LOW_SIDE, Role.HIGH_SIDE, Role.VACUUM, Role.BAROMETER})
"""Roles whose second gauge (``low_side.2``) sits on the same line as the first."""
_BACK_NS = 30_000_000_000
"""A gauge counts as off its end once it has read within its range for this long, ns."""

Kind = Literal["stuck", "saturated", "out_of_step", "clock"]


class Checked(NamedTuple):
    """What became of a reading: calibrated and with its quality, or None where it came twice."""

    reading: Reading | None
    drafts: tuple[Draft, ...] = ()
    out_of_order: bool = False


REPEATED: Final = Checked(None)


@dataclass(slots=True)
class ChannelChecks:
    """One channel's watches and what of its doubts has been reported."""

    figures: Figures
    quantity: Quantity | None  # what the figures measure
    calibration: Calibration
    clock: ClockWatch
    pairs: list[_Pair]
    reports_saturation: bool
    order: OrderWatch = field(default_factory=OrderWatch)
    stuck: StuckWatch = field(init=False)
    reported_stuck: bool = False
    reported_saturated: bool = False
    saturated_ns: int = 0
    inside: tuple[float, float] = field(init=False)
    measured: Quantity | None = None  # of the newest reading
    possible: tuple[float, float] = (math.inf, -math.inf)  # what such a reading can be

    def __post_init__(self) -> None:
        self.stuck = StuckWatch(self.figures)
        self.inside = self.figures.inside

    def doubt(self, reading: Reading, now_mono_ns: int) -> Doubt | None:
        """Return why a reading cannot be believed at all, or None: the chain's first step.

        Nearly all can be, which is found out here at little cost; else `doubt` decides.
        """
        if reading.quantity is not self.measured:
            self.measured = reading.quantity
            self.possible = POSSIBLE[reading.quantity]
        low, high = self.possible
        if (
            low <= reading.value <= high
            and 0 < reading.utc_ns < _LATEST_NS
            and -_LATEST_NS < reading.mono_ns <= now_mono_ns + AHEAD_NS
        ):
            return None
        return doubt(reading, now_mono_ns)

    def take(self, reading: Reading, now_utc_ns: int, now_mono_ns: int) -> Checked:
        """Take a reading of the channel as the adapter gave it: the chain from order to peers.

        Args:
            reading: Of an enrolled probe, possible by its value and its times.
            now_utc_ns: The service's wall clock.
            now_mono_ns: Its monotonic clock.
        """
        order = self.order.push(reading.mono_ns)
        if order == "duplicate":
            return REPEATED
        drafts: list[Draft] = []
        utc_ns, mono_ns, said = reading.utc_ns, reading.mono_ns, reading.value
        if self.clock.has_news(utc_ns - mono_ns - now_utc_ns + now_mono_ns):
            drafts += _clock(self.clock, reading, now_utc_ns, now_mono_ns)
        value = self.calibration.apply(said)
        quality = reading.quality
        low, top = self.inside
        if not low <= said < top or self.reported_saturated:
            quality = _within_range(self, reading, drafts)
        if order == "new":
            lasted_s = self.stuck.push(mono_ns, said)
            if lasted_s is not None or self.reported_stuck:
                drafts += _stuck(self, reading, lasted_s)
            if self.pairs and quality is Quality.GOOD:
                drafts += _neighbours_of(self, reading, value)
        if quality is Quality.GOOD and (self.reported_stuck or self.pairs or value < 0.0):
            quality = Quality.SUSPECT if _is_doubtful(self, reading, value) else quality
        # A zero may have lost its sign, which does not compare.
        if value != said or said == 0.0 or quality is not reading.quality:
            reading = reading._replace(value=value, quality=quality)
        return Checked(reading, tuple(drafts), order != "new")


@dataclass(frozen=True, slots=True)
class _Pair:
    first: str
    second: str
    watch: PairWatch


class ShopChecks:
    """The watches of a whole shop.

    Args:
        config: The shop's configuration: figures, calibrations, and which gauges share a line.
    """

    def __init__(self, config: ShopConfig) -> None:
        self._config = config
        self._channels: dict[str, ChannelChecks] = {}
        self._clocks: defaultdict[str, ClockWatch] = defaultdict(ClockWatch)
        self._calibrations: dict[str, Calibration] = {}
        for probe in config.probe:
            self._calibrations |= calibrations_of(probe)
        self._vacuum = {
            channel
            for bay in config.bay
            for role, channel in bay.roles.items()
            if role_of(role) is Role.VACUUM
        }
        self._pairs: dict[str, list[_Pair]] = {}
        for first, second in sorted(set(_neighbours(config))):
            pair = _Pair(first, second, PairWatch(self._figures(first), self._figures(second)))
            self._pairs.setdefault(first, []).append(pair)
            self._pairs.setdefault(second, []).append(pair)

    def of(self, name: str) -> ChannelChecks:
        """Return the watches of an enrolled probe's channel."""
        known = self._channels.get(name)
        if known is None:
            known = self._channels[name] = ChannelChecks(
                self._figures(name),
                _quantity(self._probe(name), name),
                self._calibrations.get(name, Calibration()),
                self._clocks[Channel.parse(name).probe],
                self._pairs.get(name, []),
                reports_saturation=name not in self._vacuum,
            )
        return known

    def _probe(self, channel: str) -> ProbeSettings | None:
        return self._config.probe_of(channel)

    def _figures(self, channel: str) -> Figures:
        probe = self._probe(channel)
        if probe is None or probe.unit is None or _quantity(probe, channel) is None:
            return Figures()
        unit = parse_unit(probe.unit)
        low, high = (None, None) if probe.range is None else map(unit.to_si, probe.range)
        steps = (
            None if figure is None else unit.delta_to_si(figure)
            for figure in (probe.resolution, probe.noise)
        )
        return Figures(low, high, *steps)


def _clock(
    watch: ClockWatch, reading: Reading, now_utc_ns: int, now_mono_ns: int
) -> Iterator[Draft]:
    news = watch.push(reading.utc_ns, reading.mono_ns, now_utc_ns, now_mono_ns)
    if news is None:
        return
    is_off, ahead_s = news
    probe = Channel.parse(reading.channel).probe
    side = "ahead of" if ahead_s > 0.0 else "behind"
    text = (
        f"{probe}: its clock is {abs(ahead_s):.0f} s {side} this machine's; its readings are "
        "judged by when they came. Set the device's clock."
        if is_off
        else f"{probe}: its clock agrees with this machine's again."
    )
    yield _draft("clock", reading, text, is_off, utc_ns=now_utc_ns, ahead_s=round(ahead_s, 1))


def _neighbours_of(channel: ChannelChecks, reading: Reading, value: float) -> Iterator[Draft]:
    for pair in channel.pairs:
        which: Literal[0, 1] = 0 if reading.channel == pair.first else 1
        found = pair.watch.push(which, reading.mono_ns, value)
        if found is not None:
            yield _parting(pair, reading, found)


def _is_doubtful(channel: ChannelChecks, reading: Reading, value: float) -> bool:
    """Whether a good reading is not to be judged: below nothing, stuck, or out of step."""
    if channel.reported_stuck or (value < 0.0 and reading.quantity is Quantity.PRESSURE_ABSOLUTE):
        return True
    return any(pair.watch.apart for pair in channel.pairs)


def _neighbours(config: ShopConfig) -> Iterator[tuple[str, str]]:
    """Channels that sit on one line and count from the same zero."""
    for bay in config.bay:
        lines: defaultdict[Role, list[str]] = defaultdict(list)
        for role, channel in bay.roles.items():
            meant = role_of(role)
            if meant in _LINES:
                lines[meant].append(channel)
        for channels in lines.values():
            for first, second in combinations(sorted(channels), 2):
                references = {
                    None if probe is None else probe.pressure_reference
                    for probe in (
                        config.probe_of(first),
                        config.probe_of(second),
                    )
                }
                if len(references) == 1:
                    yield first, second


def _quantity(probe: ProbeSettings | None, channel: str) -> Quantity | None:
    """What a probe's figures measure, where they are this channel's figures at all."""
    if probe is None or probe.unit is None:
        return None
    quantity = parse_unit(probe.unit).quantity
    name = Channel.parse(channel).kind
    of_temperature = quantity is Quantity.TEMPERATURE
    if name not in {"pressure", "temperature"} or of_temperature != (name == "temperature"):
        return None
    return quantity


def _within_range(channel: ChannelChecks, reading: Reading, drafts: list[Draft]) -> Quality:
    """The quality of a reading by its gauge's range; what there is to tell goes to ``drafts``."""
    quality = reading.quality
    if quality is not Quality.GOOD or channel.quantity not in {None, reading.quantity}:
        return quality
    end = channel.figures.end(reading.value)
    if end is not None or channel.reported_saturated:
        drafts += _saturation(channel, reading, end)
    return quality if end is None else Quality.SATURATED


def _saturation(
    channel: ChannelChecks, reading: Reading, end: Literal["low", "high"] | None
) -> Iterator[Draft]:
    """A gauge at its upper end is told once; below its range an evacuated unit's may well be."""
    if end is not None:
        channel.saturated_ns = reading.mono_ns
    if end == "high" and channel.reports_saturation and not channel.reported_saturated:
        channel.reported_saturated = True
        text = (
            f"{reading.channel} stands at the end of its range; what is beyond it cannot be "
            "read. Use one that reaches further."
        )
        yield _draft("saturated", reading, text, begins=True)
    back = end is None and reading.mono_ns - channel.saturated_ns > _BACK_NS
    if channel.reported_saturated and back:
        channel.reported_saturated = False
        yield _draft("saturated", reading, f"{reading.channel} reads within its range again.")


def _stuck(channel: ChannelChecks, reading: Reading, lasted_s: float | None) -> Iterator[Draft]:
    if lasted_s is not None and not channel.reported_stuck:
        channel.reported_stuck = True
        text = (
            f"{reading.channel} has repeated one value for {lasted_s / 60.0:.0f} min although its "
            "noise should move it: it is stuck, or its device repeats itself. Check it."
        )
        yield _draft("stuck", reading, text, begins=True, lasted_s=round(lasted_s, 1))
    elif lasted_s is None and channel.reported_stuck:
        channel.reported_stuck = False
        yield _draft("stuck", reading, f"{reading.channel} moves again.")


def _parting(pair: _Pair, reading: Reading, found: Parting) -> Draft:
    kpa = found.difference / 1e3
    names = f"{pair.first} and {pair.second}"
    if not found.apart:
        text = f"{names} agree again, within {abs(kpa):.3g} kPa."
    elif found.drift is not None and found.over_s is not None:
        text = (
            f"{names} are on one line and have drifted apart by {abs(found.drift) / 1e3:.3g} kPa "
            f"in {found.over_s / 60.0:.0f} min: one of them drifts, or a valve between them is "
            "closed. Neither is judged until they agree; zero both at open air."
        )
    else:
        text = (
            f"{names} are on one line and differ by {abs(kpa):.3g} kPa, more than "
            f"{found.allowed / 1e3:.3g} kPa: zero both at open air, or open the valve between "
            "them. Neither is judged until they agree."
        )
    return _draft(
        "out_of_step",
        reading,
        text,
        begins=found.apart,
        channels=[pair.first, pair.second],
        difference_pa=round(found.difference, 3),
        drift_pa=None if found.drift is None else round(found.drift, 3),
        allowed_pa=round(found.allowed, 3),
    )


def _draft(
    kind: Kind,
    reading: Reading,
    text: str,
    begins: bool = False,
    *,
    utc_ns: int | None = None,
    **figures: object,
) -> Draft:
    probe = Channel.parse(reading.channel).probe
    data = {"probe": probe, "channel": reading.channel, "kind": kind, "text": text, **figures}
    return Draft(
        "holdwatch.reading.doubted" if begins else "holdwatch.reading.trusted",
        reading.utc_ns if utc_ns is None else utc_ns,
        data,
        subject=probe,
    )
