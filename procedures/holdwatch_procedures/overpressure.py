"""The first reading above a unit's highest allowed pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures import words

if TYPE_CHECKING:
    from holdwatch_procedures.recipe import Recipe
    from holdwatch_procedures.sequence import Item


class OverPressure:
    """Watches single readings; tells once.

    A hold has two: one on the readings as they come, for an alarm at once, and one on them in
    the order of their times, for the verdict.
    """

    def __init__(self, recipe: Recipe) -> None:
        self._most_pa = recipe.max_gauge_pa
        self._room_pa = recipe.barometer_pa
        self._told = False

    def news(self, item: Item) -> str:
        """Return the alarm's text for the first reading above the limit, else nothing."""
        most = self._most_pa
        if self._told or most is None or item.quantity in {None, Quantity.TEMPERATURE}:
            return ""
        room = 0.0 if item.quantity is Quantity.PRESSURE_GAUGE else self._room_pa
        if item.value - room <= most:
            return ""
        role = role_of(item.channel)
        if role is Role.BAROMETER or item.quality is Quality.SUSPECT:
            return ""
        if role is Role.VACUUM and item.quality is Quality.SATURATED:
            return ""  # a vacuum gauge above its range says only that it is above its range
        self._told = True
        return words.overpressure_alarm(item.channel, item.value - room, most)
