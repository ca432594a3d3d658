"""What is known of a relay, and whose confirmation each step of an evacuation waits for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.evacuation.orders import Relay, Step
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Mapping

AWAITED: Final = {
    Step.STARTING_PUMP: (Relay.PUMP,),
    Step.OPENING: (Relay.VALVE,),
    Step.CLOSING: (Relay.VALVE,),
    Step.STOPPING_PUMP: (Relay.PUMP,),
    Step.STARTING_HOLD: (Relay.VALVE, Relay.PUMP),
    Step.HOLDING: (Relay.VALVE, Relay.PUMP),
    Step.SHUTTING: (Relay.VALVE,),
    Step.SHUTTING_PUMP: (Relay.PUMP,),
}
"""Whose confirmation each step waits for, where a command is out."""
WORDS: Final = {
    (Relay.VALVE, True): Say("relay.valve_open"),
    (Relay.VALVE, False): Say("relay.valve_closed"),
    (Relay.PUMP, True): Say("relay.pump_on"),
    (Relay.PUMP, False): Say("relay.pump_off"),
}


@dataclass(slots=True)
class Wire:
    """What is known of one relay: what was commanded and not confirmed, and what it last said."""

    wanted: bool | None = None
    known: bool | None = None
    sent_ns: int = 0

    def forget(self, t_ns: int) -> None:
        """Know nothing any more, and have what was surely off commanded off anew."""
        if self.wanted is None and self.known is False:
            self.wanted, self.sent_ns = False, t_ns
        self.known = None

    def is_surely(self, *, on: bool) -> bool:
        """Whether it is confirmed to be so, and nothing else is commanded."""
        return self.known is on and self.wanted in {None, on}


def why_not_off(wires: Mapping[Relay, Wire]) -> Say | None:
    """Return which relay is not confirmed off, in one sentence; None where all are."""
    for relay, wire in wires.items():
        if wire.known is True and wire.wanted is None:
            return Say(f"relay.{relay}_says_on")
        if not wire.is_surely(on=False):
            return Say(f"relay.{relay}_not_off")
    return None
