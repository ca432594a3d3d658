"""Evaluates a vehicle's jobs together: dye, sections, suspects, balance, open points, report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.vehicles.charge_history import last_repair, unit_balance
from holdwatch_procedures.vehicles.components import ComponentTree, component_tree, tree_of
from holdwatch_procedures.vehicles.dye import DyeAdvice, dye_advice
from holdwatch_procedures.vehicles.follow_through import (
    FollowThrough,
    OpenPoint,
    follow_through,
    open_points,
)
from holdwatch_procedures.vehicles.report import build_report
from holdwatch_procedures.vehicles.sections import read_sections
from holdwatch_procedures.vehicles.suspects import (
    Likelihoods,
    likelihoods,
    next_checks,
    rank,
    still_standing,
)
from holdwatch_procedures.vehicles.vehicle import VolumeClasses, volume_classes

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from holdwatch_procedures.vehicles.balance import Balance
    from holdwatch_procedures.vehicles.job import DyeEntry, Finding, Job
    from holdwatch_procedures.vehicles.report import CurvePointRow, Report
    from holdwatch_procedures.vehicles.sections import SectionReading
    from holdwatch_procedures.vehicles.suspects import Check, Ranking
    from holdwatch_procedures.vehicles.vehicle import Vehicle

FILES: Final = (
    "components.toml",
    "likelihoods.toml",
    "follow_through.toml",
    "volume_classes.toml",
)
"""The tables that a shop may keep a copy of and edit."""


@dataclass(frozen=True, slots=True)
class Tables:
    """The tables that a story is judged by."""

    components: ComponentTree
    likelihoods: Likelihoods
    follow_through: FollowThrough
    volume_classes: VolumeClasses

    def tree(self, unit: Vehicle) -> ComponentTree:
        """Return the component tree of one unit."""
        return tree_of(unit, self.components)


def read_tables(texts: Mapping[str, str] | None = None) -> Tables:
    """Return the tables, each from the text of its file where one is given, else as shipped.

    Args:
        texts: TOML text by the name of the file (``FILES``).

    Raises:
        VehicleError: A text is no such table; names the file.
    """
    own = texts or {}
    names = dict(zip(("components", "likelihoods", "follow", "volumes"), FILES, strict=True))
    return Tables(
        component_tree(own.get(names["components"]), where=names["components"]),
        likelihoods(own.get(names["likelihoods"]), where=names["likelihoods"]),
        follow_through(own.get(names["follow"]), where=names["follow"]),
        volume_classes(own.get(names["volumes"]), where=names["volumes"]),
    )


def sections_of(visit: Job, unit: Vehicle, tables: Tables) -> SectionReading | None:
    """Return what the holds on sections said before a repair; None without a hold on a part.

    Raises:
        VehicleError: A section that is not in the tree.
    """
    tree = tables.tree(unit)
    root = tree.root
    holds = [
        hold
        for hold in visit.holds
        if not hold.after_repair and (hold.procedure == "pressure-decay" or hold.section != root)
    ]
    if all(hold.section == root for hold in holds):
        return None
    return read_sections(holds, tree, limit_g_per_year=unit.law_g_per_year)


def evidence_of(visit: Job, unit: Vehicle, tables: Tables) -> tuple[Finding, ...]:
    """Return a visit's findings with what its sections add to them."""
    read = sections_of(visit, unit, tables)
    if read is None:
        return visit.findings
    day = max(hold.on for hold in visit.holds if not hold.after_repair)
    return (*visit.findings, *read.findings(day))


def suspects(
    unit: Vehicle,
    visits: Sequence[Job],
    tables: Tables,
    *,
    searching: str | None = None,
) -> Ranking:
    """Return the ranked suspects after some visits.

    Args:
        unit: The unit.
        visits: Its visits, the oldest first.
        tables: The shop's tables.
        searching: Number of a visit whose repairs are left out: what it stood at before them.

    Raises:
        VehicleError: A place, means or condition that is not in the tables.
    """
    seen = [
        visit.model_copy(
            update={
                "findings": evidence_of(visit, unit, tables),
                "repairs": () if visit.number == searching else visit.repairs,
            }
        )
        for visit in visits
    ]
    tree = tables.tree(unit)
    return rank(still_standing(seen, tree), tree, tables.likelihoods)


def best_checks(
    ranking: Ranking, unit: Vehicle, visits: Iterable[Job], tables: Tables
) -> tuple[Check, ...]:
    """Return the checks not made yet, the one that would tell most first."""
    has_dye = any(visit.dye for visit in visits)
    return next_checks(ranking, tables.tree(unit), tables.likelihoods, dye_in=has_dye)


def dye_on(day: date, unit: Vehicle, visits: Sequence[Job]) -> DyeAdvice:
    """Return what the dye put in at all visits means on a day."""
    return dye_advice(
        dye_ledger(visits), on=day, oil_ml=unit.oil.amount_ml, cleaned_off=_is_clean(visits)
    )


def dye_ledger(visits: Iterable[Job]) -> tuple[DyeEntry, ...]:
    """Return everything that was put in, in the order of the visits."""
    return tuple(entry for visit in visits for entry in visit.dye)


def _is_clean(visits: Sequence[Job]) -> bool:
    """Whether the dye was cleaned off after the newest repair of a unit with dye in it."""
    clean = True
    for count, visit in enumerate(visits, start=1):
        if visit.repairs and dye_ledger(visits[:count]):
            said = {answer.point: answer.answer for answer in visit.answers}
            clean = said.get("clean-dye") == "done"
    return clean


def balance_after(
    unit: Vehicle, visits: Sequence[Job], *, searching: str | None = None
) -> Balance | None:
    """Return the charge balance since the last repair; None where nothing pairs.

    Args:
        unit: The unit.
        visits: Its visits, the oldest first.
        searching: Number of a visit whose own repair does not count: what led to it.

    Raises:
        VehicleError: Weighings that cannot be.
    """
    since = last_repair(visit for visit in visits if visit.number != searching)
    return unit_balance(unit, visits, since=since)


def open_points_of(
    visit: Job, unit: Vehicle, visits: Sequence[Job], tables: Tables
) -> list[OpenPoint]:
    """Return what a visit must still answer before it closes."""
    before = [one for one in visits if one.number != visit.number]
    held = any(entry.on <= visit.opened_on for entry in dye_ledger(before))
    return open_points(visit, unit, tables.follow_through, dye_in_unit=held)


def report_of(
    visit: Job,
    unit: Vehicle,
    visits: Sequence[Job],
    tables: Tables,
    *,
    made_on: date,
    version: str,
    curves: Mapping[str, Sequence[CurvePointRow]],
) -> Report:
    """Return the report of a visit by what was known at it: later visits change nothing of it.

    Raises:
        VehicleError: Rows that the tables do not know.
    """
    numbers = [one.number for one in visits]
    history = visits[: numbers.index(visit.number) + 1]
    looked = any(one.findings or one.holds for one in history)
    return build_report(
        unit,
        visit,
        history=history,
        tree=tables.tree(unit),
        table=tables.likelihoods,
        made_on=made_on,
        version=version,
        balance=balance_after(unit, history, searching=visit.number),
        ranking=suspects(unit, history, tables, searching=visit.number) if looked else None,
        sections=sections_of(visit, unit, tables),
        curves=curves,
        open_points=[
            f"{point.key}: {point.missing}"
            for point in open_points_of(visit, unit, history, tables)
        ],
    )
