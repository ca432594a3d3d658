"""Every enrolled channel's watches: readings go in raw, and come out calibrated with a quality."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Final, Literal, NamedTuple

from holdwatch_adapters.settings import Calibration
from holdwatch_daemon.intake.calibration import calibrations_of
from holdwatch_daemon.intake.quality import (
    ClockWatch,
    Figures,
    OrderWatch,
    PairWatch,
    Parting,
    StuckWatch,
)
from holdwatch_daemon.store.events import Draft
from holdwatch_physics.reading import Channel, Quality, Quantity, Role, role_of
from holdwatch_physics.units import parse_unit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_adapters.settings import ProbeSettings
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_physics.reading import Reading

_LINES = frozenset({Role.LOW_SIDE, Role.HIGH_SIDE, Role.VACUUM, Role.BAROMETER})
"""Roles whose second gauge (``low_side.2``) sits on the same line as the first."""
_BACK_NS = 30_000_000_000
"""A gauge counts as off its end once it has read within its range for this long, ns."""

Kind = Literal["stuck", "saturated", "out_of_step", "clock"]


class Sensed(NamedTuple):
    """What became of a reading: calibrated and with its quality, or None where it came twice."""

    reading: Reading | None
    drafts: tuple[Draft, ...] = ()
    out_of_order: bool = False


TWICE: Final = Sensed(None)


@dataclass(slots=True)
class ChannelSense:
    """One channel's watches and what of its doubts has been told."""

    figures: Figures
    quantity: Quantity | None  # what the figures measure
    calibration: Calibration
    clock: ClockWatch
    pairs: list[_Pair]
    tells_saturation: bool
    order: OrderWatch = field(default_factory=OrderWatch)
    stuck: StuckWatch = field(init=False)
    told_stuck: bool = False
    told_saturated: bool = False
    saturated_ns: int = 0
    inside: tuple[float, float] = field(init=False)

    def __post_init__(self) -> None:
        self.stuck = StuckWatch(self.figures)
        self.inside = self.figures.inside

    def take(self, reading: Reading, now_utc_ns: int, now_mono_ns: int) -> Sensed:
        """Take a reading of the channel as the adapter gave it.

        Args:
            reading: Of an enrolled probe, possible by its value and its times.
            now_utc_ns: The service's wall clock.
            now_mono_ns: Its monotonic clock.
        """
        order = self.order.push(reading.mono_ns)
        if order == "duplicate":
            return TWICE
        drafts: list[Draft] = []
        utc_ns, mono_ns, said = reading.utc_ns, reading.mono_ns, reading.value
        if self.clock.has_news(utc_ns - mono_ns - now_utc_ns + now_mono_ns):
            drafts += _clock(self.clock, reading, now_utc_ns, now_mono_ns)
        value = self.calibration.apply(said)
        quality = reading.quality
        low, top = self.inside
        if not low <= said < top or self.told_saturated:
            quality = _within_range(self, reading, drafts)
        if order == "new":
            lasted_s = self.stuck.push(mono_ns, said)
            if lasted_s is not None or self.told_stuck:
                drafts += _stuck(self, reading, lasted_s)
            if self.pairs and quality is Quality.GOOD:
                drafts += _neighbours_of(self, reading, value)
        if quality is Quality.GOOD and (self.told_stuck or self.pairs or value < 0.0):
            quality = Quality.SUSPECT if _is_doubtful(self, reading, value) else quality
        # A zero may have lost its sign, which does not compare.
        if value != said or said == 0.0 or quality is not reading.quality:
            reading = reading._replace(value=value, quality=quality)
        return Sensed(reading, tuple(drafts), order != "new")


@dataclass(frozen=True, slots=True)
class _Pair:
    first: str
    second: str
    watch: PairWatch


class Senses:
    """The watches of a whole shop.

    Args:
        config: The shop's configuration: figures, calibrations, and which gauges share a line.
    """

    def __init__(self, config: ShopConfig) -> None:
        self._config = config
        self._channels: dict[str, ChannelSense] = {}
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

    def of(self, name: str) -> ChannelSense:
        """Return the watches of an enrolled probe's channel."""
        known = self._channels.get(name)
        if known is None:
            known = self._channels[name] = ChannelSense(
                self._figures(name),
                _quantity(self._probe(name), name),
                self._calibrations.get(name, Calibration()),
                self._clocks[Channel.parse(name).probe],
                self._pairs.get(name, []),
                tells_saturation=name not in self._vacuum,
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


def _neighbours_of(channel: ChannelSense, reading: Reading, value: float) -> Iterator[Draft]:
    for pair in channel.pairs:
        which: Literal[0, 1] = 0 if reading.channel == pair.first else 1
        found = pair.watch.push(which, reading.mono_ns, value)
        if found is not None:
            yield _parting(pair, reading, found)


def _is_doubtful(channel: ChannelSense, reading: Reading, value: float) -> bool:
    """Whether a good reading is not to be judged: below nothing, stuck, or out of step."""
    if channel.told_stuck or (value < 0.0 and reading.quantity is Quantity.PRESSURE_ABSOLUTE):
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


def _within_range(channel: ChannelSense, reading: Reading, drafts: list[Draft]) -> Quality:
    """The quality of a reading by its gauge's range; what there is to tell goes to ``drafts``."""
    quality = reading.quality
    if quality is not Quality.GOOD or channel.quantity not in {None, reading.quantity}:
        return quality
    end = channel.figures.end(reading.value)
    if end is not None or channel.told_saturated:
        drafts += _saturation(channel, reading, end)
    return quality if end is None else Quality.SATURATED


def _saturation(
    channel: ChannelSense, reading: Reading, end: Literal["low", "high"] | None
) -> Iterator[Draft]:
    """A gauge at its upper end is told once; below its range an evacuated unit's may well be."""
    if end is not None:
        channel.saturated_ns = reading.mono_ns
    if end == "high" and channel.tells_saturation and not channel.told_saturated:
        channel.told_saturated = True
        text = (
            f"{reading.channel} stands at the end of its range; what is beyond it cannot be "
            "read. Use one that reaches further."
        )
        yield _draft("saturated", reading, text, begins=True)
    back = end is None and reading.mono_ns - channel.saturated_ns > _BACK_NS
    if channel.told_saturated and back:
        channel.told_saturated = False
        yield _draft("saturated", reading, f"{reading.channel} reads within its range again.")


def _stuck(channel: ChannelSense, reading: Reading, lasted_s: float | None) -> Iterator[Draft]:
    if lasted_s is not None and not channel.told_stuck:
        channel.told_stuck = True
        text = (
            f"{reading.channel} has repeated one value for {lasted_s / 60.0:.0f} min although its "
            "noise should move it: it is stuck, or its device repeats itself. Check it."
        )
        yield _draft("stuck", reading, text, begins=True, lasted_s=round(lasted_s, 1))
    elif lasted_s is None and channel.told_stuck:
        channel.told_stuck = False
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
