"""What is known of each probe now, and which of its notices are worth an event."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.store.events import Draft
from holdwatch_physics.reading import Channel

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_adapters.settings import ProbeSettings
    from holdwatch_daemon.messages import EventType
    from holdwatch_physics.reading import ProbeNotice

LOW_BATTERY_PERCENT = 15.0
"""At or below it a probe's battery is named in an event, once until it recovers."""
_RECOVERED_PERCENT = 25.0
AGAIN_NS = 60_000_000_000
"""Malformed or refused data of one probe is told at most once in this time, ns."""


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
    malformed_untold: int = 0
    refused_untold: int = 0
    malformed_told_ns: int | None = None
    refused_told_ns: int | None = None


MOST_STRANGERS = 50
"""Names of probes not enrolled that are told of; more are only counted."""


class ProbeBook:
    """The state of every probe; turns notices into events, each change told once."""

    def __init__(self, enrolled: Iterable[ProbeSettings]) -> None:
        self.states = {probe.name: ProbeState(probe.name) for probe in enrolled}
        self.strangers = 0
        self._strangers_told: set[str] = set()

    def knows(self, channel: str) -> bool:
        """Whether a channel belongs to an enrolled probe; others are counted and not believed."""
        if Channel.parse(channel).probe in self.states:
            return True
        self.strangers += 1
        return False

    def is_new_stranger(self, probe: str) -> bool:
        """Whether this probe, which is not enrolled, has not been told of yet."""
        if probe in self._strangers_told or len(self._strangers_told) >= MOST_STRANGERS:
            return False
        self._strangers_told.add(probe)
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
        state.refused_untold += 1
        if state.refused_told_ns is not None and mono_ns - state.refused_told_ns < AGAIN_NS:
            return None
        count, state.refused_untold, state.refused_told_ns = state.refused_untold, 0, mono_ns
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
        state.malformed_untold += 1
        told = state.malformed_told_ns
        if told is not None and notice.mono_ns - told < AGAIN_NS:
            return None
        count, state.malformed_untold = state.malformed_untold, 0
        state.malformed_told_ns = notice.mono_ns
        return _draft("holdwatch.probe.malformed", notice, count=count)


def _draft(kind: EventType, notice: ProbeNotice, **figures: float) -> Draft:
    data: dict[str, object] = {"probe": notice.probe, **figures}
    if notice.detail:
        data["text"] = notice.detail
    return Draft(kind, notice.utc_ns, data, subject=notice.probe)
