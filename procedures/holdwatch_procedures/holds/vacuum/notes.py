"""What a standing vacuum's estimate names as found, and the sentences that go with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

CLEAR_WATER_PA = 100.0
CLEAR_RELEASE_PA = 5.0
NEAR_WATER = 0.5
ALWAYS = 3.46  # square root of the rise of χ² that holds at every look, at 1 %
SLOW_RELEASE = Say("vacuum.slow_release")


@dataclass(frozen=True, slots=True)
class Unseen:
    """What no data of one hold can show of its slope, Pa/s.

    Attributes:
        follows: Slope that water following the wall would add; true is 0 to 1 times it.
        water: Standard uncertainty for the rest of the water's drift.
        rounding: Standard uncertainty from readings that noise does not shake.
        total: Standard uncertainty of all but ``follows``.
    """

    follows: float
    water: float
    rounding: float
    total: float


def causes(
    *,
    low: float,
    limit: float,
    start_pa: float,
    desorption_pa: tuple[float, float],
    water_pa: float,
) -> tuple[Cause, ...]:
    """Name what the data shows: a straight part, and a decaying part with its likely source.

    Args:
        low: Deciding lower bound of the leak, Pa/s.
        limit: The criterion, Pa/s.
        start_pa: Pressure at the start, Pa.
        desorption_pa: Least and most desorption that the deciding bounds allow, Pa.
        water_pa: Vapour pressure of water at the coldest wall, Pa.

    Clearly more than 100 Pa is called moisture; where even the most of it stays below half the
    vapour pressure of water it is called outgassing (refrigerant out of oil) as well, because
    drying moisture and refrigerant look alike there.
    """
    least, most = desorption_pa
    found = [Cause.LEAK] if low > 0.1 * limit else []
    if least > CLEAR_WATER_PA:
        found.append(Cause.MOISTURE)
    if least > CLEAR_RELEASE_PA and start_pa + most < NEAR_WATER * water_pa:
        found.append(Cause.OUTGASSING)
    return tuple(found)


def notes(
    setup: VacuumSetup,
    low: float,
    unseen: Unseen,
    span_s: float,
    *,
    fallen: bool,
    thermometer: bool,
) -> Iterator[Say]:
    """Give the sentences that belong into the reasons of a verdict."""
    limit = setup.limit_pa_per_s
    if low > limit:
        yield SLOW_RELEASE
    if fallen:
        yield Say("vacuum.fell_in_part")
    if abs(unseen.follows) + ALWAYS * unseen.water > 0.3 * limit:
        yield Say("vacuum.water_drifts" if thermometer else "vacuum.water_unseen")
    coarse = setup.resolution_pa or 0.0
    if coarse >= 1.0 or ALWAYS * unseen.rounding > 0.25 * limit:
        least = 120.0 * coarse / span_s
        yield Say("vacuum.coarse_gauge", resolution_pa=coarse, least_pa_per_min=least)
