"""Takes readings and notices in: checked once, stored first, then handed to their bays."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Generic, TypeVar, cast

from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.rows import FlaggedReading
from holdwatch_physics.reading import Channel, Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from holdwatch_adapters.settings import ProbeSettings
    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.intake.checks import ChannelChecks, Doubt, ShopChecks
    from holdwatch_daemon.intake.pulse import Pulse
    from holdwatch_daemon.messages import EventType
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.writer import Writer
    from holdwatch_physics.reading import ProbeNotice


T = TypeVar("T")


class Inbox(Generic[T]):
    """A bounded queue: whoever puts in waits while it is full, so that nothing is dropped.

    Args:
        bound: Most items that wait.
    """

    def __init__(self, bound: int) -> None:
        self._items: deque[T] = deque()
        self._bound = bound
        self._news = asyncio.Event()
        self._room = asyncio.Event()

    def offer(self, item: T) -> bool:
        """Put an item in at once; return whether there was room."""
        items = self._items
        if len(items) >= self._bound:
            return False
        if not items:
            self._news.set()
        items.append(item)
        return True

    async def put(self, item: T) -> None:
        """Put an item in, waiting for room."""
        while not self.offer(item):
            self._room.clear()
            await self._room.wait()

    async def take(self, most: int) -> list[T]:
        """Wait for an item; return it with up to ``most − 1`` that are there already."""
        while not self._items:
            self._news.clear()
            await self._news.wait()
        return self.take_rest(most)

    def take_rest(self, most: int | None = None) -> list[T]:
        """Return what is there without waiting, up to ``most`` items."""
        items = self._items
        if most is None or len(items) <= most:
            taken = list(items)
            items.clear()
        else:
            taken = [items.popleft() for _ in range(most)]
        self._room.set()
        return taken

    def __len__(self) -> int:
        return len(self._items)


_MOST_AT_ONCE = 256

LOW_BATTERY_PERCENT = 15.0
"""At or below it a probe's battery is named in an event, once until it recovers."""
_RECOVERED_PERCENT = 25.0
AGAIN_NS = 60_000_000_000
"""Malformed or refused data of one probe is reported at most once in this time, ns."""


@dataclass(slots=True)
class ProbeState:
    """One probe as it is now."""

    name: str
    connected: bool | None = None  # None: never heard of
    readings: int = 0
    battery_percent: float | None = None
    battery_low: bool = False
    rssi_dbm: float | None = None
    malformed: int = 0
    refused: int = 0
    duplicates: int = 0
    out_of_order: int = 0
    malformed_unreported: int = 0
    refused_unreported: int = 0
    malformed_reported_ns: int | None = None
    refused_reported_ns: int | None = None


MOST_STRANGERS = 50
"""Names of probes not enrolled that are reported; more are only counted."""


