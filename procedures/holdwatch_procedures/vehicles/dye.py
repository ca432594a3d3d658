"""Keeps the dye ledger: what is in a vehicle, whether to start with the lamp, what is too much."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.vehicles.job import WayIn
from holdwatch_procedures.vehicles.validation import VehicleError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from holdwatch_procedures.vehicles.job import DyeEntry

MOST_SHARE_OF_OIL: Final = 0.10
"""Dye over oil above which it is too much: it thins the oil. Common practice, no source."""
DAYS_TO_SHOW: Final = {
    WayIn.WITH_OIL: 1,
    WayIn.UNDER_VACUUM: 3,
    WayIn.RUNNING_LOW_SIDE: 3,
}
"""Days of ordinary use after which the lamp may show it. Common practice, no source."""


LAMP_FIRST = "Start with the ultraviolet lamp; protect the eyes from it."


@dataclass(frozen=True, slots=True)
class DyeAdvice:
    """What the ledger says on a day.

    Attributes:
        start_with_lamp: Dye is in the unit and had its time: look with the lamp first.
        in_unit: What was put in since the oil was last changed, oldest first.
        amount_ml: Sum of it.
        share_of_oil: That over the oil, None where the oil's amount is not known.
        too_much: Whether that is above what is usual; False too where it is not known.
        sentences: What to tell the mechanic.
    """

    start_with_lamp: bool
    in_unit: tuple[DyeEntry, ...]
    amount_ml: float
    share_of_oil: float | None
    too_much: bool
    sentences: tuple[str, ...]

    @property
    def lamp(self) -> str | None:
        """What to say where the lamp comes first; None where it does not."""
        return LAMP_FIRST if self.start_with_lamp else None


def dye_advice(
    ledger: Iterable[DyeEntry],
    *,
    on: date,
    oil_ml: float | None,
    oil_changed_on: date | None = None,
    cleaned_off: bool = True,
) -> DyeAdvice:
    """Return what the dye in a unit means for a visit.

    Args:
        ledger: Everything put in so far; entries after ``on`` are left out.
        on: Day of the visit.
        oil_ml: Amount of oil, ml.
        oil_changed_on: Day on which oil and dye went out together; None if never.
        cleaned_off: Whether dye of an earlier find was cleaned off the outside.
    """
    held = tuple(
        sorted(
            (
                entry
                for entry in ledger
                if entry.on <= on and (oil_changed_on is None or entry.on >= oil_changed_on)
            ),
            key=lambda entry: entry.on,
        )
    )
    amount = sum(entry.amount_ml for entry in held)
    share = None if oil_ml is None or oil_ml <= 0.0 else amount / oil_ml
    too_much = share is not None and share > MOST_SHARE_OF_OIL
    had_time = [entry for entry in held if (on - entry.on).days >= DAYS_TO_SHOW[entry.way]]
    return DyeAdvice(
        start_with_lamp=bool(had_time),
        in_unit=held,
        amount_ml=amount,
        share_of_oil=share,
        too_much=too_much,
        sentences=tuple(_sentences(held, had_time, share, too_much=too_much, clean=cleaned_off)),
    )


def too_much_after(
    ledger: Iterable[DyeEntry], *, more_ml: float, on: date, oil_ml: float | None
) -> str | None:
    """Return a warning if ``more_ml`` were put in on top, None where it would be usual.

    Raises:
        VehicleError: Nothing, or less, was to be put in.
    """
    if not more_ml > 0.0:
        raise VehicleError(f"the dye to put in must be above 0 ml, not {more_ml:g}")
    held = dye_advice(ledger, on=on, oil_ml=oil_ml)
    if held.share_of_oil is None or oil_ml is None:
        if held.amount_ml > 0.0:
            return (
                f"{held.amount_ml:g} ml of dye are in the unit already and its oil is not known: "
                "look with the lamp before adding more."
            )
        return None
    share = (held.amount_ml + more_ml) / oil_ml
    if share <= MOST_SHARE_OF_OIL:
        return None
    return (
        f"{held.amount_ml + more_ml:g} ml of dye would be {100 * share:.0f} % of {oil_ml:g} ml "
        f"oil; more than {100 * MOST_SHARE_OF_OIL:.0f} % thins it (common practice, no source)."
    )


def _sentences(
    held: tuple[DyeEntry, ...],
    had_time: list[DyeEntry],
    share: float | None,
    *,
    too_much: bool,
    clean: bool,
) -> list[str]:
    if not held:
        return ["No dye is known to be in this unit."]
    newest = held[-1]
    told = [
        f"{newest.amount_ml:g} ml of {newest.dye} went in on {newest.on.isoformat()}, {newest.way}."
    ]
    if had_time:
        told.append(LAMP_FIRST)
    else:
        told.append("It has hardly had time to come out: nothing under the lamp says little.")
    if not clean:
        told.append("Dye of an earlier find was not cleaned off: only fresh dye counts.")
    if too_much and share is not None:
        told.append(
            f"The dye is {100 * share:.0f} % of the oil, more than {100 * MOST_SHARE_OF_OIL:.0f} % "
            "(common practice, no source): add none; consider an oil change."
        )
    return told
