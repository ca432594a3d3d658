"""Selects the gauge that shows a line's pressure: vacuum gauge and pressure gauges take turns."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_physics.reading import Quality, Role, role_of
from holdwatch_physics.units import absolute_pa

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdwatch_physics.reading import Reading

UNDER_PRESSURE_PA: Final = 20_000.0
"""How far a pressure gauge must read above the vacuum gauge's range before it alone counts, Pa:
more than a field gauge errs near its zero (common practice, no source)."""
UNKNOWN_TOP_PA: Final = 20_000.0
"""Where a vacuum gauge's range is not known, it is taken to end here: gauges of this trade end
between 2.7 and 13 kPa, few reach the room's pressure (common practice, no source)."""
_BACK_SHARE: Final = 0.9
"""A vacuum gauge that was beyond its range counts again below this share of it."""


@dataclass(frozen=True, slots=True)
class GaugeSelection:
    """The gauge whose reading counts, and those that are outside their range.

    Attributes:
        pressure_role: The role whose gauge tells the line's pressure; None where none does.
        out_of_range: Roles whose gauge is outside its range while another counts: not shown, and
            not missed.
        under_pressure: Whether a pressure gauge says that the line is above the vacuum gauge's
            range.
    """

    pressure_role: str | None
    out_of_range: frozenset[str]
    under_pressure: bool


class GaugeSelector:
    """Decides for one bay; remembers which one counted, so that the two do not flicker.

    Args:
        roles: Role name → the range of its gauge as recorded (lowest, end), Pa absolute or
            gauge as the gauge reads; None where unknown.
    """

    def __init__(self, roles: Mapping[str, tuple[float, float] | None]) -> None:
        self._vacuum = [role for role in roles if role_of(role) is Role.VACUUM]
        self._pressure = [
            role for role in roles if role_of(role) in {Role.LOW_SIDE, Role.HIGH_SIDE}
        ]
        self._ranges = dict(roles)
        self._vacuum_counted: set[str] = set()

    def select(self, newest: Mapping[str, Reading], barometer_pa: float) -> GaugeSelection:
        """Return the gauge that counts now.

        Args:
            newest: Role → its newest reading, fresh ones only.
            barometer_pa: The room's pressure, Pa.
        """
        absolute = {
            role: absolute_pa(reading.value, reading.quantity, barometer_pa)
            for role, reading in newest.items()
            if reading.quality in {Quality.GOOD, Quality.SUSPECT}
            or (reading.quality is Quality.SATURATED and role in self._pressure)
        }
        tops = [self._top(role) for role in self._vacuum]
        limit = max(tops, default=UNKNOWN_TOP_PA) + UNDER_PRESSURE_PA
        under_pressure = any(
            absolute[role] > limit and not self._is_below_its_range(newest[role], role)
            for role in self._pressure
            if role in absolute
        )
        reading_vacuum = [role for role in self._vacuum if self._in_range(role, absolute)]
        self._vacuum_counted = set(reading_vacuum)
        pressing = [
            role
            for role in self._pressure
            if role in absolute and not self._is_below_its_range(newest[role], role)
        ]
        if reading_vacuum and not under_pressure:
            silent = {role for role in self._pressure if role not in pressing}
            return GaugeSelection(reading_vacuum[0], frozenset(silent), under_pressure=False)
        if pressing:
            silent = {role for role in self._vacuum if role not in reading_vacuum}
            return GaugeSelection(pressing[0], frozenset(silent), under_pressure)
        return GaugeSelection(None, frozenset(), under_pressure)

    def _top(self, role: str) -> float:
        known = self._ranges.get(role)
        return UNKNOWN_TOP_PA if known is None else known[1]

    def _in_range(self, role: str, absolute: Mapping[str, float]) -> bool:
        if role not in absolute:
            return False
        share = 1.0 if role in self._vacuum_counted else _BACK_SHARE
        return absolute[role] < share * self._top(role)

    def _is_below_its_range(self, reading: Reading, role: str) -> bool:
        """Whether a pressure gauge stands at its lowest value, as in a vacuum, or below it."""
        known = self._ranges.get(role)
        return known is not None and reading.value <= known[0]
