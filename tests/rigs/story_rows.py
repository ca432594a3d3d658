"""Rows that the tests of a story share."""

from __future__ import annotations

from holdwatch_procedures.vehicles.job import DyeEntry, HoldEntry

DAY = "2026-05-04"


def dye(ml: float, day: str, way: str = "into the running low side") -> DyeEntry:
    row = {"dye": "yellow dye for PAG", "amount_ml": ml, "on": day, "way": way}
    return DyeEntry.model_validate(row)


def hold(section: str, value: float, low: float, high: float, outcome: str) -> HoldEntry:
    row = {
        "hold_id": f"h-{section}",
        "on": DAY,
        "procedure": "pressure-decay",
        "outcome": outcome,
        "section": section,
        "g_per_year": value,
        "low": low,
        "high": high,
        "sentence": f"{section}: {outcome}",
    }
    return HoldEntry.model_validate(row)
