"""Finds where a hold starts: by an isolation or by the end of charging, as the data shows it."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quality, Quantity, Role
from holdwatch_physics.units import absolute_pa
from holdwatch_procedures.holds.blocks import specs_by_role
from holdwatch_procedures.holds.vacuum.pumpdown import EvacuationNews, EvacuationWatch
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.holds.order import Item
    from holdwatch_procedures.holds.recipe import Recipe


PREFERRED = {
    True: (Role.VACUUM, Role.LOW_SIDE, Role.HIGH_SIDE),
    False: (Role.LOW_SIDE, Role.HIGH_SIDE),
}
"""Pressure roles in the order of preference, for a vacuum (True) and under pressure (False)."""
KEPT_NS = 3_600_000_000_000
"""How far back readings are kept while no start has been seen, ns; a start is seen sooner."""
RISE_PA = 20_000.0
"""A rise by this much within `WINDOW_S` is charging: 3 to 4 K a minute would do the same to a
closed system at 15 bar, and a closed system that was just charged cools."""

RISE_SHARE = 0.01
"""The same as a share of the pressure, where that is more."""

WINDOW_S = 60.0
CALM_S = 900.0
"""After this long without a rise the hold has begun; a later rise is a step, not charging."""


class ChargingWatch:
    """Follows the pressure and moves the start of a hold behind each charge.

    Charging comes in steps: the valve is opened, the pressure rises, one waits, and opens it
    again. The hold starts at the last reading of the last rise, so that the ten minutes of
    settling begin when the gas came to rest. A trace that begins at pressure and does not rise
    starts at its first reading. Readings need not be evenly spaced.

    Attributes:
        start_s: Where the hold starts by what was seen so far, s; None before any reading.
        over: Whether charging has been over for long enough to hold on to ``start_s``.
    """

    def __init__(self) -> None:
        self.start_s: float | None = None
        self.over = False
        self._recent: deque[tuple[float, float]] = deque()

    def push(self, t_s: float, pressure_pa: float) -> bool:
        """Take a reading (any steady zero of pressure); return whether the start moved."""
        if self.over:
            return False
        if self.start_s is None:
            self.start_s = t_s
            self._recent.append((t_s, pressure_pa))
            return True
        while self._recent and self._recent[0][0] < t_s - WINDOW_S:
            self._recent.popleft()
        lowest = min((p for _, p in self._recent), default=pressure_pa)
        highest = max((p for _, p in self._recent), default=pressure_pa)
        self._recent.append((t_s, pressure_pa))
        rise = max(RISE_PA, RISE_SHARE * abs(pressure_pa))
        if pressure_pa - lowest >= rise and pressure_pa > highest:
            self.start_s = t_s
            return True
        self.over = t_s - self.start_s >= CALM_S
        return False


def charging_end(times_s: list[float], pressures_pa: list[float]) -> float | None:
    """Return the time at which a hold starts in a trace without a mark, s.

    Args:
        times_s: Times of the readings, rising, s.
        pressures_pa: Their pressures, Pa.

    Returns:
        The last reading of the last rise of charging, the first reading where there is no
        charging, None where there are no readings.
    """
    watch = ChargingWatch()
    for t_s, pressure_pa in zip(times_s, pressures_pa, strict=True):
        watch.push(t_s, pressure_pa)
    return watch.start_s


class Starter:
    """Keeps the readings before the start and watches them for it.

    What may start the clock is the recipe's ``start``; the mark always may, and is the hold's
    own business.
    """

    def __init__(self, recipe: Recipe) -> None:
        self._recipe = recipe
        self._kept: deque[Item] = deque()
        self._first_ns: int | None = None
        self._first_pressure_ns: int | None = None
        self._role: str | None = None
        self._temperatures: dict[str, float] = {}
        self._begin_watch(None)
        self._charged_ns: int | None = None
        self._news: list[Say] = []
        self.found_ns: int | None = None
        self.text = Say("nothing")
        self.pressure_pa: float | None = None

    def add(self, item: Item) -> None:
        """Keep an item and watch it for the start."""
        self._kept.append(item)
        if self._first_ns is None:
            self._first_ns = item.t_ns
        oldest_ns = item.t_ns - KEPT_NS
        if self._recipe.start != "auto":
            while self._kept and self._kept[0].t_ns < oldest_ns:
                self._kept.popleft()
        if item.quality is not Quality.GOOD:
            return
        if item.quantity is Quantity.TEMPERATURE:
            self._temperatures[item.channel] = item.value
            return
        if item.channel == Role.BAROMETER or self.found_ns is not None:
            return
        self._follow(item)

    def news(self) -> Iterator[Say]:
        """Give out, once, what is worth telling of the time before the start."""
        told, self._news = self._news, []
        yield from told

    def may_pull_again(self, t_ns: int) -> bool:
        """Whether readings from a time on could still take back an isolation that was seen."""
        return self._recipe.is_vacuum and self._evacuation.may_resume(t_ns / 1e9)

    def pulls_again(self, item: Item) -> bool:
        """Whether the pump pulls again shortly after an isolation that was only seen.

        Feed the readings after the isolation: what looked like one may have been a burst of gas.
        """
        if not self._recipe.is_vacuum or item.channel != self._role:
            return False
        if item.quality is not Quality.GOOD or not self._evacuation.may_resume(item.t_ns / 1e9):
            return False
        events = self._evacuation.push(item.t_ns / 1e9, self._absolute_pa(item))
        return any(event.kind is EvacuationNews.RESUMED for event in events)

    def begin_again(self) -> None:
        """Look for an isolation once more."""
        self.found_ns, self.text = None, Say("nothing")

    def forget_before(self, t_ns: int) -> None:
        """Drop what was kept from before a mark."""
        while self._kept and self._kept[0].t_ns < t_ns:
            self._kept.popleft()

    def fallback_ns(self) -> int | None:
        """Where the clock starts at the end of a trace in which no start was found.

        After the last charge, else at the first reading; None where the recipe wants more.
        """
        if self._recipe.start != "auto":
            return None
        return self._charged_ns if self._charged_ns is not None else self._first_ns

    def role_since(self, t_ns: int) -> str | None:
        """The preferred pressure role among the items kept since then, or None."""
        seen = {item.channel for item in self._kept if item.t_ns >= t_ns}
        return next((role for role in PREFERRED[self._recipe.is_vacuum] if role in seen), None)

    def take_since(self, t_ns: int) -> list[Item]:
        """Hand over the items since then and keep nothing."""
        items = [item for item in self._kept if item.t_ns >= t_ns]
        self._kept.clear()
        return items

    def _follow(self, item: Item) -> None:
        preferred = PREFERRED[self._recipe.is_vacuum]
        role = item.channel
        if role not in preferred:
            return
        if self._role is None or preferred.index(Role(role)) < preferred.index(Role(self._role)):
            self._role = role
            self._begin_watch(role)
        if role != self._role:
            return
        pressure = self.pressure_pa = self._absolute_pa(item)
        if self._first_pressure_ns is None:
            self._first_pressure_ns = item.t_ns
        self._see(item.t_ns, pressure)

    def _absolute_pa(self, item: Item) -> float:
        """The pressure of an item, absolute by the recipe's room pressure, Pa."""
        assert item.quantity is not None  # noqa: S101 - a reading, no mark
        return absolute_pa(item.value, item.quantity, self._recipe.barometer_pa)

    def _begin_watch(self, role: str | None) -> None:
        spec = specs_by_role(self._recipe).get(role) if role is not None else None
        resolution_pa = None if spec is None else spec.delta_si("resolution")
        self._charging = ChargingWatch()
        self._evacuation = EvacuationWatch(self._recipe.target_pa, resolution_pa=resolution_pa)

    def _see(self, t_ns: int, pressure_pa: float) -> None:
        """Let the procedure's watch see a pressure; ``found_ns`` is set once it finds the start."""
        if self._recipe.is_vacuum:
            self._see_vacuum(t_ns, pressure_pa)
            return
        if self._charging.push(t_ns / 1e9, pressure_pa):
            self._charged_ns = t_ns
        charged = self._charged_ns != self._first_pressure_ns
        if self._charging.over and (charged or self._recipe.start == "auto"):
            self._found(self._charged_ns, Say("hold.charging_ended"))

    def _see_vacuum(self, t_ns: int, pressure_pa: float) -> None:
        walls = self._temperatures.values()
        for event in self._evacuation.push(t_ns / 1e9, pressure_pa, min(walls, default=None)):
            if event.kind is EvacuationNews.ISOLATED:
                self._found(round(event.t_s * 1e9), event.text)
            else:
                self._news.append(event.text)

    def _found(self, t_ns: int | None, text: Say) -> None:
        if self._recipe.start != "said":
            self.found_ns, self.text = t_ns, text
