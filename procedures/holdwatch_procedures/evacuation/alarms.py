"""What calls for a person at a bay by wire: each kind of alarm once, and pressure at the valve."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_procedures.evacuation.interlock import why_too_high
from holdwatch_procedures.evacuation.orders import RaiseAlarm
from holdwatch_procedures.wording import Say, sentences

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation.interlock import Sight
    from holdwatch_procedures.evacuation.orders import AlarmKind, Order
    from holdwatch_procedures.evacuation.relays import Wire


class Alarms:
    """Raises each kind of alarm once an evacuation.

    Attributes:
        quiet: Whether a relay that does not confirm is no alarm, since nothing ran.
        patient_until_ns: Until when a valve that was just asked has time to say how it stands.
    """

    def __init__(self) -> None:
        self.quiet = False
        self.patient_until_ns = 0
        self._raised: set[AlarmKind] = set()

    def begin(self) -> None:
        """Forget what was raised: an evacuation begins."""
        self.quiet = False
        self._raised.clear()

    def once(self, kind: AlarmKind, text: Say) -> list[Order]:
        """Raise an alarm unless it was raised."""
        if kind in self._raised or (self.quiet and kind == "wire_unconfirmed"):
            return []
        self._raised.add(kind)
        return [RaiseAlarm(kind, text)]

    def pressure(
        self, t_ns: int, valve: Wire, sight: Sight, most_above_room_pa: float
    ) -> list[Order]:
        """Watch the pressure behind a valve that is not surely closed, whoever opened it.

        Args:
            t_ns: Now.
            valve: What is known of the valve.
            sight: What the gauges show.
            most_above_room_pa: Pressure above the room's at which the valve may be open, Pa.
        """
        if valve.is_surely(on=False):
            self._raised.discard("wire_pressure")
            return []
        why = why_too_high(sight, most_above_room_pa)
        if why is None or (valve.known is not True and t_ns < self.patient_until_ns):
            return []
        text = sentences(why, Say("evacuation.close_at_once"))
        return self.once("wire_pressure", text)
