"""A bay: roles bound to channels, the newest values, the running hold, and its alarms."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from holdwatch_daemon.bays.gauge_selection import GaugeSelector
from holdwatch_daemon.bays.progress import progress_of
from holdwatch_physics.reading import Channel, Quality, Role, role_of
from holdwatch_physics.units import gauge_pa, parse_unit
from holdwatch_procedures.holds import Decided, is_over_pressure, tells_pressure
from holdwatch_procedures.wording import Say, render

if TYPE_CHECKING:
    import asyncio

    from holdwatch_daemon.bays.alarms import Alarms
    from holdwatch_daemon.bays.gauge_selection import GaugeSelection
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.messages import Evacuation, HoldProgress
    from holdwatch_daemon.settings.shop import BayConfig, ShopConfig
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.holds import AlarmRaised, Recipe

log = logging.getLogger(__name__)

OVERPRESSURE = "overpressure"
PROBE_LOST = "probe_lost"
_BACK_BELOW = 0.99
"""Share of the highest pressure below which an over-pressure counts as gone."""
_EVACUATED_PA = 10_000.0
"""Absolute pressure below which a unit no longer holds its test gas, Pa."""


@dataclass(frozen=True, slots=True)
class FinishedHold:
    """A bay's newest hold that has its verdict.

    Attributes:
        id: Its id.
        progress: How it ended.
        verdict_sentence: What was found.
        written: Done once its verdict is in the store; None for one of an earlier process.
    """

    id: str
    progress: HoldProgress
    verdict_sentence: str
    written: asyncio.Future[None] | None = None


class Relays(Protocol):
    """What switches a bay's valve and pump, as far as the bay and its commands know it."""

    @property
    def evacuates(self) -> bool:
        """Whether an evacuation is on its way."""

    @property
    def tells(self) -> bool:
        """Whether what is going on matters to people."""

    def message(self) -> Evacuation:
        """Return how it stands, for people."""

    def why_not_pressure(self) -> str | None:
        """Return why nitrogen must not be held in the bay now; None where it may be."""

    def start(self, recipe: Recipe, by: str) -> str:
        """Begin an evacuation; return what to say."""

    def stop(self, why: str) -> None:
        """End the running evacuation, if one runs: valve closed, then pump off."""

    def take(self, reading: Reading, *, judged: bool) -> None:
        """Take a reading of the bay that is to be believed."""