class ProbeTracker:
    """The state of every probe; turns notices into events, each change reported once."""

    def __init__(self, enrolled: Iterable[ProbeSettings]) -> None:
        self.states = {probe.name: ProbeState(probe.name) for probe in enrolled}
        self.strangers = 0
        self._strangers_reported: set[str] = set()

    def knows(self, channel: str) -> bool:
        """Whether a channel belongs to an enrolled probe; others are counted and not believed."""
        if Channel.parse(channel).probe in self.states:
            return True
        self.strangers += 1
        return False

    def is_new_stranger(self, probe: str) -> bool:
        """Whether this probe, which is not enrolled, has not been reported of yet."""
        if probe in self._strangers_reported or len(self._strangers_reported) >= MOST_STRANGERS:
            return False
        self._strangers_reported.add(probe)
        return True

    def take(self, notice: ProbeNotice) -> Draft | None:
        """Enter a notice; return the event it is worth, or None."""
        state = self.states.get(notice.probe)
        if state is None:
            self.strangers += 1
            return None
        if notice.kind in {"connected", "lost"}:
            return self._link(state, notice)
        if notice.kind == "battery":
            return self._battery(state, notice)
        if notice.kind == "signal":
            state.rssi_dbm = notice.value
            return None
        if notice.kind == "refused":
            return self.refuse(notice.probe, notice.detail, notice.utc_ns, notice.mono_ns)
        return self._malformed(state, notice)

    def refuse(self, probe: str, why: str, utc_ns: int, mono_ns: int) -> Draft | None:
        """Count a reading that is not believed; return an event at a limited rate."""
        state = self.states[probe]
        state.refused += 1
        state.refused_unreported += 1
        if state.refused_reported_ns is not None and mono_ns - state.refused_reported_ns < AGAIN_NS:
            return None
        count, state.refused_unreported, state.refused_reported_ns = (
            state.refused_unreported,
            0,
            mono_ns,
        )
        data = {"probe": probe, "text": why, "count": count}
        return Draft("holdwatch.reading.refused", utc_ns, data, subject=probe)

    def _link(self, state: ProbeState, notice: ProbeNotice) -> Draft | None:
        connected = notice.kind == "connected"
        if state.connected is connected or (state.connected is None and not connected):
            return None
        state.connected = connected
        kind: EventType = "holdwatch.probe.connected" if connected else "holdwatch.probe.lost"
        return _draft(kind, notice)

    def _battery(self, state: ProbeState, notice: ProbeNotice) -> Draft | None:
        state.battery_percent = notice.value
        if notice.value is None:
            return None
        if state.battery_low:
            state.battery_low = notice.value < _RECOVERED_PERCENT
            return None
        state.battery_low = notice.value <= LOW_BATTERY_PERCENT
        if not state.battery_low:
            return None
        return _draft("holdwatch.probe.battery_low", notice, battery_percent=notice.value)

    def _malformed(self, state: ProbeState, notice: ProbeNotice) -> Draft | None:
        state.malformed += 1
        state.malformed_unreported += 1
        reported = state.malformed_reported_ns
        if reported is not None and notice.mono_ns - reported < AGAIN_NS:
            return None
        count, state.malformed_unreported = state.malformed_unreported, 0
        state.malformed_reported_ns = notice.mono_ns
        return _draft("holdwatch.probe.malformed", notice, count=count)


def _draft(kind: EventType, notice: ProbeNotice, **figures: float) -> Draft:
    data: dict[str, object] = {"probe": notice.probe, **figures}
    if notice.detail:
        data["text"] = notice.detail
    return Draft(kind, notice.utc_ns, data, subject=notice.probe)


@dataclass(frozen=True, slots=True)
class _Known:
    """What belongs to an enrolled probe's channel: looked up once, not of every reading."""

    probe: ProbeState
    checks: ChannelChecks
    bays: tuple[Bay, ...]
    names: frozenset[str]


