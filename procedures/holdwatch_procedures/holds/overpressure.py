"""The first reading above a unit's highest allowed pressure."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_physics.units import gauge_pa
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_procedures.holds.order import Item
    from holdwatch_procedures.holds.recipe import Recipe


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
        most = self._most_pa
        if most is None or item.quantity in {None, Quantity.TEMPERATURE}:
            return False
        if self._gauge_pa(item) <= most:
            return False
        role = role_of(item.channel)
        if role is Role.BAROMETER or item.quality is Quality.SUSPECT:
            return False
        # A vacuum gauge above its range says only that it is above its range.
        return role is not Role.VACUUM or item.quality is not Quality.SATURATED

    def _gauge_pa(self, item: Item) -> float:
        assert item.quantity is not None  # noqa: S101 - a reading, no mark
        return gauge_pa(item.value, item.quantity, self._room_pa)