class Bay:
    """A place with roles bound to channels.

    Attributes:
        name: The name in topics and addresses.
        label: The name for people.
        unit: What is under test there, for example ``BM-03``; None where not said.
        refrigerant: The unit's refrigerant; None where not said.
        roles: Role name → channel.
        newest: Role name → its newest reading.
        runner: The running hold; None between holds.
        last: The newest hold with a verdict; None where there is none.
        absolute: Roles whose probe reads absolute pressure.
        ranges: Role of pressure → range of its gauge (lowest, end) as recorded, Pa; None unknown.
        test_gas: Whether the unit holds nitrogen from a pressure hold, so that its pressure
            says nothing of the refrigerant.
        relays: What switches valve and pump here; None where nothing does.
        ended_mono_ns: Monotonic end of the newest hold; what comes from before it is late.
    """

    def __init__(self, config: BayConfig, shop: ShopConfig, alarms: Alarms) -> None:
        unit = config.unit_under_test
        self.config = config
        self.name = config.name
        self.label = config.label or config.name
        self.unit = None if unit is None else unit.name
        self.refrigerant = None if unit is None else unit.refrigerant
        self.roles = dict(config.roles)
        self.newest: dict[str, Reading] = {}
        self.runner: HoldRunner | None = None
        self.last: FinishedHold | None = None
        self.test_gas = False
        self.ended_mono_ns: int | None = None
        self.relays: Relays | None = None
        self._newest_put: Reading | None = None
        self._to_watch: list[tuple[str | None, Reading, bool]] = []
        self.alarms = alarms
        self._role_of = {channel: role for role, channel in self.roles.items()}
        self._of_unit = {role: meant for role in self.roles if (meant := _of_unit(role))}
        self._stale_ns = _stale_ns(config, shop)
        self._site_barometer_pa = shop.site.barometer_pa
        self.absolute = _absolute(config, shop)
        self.ranges = _ranges_pa(config, shop)
        self._selector = GaugeSelector(self.ranges)

    def hears(self, channel: str) -> bool:
        """Whether a channel plays a role here, or in the hold that is running."""
        if channel in self._role_of:
            return True
        return self.runner is not None and channel in self.runner.identity.channels

    def role_of(self, channel: str) -> str | None:
        """Return the role that a channel plays here, or None."""
        return self._role_of.get(channel)

    def uses(self, probe: str) -> bool:
        """Whether a probe plays a role here."""
        return any(Channel.parse(channel).probe == probe for channel in self._role_of)

    def is_late(self, reading: Reading) -> bool:
        """Whether a reading comes too late for the running hold, or after the end of the last."""
        if self.runner is not None:
            return self.runner.is_late(reading)
        return self.ended_mono_ns is not None and reading.mono_ns <= self.ended_mono_ns

    def put(self, reading: Reading, *, judged: bool = True) -> None:
        """Take a reading: as newest value, and for the running hold, at the next `act`.

        With ``judged`` false the hold does not get it: it could not be stored.
        """
        role = self._role_of.get(reading.channel)
        if role is not None:
            known = self.newest.get(role)
            if known is None or known.mono_ns <= reading.mono_ns:
                self.newest[role] = reading
        if self.runner is not None and judged:
            self.runner.put(reading)
        self._newest_put = reading
        if role in self._of_unit or self.relays is not None:
            self._to_watch.append((role, reading, judged))

    def act(self) -> None:
        """Let hold, alarms and the relays of valve and pump see what was put, in its order."""
        if self.runner is not None and self._newest_put is not None:
            self.runner.judge()
        self._newest_put = None
        to_watch, self._to_watch = self._to_watch, []
        if to_watch:
            self._watch(to_watch)

    def begin_hold(self, runner: HoldRunner) -> None:
        """Let a hold run here."""
        self.runner = runner
        self.test_gas = not runner.identity.recipe.is_vacuum
        runner.listen(self._hold_told)

    def _hold_told(self, runner: HoldRunner, event: AlarmRaised | Decided) -> None:
        """Raise the alarm of the hold that runs here; keep it, once decided, as the last one."""
        if self.runner is not runner:
            return
        if isinstance(event, Decided):
            sentence = render(event.verdict.sentence)
            self.last = FinishedHold(
                runner.identity.id, progress_of(runner), sentence, runner.written
            )
            self.ended_mono_ns = runner.end_mono_ns
            self.runner = None
        else:
            newest = self._newest_put
            at_ns = runner.identity.started_utc_ns + event.t_ns
            utc_ns = at_ns if newest is None else newest.utc_ns
            self._raise(OVERPRESSURE, event.text, utc_ns)

    def stale_roles(self, now_mono_ns: int, allowance_ns: int = 0) -> dict[str, float | None]:
        """Return the roles without a fresh reading, with its age in s (None: never any)."""
        stale: dict[str, float | None] = {}
        for role in self.roles:
            reading = self.newest.get(role)
            if reading is None:
                stale[role] = None
            elif now_mono_ns - reading.mono_ns > self._stale_ns[role] + allowance_ns:
                stale[role] = (now_mono_ns - reading.mono_ns) / 1e9
        return stale

    def select_gauges(self, now_mono_ns: int, allowance_ns: int = 0) -> GaugeSelection:
        """Return which gauge tells the pressure of the line, and which ones are out of range."""
        stale = self.stale_roles(now_mono_ns, allowance_ns)
        fresh = {role: reading for role, reading in self.newest.items() if role not in stale}
        return self._selector.select(fresh, self.barometer_pa())

    def watch_probes(
        self, now_mono_ns: int, now_utc_ns: int, allowance_ns: int, awake_ns: int | None = None
    ) -> bool:
        """Raise or settle the alarm of lost probes; return whether anything changed.

        ``awake_ns`` says since when this process listens: a silence from before is not the probes'.
        """
        stale = self.stale_roles(now_mono_ns, allowance_ns)
        # A vacuum gauge above its range has nothing to say, and some then say nothing.
        if stale and self.select_gauges(now_mono_ns, allowance_ns).under_pressure:
            stale = {role: age for role, age in stale.items() if role_of(role) is not Role.VACUUM}
        if self.runner is not None:
            begun_ns = self.runner.zero_mono_ns
            since_ns = now_mono_ns - (begun_ns if awake_ns is None else max(begun_ns, awake_ns))
            # A hold that has just begun may wait as long for its first readings.
            lost = [role for role in stale if since_ns > self._stale_ns[role] + allowance_ns]
            if lost:
                channels = tuple(
                    Say("alarm.channel", role=role, channel=str(self.roles[role])) for role in lost
                )
                what = Say("alarm.probe_lost", channels=channels)
                return self._raise(PROBE_LOST, what, now_utc_ns)
        if self.runner is None or not stale:
            return self.alarms.cause_gone(PROBE_LOST, now_utc_ns)
        return False

    def barometer_pa(self) -> float:
        """Return the room's pressure, Pa: measured where there is a barometer, else the site's."""
        reading = self.newest.get(Role.BAROMETER)
        if reading is not None and reading.quality is Quality.GOOD:
            return reading.value
        return self._site_barometer_pa

    def max_gauge_pa(self) -> float | None:
        """Return the highest allowed pressure above the room's, Pa; None where not said."""
        if self.runner is not None:
            return self.runner.identity.recipe.max_gauge_pa
        unit = self.config.unit_under_test
        if unit is None or unit.max_pressure_kpa_g is None:
            return None
        return unit.max_pressure_kpa_g * 1e3

    def _watch(self, put: list[tuple[str | None, Reading, bool]]) -> None:
        """Watch every pressure of the unit, hold or not: over-pressure, and an evacuation."""
        room_pa, most_pa = self.barometer_pa(), self.max_gauge_pa()
        for role, reading, judged in put:
            meant = None if role is None else self._of_unit.get(role)
            if role is not None and meant is not None and tells_pressure(meant, reading.quality):
                above_pa = gauge_pa(reading.value, reading.quantity, room_pa)
                if self.test_gas and self.runner is None and above_pa + room_pa < _EVACUATED_PA:
                    self.test_gas = False
                if most_pa is not None:
                    self._watch_pressure(role, above_pa, most_pa, reading.utc_ns)
            if self.relays is not None:
                self.relays.take(reading, judged=judged)

    def _watch_pressure(self, role: str, gauge_pa: float, most_pa: float, utc_ns: int) -> None:
        if is_over_pressure(gauge_pa, most_pa):
            what = Say("hold.over_pressure_alarm", role=role, pressure_pa=gauge_pa, most_pa=most_pa)
            self._raise(OVERPRESSURE, what, utc_ns)
        elif gauge_pa < most_pa * _BACK_BELOW and self.alarms.stands(OVERPRESSURE):
            self.alarms.cause_gone(OVERPRESSURE, utc_ns)

    def _raise(self, kind: str, what: Say, utc_ns: int) -> bool:
        is_new = self.alarms.raise_(kind, what, utc_ns)
        if is_new:
            log.warning("bay %s alarm %s: %s", self.name, kind, render(what))
        return is_new


