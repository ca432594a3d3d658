"""Says when a unit is above its highest allowed pressure, for a hold, a bay and `judge` alike."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_physics.units import gauge_pa
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_procedures.holds.order import Item
    from holdwatch_procedures.holds.recipe import Recipe


def is_over_pressure(above_room_pa: float, most_pa: float | None) -> bool:
    """Return whether a pressure is above the highest allowed one.

    Args:
        above_room_pa: The pressure above the room's, Pa.
        most_pa: The highest allowed one, likewise; None where nobody said.
    """
    return most_pa is not None and above_room_pa > most_pa


def tells_pressure(role: Role | None, quality: Quality | None) -> bool:
    """Return whether a reading in a pressure role tells the pressure of the unit at all.

    A vacuum gauge above its range says only that it is above its range; any other gauge at its
    end shows at least that much.
    """
    if role is Role.BAROMETER or quality is Quality.SUSPECT:
        return False
    return role is not Role.VACUUM or quality is not Quality.SATURATED


class OverPressure:
    """Watches single readings; tells once.

    A hold has two: one on the readings as they come, for an alarm at once, and one on them in
    the order of their times, for the verdict.
    """

    def __init__(self, recipe: Recipe) -> None:
        self._most_pa = recipe.max_gauge_pa
        self._room_pa = recipe.barometer_pa
        self.floor_pa = math.inf if self._most_pa is None else self._most_pa
        """No value at or below this is news, whatever it measures; ∞ once it was told."""

    def news(self, item: Item) -> Say | None:
        """Return the alarm for the first reading above the limit, else None."""
        if not item.value > self.floor_pa or not self.is_above(item):
            return None
        self.floor_pa = math.inf
        return Say(
            "hold.over_pressure_alarm",
            role=item.channel,
            pressure_pa=self._gauge_pa(item),
            most_pa=self._most_pa or 0.0,
        )

    def is_above(self, item: Item) -> bool:
        """Whether a reading shows a pressure above the limit."""
        if self._most_pa is None or item.quantity in {None, Quantity.TEMPERATURE}:
            return False
        if not is_over_pressure(self._gauge_pa(item), self._most_pa):
            return False
        return tells_pressure(role_of(item.channel), item.quality)

    def _gauge_pa(self, item: Item) -> float:
        assert item.quantity is not None  # noqa: S101 - a reading, no mark
        return gauge_pa(item.value, item.quantity, self._room_pa)
