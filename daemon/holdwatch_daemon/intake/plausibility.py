"""What no probe can have measured, or no clock can have said: kept out of every judgement."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, cast

from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.rows import FlaggedReading
from holdwatch_physics.possible import POSSIBLE, impossible
from holdwatch_physics.reading import Channel, Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.intake.channels import ChannelSense, Senses
    from holdwatch_daemon.intake.probes import ProbeBook, ProbeState
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.writer import Writer
    from holdwatch_physics.reading import ProbeNotice, Quantity

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


@dataclass(frozen=True, slots=True)
class _Known:
    """What belongs to an enrolled probe's channel: looked up once, not of every reading."""

    quantity: Quantity
    low: float
    high: float
    probe: ProbeState
    sense: ChannelSense
    bays: tuple[Bay, ...]
    names: frozenset[str]

    def is_sound(self, reading: Reading, now_mono_ns: int) -> bool:
        """Whether there is no doubt of a reading; where there may be, ``doubt`` decides."""
        return (
            self.low <= reading.value <= self.high
            and reading.quantity is self.quantity
            and 0 < reading.utc_ns < _LATEST_NS
            and -_LATEST_NS < reading.mono_ns <= now_mono_ns + AHEAD_NS
        )


class Intake:
    """Takes what adapters bring: to the recorder first, then to the bays that hear it.

    Args:
        book: The enrolled probes; others are not believed.
        senses: Calibrates readings and says how far each may be believed.
        bays: The bays by name.
        writer: The recorder.
        events: Where what is worth an event is told.
        clock: The one that stamps readings.
    """

    def __init__(
        self,
        book: ProbeBook,
        senses: Senses,
        bays: Mapping[str, Bay],
        writer: Writer,
        events: EventLog,
        clock: ServiceClock,
    ) -> None:
        self._book = book
        self._senses = senses
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
                self._tell(self._book.take(notice), notice.probe)
                continue
            known = self._known.get(item.channel) or self._look_up(item)
            if known is None:
                self._tell_stranger(item)
            elif self._reading(item, known, now_utc_ns, now_mono_ns):
                changed |= known.names
        self._hand_on()
        return changed

    def _look_up(self, reading: Reading) -> _Known | None:
        """Find what belongs to a reading's channel; None of a probe that is not enrolled."""
        channel = reading.channel
        if not self._book.knows(channel):
            return None
        bays = tuple(bay for bay in self._bays if bay.hears(channel))
        known = self._known[channel] = _Known(
            reading.quantity,
            *POSSIBLE[reading.quantity],
            self._book.states[Channel.parse(channel).probe],
            self._senses.of(channel),
            bays,
            frozenset(bay.name for bay in bays),
        )
        return known

    def _tell_stranger(self, reading: Reading) -> None:
        """Say, once for each, that a probe is not enrolled and is not believed."""
        probe = Channel.parse(reading.channel).probe
        if self._book.is_new_stranger(probe):
            text = f"Probe {probe!r} is not enrolled: nothing of it is recorded; see `enrol`."
            draft = Draft(
                "holdwatch.reading.refused", reading.utc_ns, {"text": text}, subject=probe
            )
            self._events.tell(draft)

    def _reading(self, reading: Reading, known: _Known, now_utc_ns: int, now_mono_ns: int) -> bool:
        """Take a reading; return whether it is one to act on."""
        if not known.is_sound(reading, now_mono_ns):
            found = doubt(reading, now_mono_ns)
            if found is not None:
                self._refuse(reading, found, now_utc_ns, now_mono_ns)
                return False
        sensed, drafts, out_of_order = known.sense.take(reading, now_utc_ns, now_mono_ns)
        for draft in drafts:
            self._tell(draft, str(draft.subject))
        if sensed is None:
            known.probe.duplicates += 1
            return False
        known.probe.readings += 1
        known.probe.out_of_order += out_of_order
        self._sort(sensed, known.bays)
        return True

    def _refuse(self, reading: Reading, why: Doubt, now_utc_ns: int, now_mono_ns: int) -> None:
        probe = Channel.parse(reading.channel).probe
        self._tell(self._book.refuse(probe, why.text, now_utc_ns, now_mono_ns), probe)
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
