"""Checks whether a bay, as it stands now, can carry a hold: its gauges and its pressure."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from holdwatch_physics.reading import Quality, Role, role_of
from holdwatch_physics.units import gauge_pa
from holdwatch_procedures.evacuation import PUMP_OPENS_BELOW_PA

if TYPE_CHECKING:
    from collections.abc import Collection

    from holdwatch_daemon.bays.bay import Bay

Procedure = Literal["standing-vacuum", "pressure-decay"]


def unmet_precondition(bay: Bay, procedure: Procedure, stale: Collection[str]) -> str | None:
    """Return why a hold must not begin in a bay, in one sentence; None where it may.

    Args:
        bay: The bay.
        procedure: What is to be done.
        stale: Roles without a fresh reading; theirs say nothing.
    """
    meant = {role: role_of(role) for role in bay.roles}
    on_unit = {role for role, kind in meant.items() if kind and _measures_unit(kind)}
    if not on_unit:
        return f"No gauge has a role in {bay.label}; bind one in its [[bay]]."
    if procedure == "pressure-decay":
        if all(meant[role] is Role.VACUUM for role in on_unit):
            return (
                f"No pressure gauge has a role in {bay.label}: a vacuum gauge cannot read "
                "nitrogen. Bind a gauge as low_side or high_side in its [[bay]]."
            )
        return None
    if not any(meant[role] is Role.VACUUM or role in bay.absolute for role in on_unit):
        return (
            f"No vacuum gauge has a role in {bay.label}: what stands above a vacuum cannot be "
            "read. Bind one as vacuum in its [[bay]]."
        )
    pressed = _most_above_room_pa(bay, on_unit.difference(stale))
    if pressed is not None and pressed[1] > PUMP_OPENS_BELOW_PA:
        role, gauge_pa = pressed
        return (
            f"{bay.label} is under pressure, {gauge_pa / 1e3:.0f} kPa (gauge) on "
            f"{role.replace('_', ' ')}: recover or relieve it before a pump is opened to it."
        )
    return None


def _measures_unit(role: Role) -> bool:
    return role.is_pressure and role is not Role.BAROMETER


def _most_above_room_pa(bay: Bay, roles: Collection[str]) -> tuple[str, float] | None:
    """Return the role and value of the highest pressure above the room's, Pa."""
    above: list[tuple[float, str]] = []
    for role in roles:
        reading = bay.newest.get(role)
        if reading is None or role_of(role) is Role.VACUUM:
            continue
        if reading.quality not in {Quality.GOOD, Quality.SATURATED}:
            continue
        above.append((gauge_pa(reading.value, reading.quantity, bay.barometer_pa()), role))
    if not above:
        return None
    most_pa, role = max(above)
    return role, most_pa