class Intake:
    """Takes what adapters bring: to the recorder first, then to the bays that hear it.

    Args:
        probes: The enrolled probes; others are not believed.
        checks: Calibrates readings and says how far each may be believed.
        bays: The bays by name.
        writer: The recorder.
        events: Where what is worth an event is reported.
        clock: The one that stamps readings.
    """

    def __init__(
        self,
        probes: ProbeTracker,
        checks: ShopChecks,
        bays: Mapping[str, Bay],
        writer: Writer,
        events: EventLog,
        clock: ServiceClock,
    ) -> None:
        self._probes = probes
        self._checks = checks
        self._bays = tuple(bays.values())
        self._known: dict[str, _Known] = {}
        self._runners: list[HoldRunner | None] = []
        self._waiting: list[Reading | FlaggedReading] = []
        self._touched: dict[str, Bay] = {}
        self._writer = writer
        self._events = events
        self._clock = clock

    def take(self, items: Iterable[Reading | ProbeNotice]) -> set[str]:
        """Take readings and notices in the order in which they came.

        Returns:
            The names of the bays with something new to show.
        """
        now_utc_ns, now_mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        self._see_runners()
        changed: set[str] = set()
        for item in items:
            if type(item) is not Reading:
                notice = cast("ProbeNotice", item)
                self._tell(self._probes.take(notice), notice.probe)
                continue
            known = self._known.get(item.channel) or self._look_up(item)
            if known is None:
                self._tell_stranger(item)
            elif self._reading(item, known, now_utc_ns, now_mono_ns):
                changed |= known.names
        self._hand_on()
        return changed

    async def run(
        self, inbox: Inbox[Reading | ProbeNotice], pulse: Pulse, note: Callable[[str], None]
    ) -> None:
        """Take what comes into an inbox, until cancelled.

        Args:
            inbox: Where the adapters put it.
            pulse: Told when there is work and when it is done.
            note: Told the name of each bay with something new to show.
        """
        while True:
            items = await inbox.take(_MOST_AT_ONCE)
            pulse.busy()
            for name in self.take(items):
                note(name)
            await self._writer.room()
            pulse.idle()
            await asyncio.sleep(0)  # a full inbox must not keep everything else from running

    def _look_up(self, reading: Reading) -> _Known | None:
        """Find what belongs to a reading's channel; None of a probe that is not enrolled."""
        channel = reading.channel
        if not self._probes.knows(channel):
            return None
        bays = tuple(bay for bay in self._bays if bay.hears(channel))
        known = self._known[channel] = _Known(
            self._probes.states[Channel.parse(channel).probe],
            self._checks.of(channel),
            bays,
            frozenset(bay.name for bay in bays),
        )
        return known

    def _tell_stranger(self, reading: Reading) -> None:
        """Say, once for each, that a probe is not enrolled and is not believed."""
        probe = Channel.parse(reading.channel).probe
        if self._probes.is_new_stranger(probe):
            text = f"Probe {probe!r} is not enrolled: nothing of it is recorded; see `enrol`."
            draft = Draft(
                "holdwatch.reading.refused", reading.utc_ns, {"text": text}, subject=probe
            )
            self._events.tell(draft)

    def _reading(self, reading: Reading, known: _Known, now_utc_ns: int, now_mono_ns: int) -> bool:
        """Take a reading; return whether it is one to act on."""
        found = known.checks.doubt(reading, now_mono_ns)
        if found is not None:
            self._refuse(reading, found, now_utc_ns, now_mono_ns)
            return False
        checked, drafts, out_of_order = known.checks.take(reading, now_utc_ns, now_mono_ns)
        for draft in drafts:
            self._tell(draft, str(draft.subject))
        if checked is None:
            known.probe.duplicates += 1
            return False
        known.probe.readings += 1
        known.probe.out_of_order += out_of_order
        self._sort(checked, known.bays)
        return True

    def _refuse(self, reading: Reading, why: Doubt, now_utc_ns: int, now_mono_ns: int) -> None:
        probe = Channel.parse(reading.channel).probe
        self._tell(self._probes.refuse(probe, why.text, now_utc_ns, now_mono_ns), probe)
        if why.stored:
            suspect = reading._replace(quality=Quality.SUSPECT)
            self._waiting.append(FlaggedReading(suspect, "future"))

    def _see_runners(self) -> None:
        """Ask anew who hears what, once a hold has begun or ended."""
        runners = [bay.runner for bay in self._bays]
        if runners != self._runners:
            self._runners = runners
            self._known.clear()

    def _sort(self, reading: Reading, bays: tuple[Bay, ...]) -> None:
        """Put a reading to those that are handed on next, with what is to become of it."""
        if self._writer.is_overfull:
            # Neither stored nor judged: a hold must not rest on what is not on the disk.
            self._writer.drop(reading)
            self._put(reading, bays, judged=False)
            return
        late = False
        for bay in bays:
            if bay.is_late(reading):
                late = True
                if bay.runner is not None:
                    bay.runner.count_late()
        if late:
            # Late for one bay is late for all that share the channel: a reading has one flag.
            self._waiting.append(FlaggedReading(reading, "late"))
        else:
            self._waiting.append(reading)
            self._put(reading, bays, judged=True)

    def _put(self, reading: Reading, bays: tuple[Bay, ...], *, judged: bool) -> None:
        wired = False
        for bay in bays:
            bay.put(reading, judged=judged)
            self._touched[bay.name] = bay
            wired = wired or bay.relays is not None
        # What is wired may begin a hold at a reading, and the very next one belongs to it.
        if wired:
            self._hand_on()
            self._see_runners()

    def _hand_on(self) -> None:
        """Hand what was taken to the recorder, then let the bays act on it."""
        waiting, self._waiting = self._waiting, []
        touched, self._touched = self._touched, {}
        if waiting:
            self._writer.write_readings(waiting)
        for bay in touched.values():
            bay.act()

    def _tell(self, draft: Draft | None, probe: str) -> None:
        """Write an event about a probe; where one bay alone uses the probe, it is the bay's."""
        if draft is None:
            return
        bays = [bay.name for bay in self._bays if bay.uses(probe)]
        self._events.tell(replace(draft, bay=bays[0] if len(bays) == 1 else None))
