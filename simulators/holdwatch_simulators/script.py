"""What people do to a system, and when."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_simulators.plant import Plant

__all__ = ["MARK_WORDS", "Act", "Script", "Verb"]


class Verb(StrEnum):
    """One thing that a person does."""

    OPEN_VACUUM_VALVE = "open_vacuum_valve"
    START_PUMP = "start_pump"
    ISOLATE = "isolate"  # close the vacuum valve: the standing vacuum begins
    STOP_PUMP = "stop_pump"
    CHARGE = "charge"  # open the nitrogen regulator, set to a gauge pressure
    CLOSE_VALVE = "close_valve"  # shut the nitrogen off: the pressure hold begins
    OPEN_VENT = "open_vent"
    CLOSE_VENT = "close_vent"
    KNOCK_HOSE = "knock_hose"  # lose a share of the gas at once
    NOTE = "note"


MARK_WORDS: dict[Verb, str] = {Verb.ISOLATE: "isolated", Verb.CLOSE_VALVE: "valve_closed"}
"""The word that a person marks in the trace for an act; notes mark themselves."""

_SWITCHES: dict[Verb, tuple[str, bool]] = {
    Verb.OPEN_VACUUM_VALVE: ("vacuum_valve_open", True),
    Verb.ISOLATE: ("vacuum_valve_open", False),
    Verb.START_PUMP: ("pump_running", True),
    Verb.STOP_PUMP: ("pump_running", False),
    Verb.OPEN_VENT: ("vent_open", True),
    Verb.CLOSE_VENT: ("vent_open", False),
}


@dataclass(frozen=True, slots=True)
class Act:
    """One act at one time.

    Attributes:
        at_s: Seconds from the start.
        verb: What is done.
        value: Gauge pressure in Pa for ``charge``, a share for ``knock_hose``; else unused.
        text: What a ``note`` says.
    """

    at_s: float
    verb: Verb
    value: float = 0.0
    text: str = ""

    @property
    def mark(self) -> str | None:
        """The event word for a trace, or None where the act is not marked."""
        if self.verb is Verb.NOTE:
            return f"note {self.text}"
        return MARK_WORDS.get(self.verb)

    def apply(self, plant: Plant) -> None:
        """Do it to the plant."""
        if self.verb in _SWITCHES:
            attribute, on = _SWITCHES[self.verb]
            setattr(plant, attribute, on)
        elif self.verb is Verb.CHARGE:
            plant.charge_to_pa = self.value
        elif self.verb is Verb.CLOSE_VALVE:
            plant.charge_to_pa = None
        elif self.verb is Verb.KNOCK_HOSE:
            plant.lose(self.value)


class Script:
    """Acts in order of time, handed out once each."""

    def __init__(self, acts: Iterable[Act]) -> None:
        """Sort the acts; those of one time keep their order."""
        self._acts = sorted(acts, key=lambda act: act.at_s)
        self._next = 0

    @property
    def done(self) -> bool:
        """Whether every act has been handed out."""
        return self._next >= len(self._acts)

    def due(self, t_s: float) -> list[Act]:
        """Return the acts whose time has come since the last call."""
        first = self._next
        while self._next < len(self._acts) and self._acts[self._next].at_s <= t_s:
            self._next += 1
        return self._acts[first : self._next]
