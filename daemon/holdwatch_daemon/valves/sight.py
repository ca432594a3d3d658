"""What a bay's gauges show of the unit, as the guard of its valve reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from holdwatch_physics.reading import Quality, Role, role_of
from holdwatch_physics.units import absolute_pa, gauge_pa
from holdwatch_procedures.evacuation import Glimpse

if TYPE_CHECKING:
    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.evacuation import Sight


def sight_of(bay: Bay, now_mono_ns: int, allowance_ns: int) -> Sight:
    """Return every gauge on the unit, bound or not yet heard.

    Args:
        bay: The bay.
        now_mono_ns: Monotonic time now.
        allowance_ns: Added to each gauge's age limit.
    """
    stale = bay.stale_roles(now_mono_ns, allowance_ns)
    room_pa = bay.barometer_pa()
    return tuple(
        _glimpse(bay, role, room_pa, fresh=role not in stale)
        for role in bay.roles
        if (meant := role_of(role)) is not None and meant.is_pressure and meant != Role.BAROMETER
    )


def _glimpse(bay: Bay, role: str, room_pa: float, *, fresh: bool) -> Glimpse:
    is_vacuum = role_of(role) is Role.VACUUM
    reading = bay.newest.get(role)
    if reading is None:
        return Glimpse(role, is_vacuum, None, None, fresh=False, good=False)
    return Glimpse(
        role,
        is_vacuum,
        absolute_pa=absolute_pa(reading.value, reading.quantity, room_pa),
        above_room_pa=gauge_pa(reading.value, reading.quantity, room_pa),
        fresh=fresh,
        good=reading.quality is Quality.GOOD,
        end=_end(bay, role, reading),
        read_ns=reading.mono_ns,
    )


def _end(bay: Bay, role: str, reading: Reading) -> Literal["low", "high"] | None:
    """The end of the range at which a saturated reading stands; None where no range is known."""
    span = bay.ranges.get(role)
    if span is None or reading.quality is not Quality.SATURATED:
        return None
    return "high" if reading.value > 0.5 * (span[0] + span[1]) else "low"