def _of_unit(role: str) -> Role | None:
    """What a role means whose gauge reads a pressure of the unit; None of all others."""
    meant = role_of(role)
    is_pressure = meant is not None and meant.is_pressure and meant is not Role.BAROMETER
    return meant if is_pressure else None


def _stale_ns(config: BayConfig, shop: ShopConfig) -> dict[str, int]:
    """Return for each role the age at which its value counts as stale, ns."""
    ages: dict[str, int] = {}
    for role, channel in config.roles.items():
        probe = shop.probe_of(channel)
        ages[role] = round((60.0 if probe is None else probe.stale_after_s) * 1e9)
    return ages


def _absolute(config: BayConfig, shop: ShopConfig) -> frozenset[str]:
    """Return the roles whose probe counts pressure from nothing."""
    probes = {role: shop.probe_of(c) for role, c in config.roles.items()}
    return frozenset(
        role for role, probe in probes.items() if probe and probe.pressure_reference == "absolute"
    )


def _ranges_pa(config: BayConfig, shop: ShopConfig) -> dict[str, tuple[float, float] | None]:
    """Return for each role of pressure the range of its gauge as recorded, Pa; None unknown."""
    ranges: dict[str, tuple[float, float] | None] = {}
    for role, channel in config.roles.items():
        meant = role_of(role)
        if meant is None or not meant.is_pressure:
            continue
        probe = shop.probe_of(channel)
        figures = {} if probe is None else probe.figures(Channel.parse(channel).quantity)
        ranges[role] = None
        if "range" in figures:
            unit = parse_unit(figures["unit"])
            low, high = figures["range"]
            ranges[role] = (unit.to_si(low), unit.to_si(high))
    return ranges
