"""Whether a vacuum valve may be opened, or stay open, by what the bay's gauges show now."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator

PUMP_OPENS_BELOW_PA = 10_000.0
"""Pressure above the room's over which no unit is opened to a pump, by hand or by relay, Pa: what
a field gauge errs near its zero (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Glimpse:
    """What one gauge of the unit shows now.

    Attributes:
        role: The role's name.
        is_vacuum: Whether it is a vacuum gauge, which says nothing above its range.
        absolute_pa: Its newest reading as absolute pressure, Pa; None without any.
        above_room_pa: The same above the room's pressure, Pa.
        fresh: Whether that reading is not older than the probe's own limit.
        good: Whether it may be believed.
        end: The end of the gauge's range at which it stands; None within it.
        read_ns: Monotonic time of its newest reading, ns; None without any.
    """

    role: str
    is_vacuum: bool
    absolute_pa: float | None
    above_room_pa: float | None
    fresh: bool
    good: bool
    end: Literal["low", "high"] | None = None
    read_ns: int | None = None


Sight = tuple[Glimpse, ...]
"""Every gauge of the unit, as it stands at one moment."""


def why_not_open(sight: Sight, most_above_room_pa: float) -> Say | None:
    """Return why the valve must not be opened now, in one sentence; None where it may.

    Every gauge must be fresh and believed, and show no more than the limit. A vacuum gauge above
    its range is believed to be just that: it shows nothing, and the pressure gauges speak. A
    pressure gauge below its range shows a pressure below the limit.

    Args:
        sight: The gauges.
        most_above_room_pa: Highest pressure above the room's at which a pump may be opened, Pa.
    """
    if not any(glimpse.is_vacuum for glimpse in sight):
        return Say("interlock.no_vacuum_gauge")
    if all(glimpse.is_vacuum for glimpse in sight):
        return Say("interlock.no_pressure_gauge")
    for glimpse in sight:
        why = _doubt(glimpse)
        if why is not None:
            return why
    return why_too_high(sight, most_above_room_pa)


def why_too_high(sight: Sight, most_above_room_pa: float) -> Say | None:
    """Return which gauge shows too high a pressure, old and doubtful readings included.

    Args:
        sight: The gauges.
        most_above_room_pa: The limit above the room's pressure, Pa.
    """
    for glimpse in _that_show(sight):
        above = glimpse.above_room_pa
        if above is not None and not above <= most_above_room_pa:
            return Say(
                "interlock.pressure",
                role=glimpse.role,
                pressure_pa=above,
                most_pa=most_above_room_pa,
            )
    return None


def why_not_so(sight: Sight, most_above_room_pa: float, *, is_open: bool) -> Say | None:
    """Return what the gauges show that ends an evacuation; None where nothing does.

    Pressure does at every step: that a valve says it is closed is no wall.

    Args:
        sight: The gauges.
        most_above_room_pa: The limit above the room's pressure, Pa.
        is_open: Whether the valve is open, so that the pressure must be seen as well.
    """
    return why_too_high(sight, most_above_room_pa) or (why_blind(sight) if is_open else None)


def why_blind(sight: Sight) -> Say | None:
    """Return why the pressure behind an open valve cannot be watched; None where it can.

    One vacuum gauge that reads within its range is enough: no pressure is hidden from it. Above
    its range every pressure gauge must be fresh and believed.
    """
    vacuums = [glimpse for glimpse in sight if glimpse.is_vacuum]
    if any(g.fresh and g.good and g.end is None and _is_number(g) for g in vacuums):
        return None
    if not vacuums or len(vacuums) == len(sight):
        return Say("interlock.blind")
    return next((why for glimpse in sight if (why := _doubt(glimpse)) is not None), None)


def off_scale_ns(sight: Sight) -> int | None:
    """Return since when every vacuum gauge's newest reading stands above its range, ns.

    None unless each of them is fresh, and stands there.
    """
    vacuums = [glimpse for glimpse in sight if glimpse.is_vacuum]
    if not vacuums or not all(glimpse.fresh and glimpse.end == "high" for glimpse in vacuums):
        return None
    times = [glimpse.read_ns for glimpse in vacuums if glimpse.read_ns is not None]
    return min(times) if len(times) == len(vacuums) else None


def _doubt(glimpse: Glimpse) -> Say | None:
    if not _is_number(glimpse):
        return Say("interlock.not_heard", role=glimpse.role)
    if not glimpse.fresh:
        return Say("interlock.silent", role=glimpse.role)
    beyond = glimpse.end == ("high" if glimpse.is_vacuum else "low")
    if not glimpse.good and not beyond:
        return Say("interlock.doubtful", role=glimpse.role)
    return None


def _that_show(sight: Sight) -> Iterator[Glimpse]:
    """The gauges that show a pressure: a vacuum gauge above its range shows none."""
    yield from (g for g in sight if not (g.is_vacuum and g.end == "high"))


def _is_number(glimpse: Glimpse) -> bool:
    values = (glimpse.absolute_pa, glimpse.above_room_pa)
    return all(value is not None and math.isfinite(value) for value in values)
