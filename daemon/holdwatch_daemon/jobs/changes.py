"""What is written down at a visit: each change made inside a transaction, whoever asks for it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_daemon.jobs.holds import check_bindable, hold_entry, store_trace
from holdwatch_daemon.jobs.photos import check_stored
from holdwatch_daemon.store import story_rows
from holdwatch_procedures.vehicles.charge_history import at_noon
from holdwatch_procedures.vehicles.dye import too_much_after
from holdwatch_procedures.vehicles.follow_through import check_closable
from holdwatch_procedures.vehicles.job import Finding, Job
from holdwatch_procedures.vehicles.overview import dye_ledger, open_points_of
from holdwatch_procedures.vehicles.suspects import weigh
from holdwatch_procedures.vehicles.validation import (
    NotKnownError,
    RefusedError,
    VehicleError,
    load_row,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Mapping
    from datetime import date

    from holdwatch_daemon.jobs.book import Page, Story
    from holdwatch_daemon.jobs.desk import StoryDesk
    from holdwatch_daemon.jobs.holds import JudgedTrace
    from holdwatch_procedures.vehicles.vehicle import Vehicle


def open_visit(page: Page, vehicle: str, *, complaint: str, number: str | None, on: date) -> str:
    """Begin a visit; return its number.

    Raises:
        VehicleError: No such vehicle, or a number that is taken.
    """
    unit = page.unit(vehicle).unit
    given = number or story_rows.new_number(page.connection, on.year)
    if story_rows.unit_of_work_order(page.connection, given) is not None:
        raise RefusedError(f"there is a visit {given} already: choose another number")
    fields = {"number": given, "unit": unit.name, "opened_on": on, "complaint": complaint}
    page.put_visit(load_row(Job, fields, where="visit"), "visit opened")
    return given


def add_row(
    desk: StoryDesk, page: Page, name: str, field: str, row: Mapping[str, Any] | str, what: str
) -> tuple[Story, Job]:
    """Write one row more into an open visit; return the story as it then is.

    Args:
        desk: Where.
        page: The transaction.
        name: The visit's number, or the vehicle with one open visit.
        field: The field of ``Job``.
        row: The row.
        what: What was done, for people and events.

    Raises:
        VehicleError: No such visit, one that is closed, or a row that is wrong.
    """

    def change(_story: Story, order: Job) -> Mapping[str, Any]:
        known = order.model_dump(mode="json")[field]
        return {field: [*known, row]}

    story, order = change_visit(page, name, change, what)
    check_places(desk, story, order)
    return story, order


def drop_row(page: Page, name: str, field: str, position: int) -> tuple[Story, Job]:
    """Take one row out of an open visit, to mend what was written down.

    Args:
        page: The transaction.
        name: The visit's number, or the vehicle with one open visit.
        field: The field of ``Job``.
        position: Which row, counted from 0.

    Raises:
        VehicleError: No such visit or row, or a visit that is closed.
    """

    def change(_story: Story, order: Job) -> Mapping[str, Any]:
        known = order.model_dump(mode="json")[field]
        if not 0 <= position < len(known):
            raise NotKnownError(f"visit {order.number} has no {field} number {position}")
        return {field: [*known[:position], *known[position + 1 :]]}

    return change_visit(page, name, change, f"{field}: one taken out")


def add_finding(
    desk: StoryDesk, page: Page, name: str, row: Mapping[str, Any]
) -> tuple[Story, Job]:
    """Write a finding into an open visit; its pictures must be stored already.

    Raises:
        VehicleError: No such visit, one that is closed, or a finding that the tables do not know.
    """
    finding = load_row(Finding, row, where="finding")
    weigh(finding, desk.tables.likelihoods)  # means and conditions must be in the table
    check_stored(page.connection, finding.photographs)
    words = "found" if finding.points == "for" else "nothing found"
    what = f"{finding.place} by {finding.means}: {words}"
    return add_row(desk, page, name, "findings", finding.model_dump(mode="json"), what)


def dye_warning(story: Story, *, more_ml: float, on: date) -> str | None:
    """Return a warning of too much dye in a vehicle, None where it would be usual.

    Raises:
        VehicleError: Nothing, or less, was to be put in.
    """
    oil_ml = story.unit.oil.amount_ml
    return too_much_after(dye_ledger(story.visits), more_ml=more_ml, on=on, oil_ml=oil_ml)


def answer_point(
    desk: StoryDesk, page: Page, name: str, row: Mapping[str, Any]
) -> tuple[Story, Job]:
    """Answer a point of the follow-through, in place of an earlier answer to it.

    Raises:
        VehicleError: No such visit or point, or an answer that lacks its reason.
    """
    known = [point.key for point in desk.tables.follow_through.points]
    if row["point"] not in known:
        raise VehicleError(f"{row['point']!r} is no point: write one of {', '.join(known)}")

    def change(_story: Story, order: Job) -> Mapping[str, Any]:
        others = [a for a in order.model_dump(mode="json")["answers"] if a["point"] != row["point"]]
        return {"answers": [*others, row]}

    return change_visit(page, name, change, f"{row['point']}: {row['answer']}")


def close_visit(desk: StoryDesk, page: Page, name: str, *, on: date) -> tuple[Story, Job]:
    """Close a visit whose follow-through is answered.

    Raises:
        RefusedError: A point is open; names each.
        VehicleError: No such visit.
    """

    def change(story: Story, order: Job) -> Mapping[str, Any]:
        check_closable(open_points_of(order, story.unit, story.visits, desk.tables), order)
        return {"closed_on": on}

    return change_visit(page, name, change, "visit closed")


def reopen_visit(page: Page, name: str) -> tuple[Story, Job]:
    """Open a closed visit again, to mend what was written down.

    Raises:
        VehicleError: No such visit.
    """
    _, order = page.story(name)
    page.put_visit(order.model_copy(update={"closed_on": None}), "visit opened again")
    return page.story(order.number)


def bind_hold(
    desk: StoryDesk,
    page: Page,
    name: str,
    hold_id: str | None,
    *,
    section: str,
    after_repair: bool | None,
) -> tuple[Story, Job]:
    """Bind a hold of the store to a visit: the one named, else the newest of the vehicle.

    Args:
        desk: Where.
        page: The transaction.
        name: The visit's number, or the vehicle with one open visit.
        hold_id: The hold.
        section: The part that was held alone.
        after_repair: It proves a repair; None says so where a repair is written down.

    Raises:
        VehicleError: No such visit or hold, a hold of another vehicle, or one that is bound.
    """
    story, order = page.story(name)
    if hold_id is None:
        waiting = waiting_holds(page.connection, story.unit, limit=1)
        if not waiting:
            raise NotKnownError(
                f"no hold of {story.unit.name} waits to be bound: name its number, or bring a trace"
                " with its recipe",
                at_terminal="--trace and --recipe",
            )
        hold_id = waiting[0]
    check_bindable(page.connection, hold_id, story.unit)
    is_proof = bool(order.repairs) if after_repair is None else after_repair
    entry = hold_entry(page.connection, hold_id, section=section, after_repair=is_proof)
    what = f"hold {hold_id} of {section}: {entry.outcome}"
    return add_row(desk, page, order.number, "holds", entry.model_dump(mode="json"), what)


def bind_trace(
    desk: StoryDesk,
    page: Page,
    name: str,
    judged: JudgedTrace,
    *,
    section: str,
    after_repair: bool | None,
    on: date,
) -> tuple[Story, Job]:
    """Keep a judged trace as a hold of the store, and bind it to a visit.

    Raises:
        VehicleError: No such visit, one that is closed, or a section that the vehicle has not.
    """
    story, order = page.story(name)
    unit = story.unit.name
    started_utc_ns = int(at_noon(on).timestamp()) * 1_000_000_000
    hold_id = store_trace(page.connection, judged, unit=unit, started_utc_ns=started_utc_ns)
    return bind_hold(desk, page, order.number, hold_id, section=section, after_repair=after_repair)


def waiting_holds(connection: sqlite3.Connection, unit: Vehicle, *, limit: int) -> list[str]:
    """Return the holds of a unit that have ended and belong to no visit, the newest first."""
    names = {unit.name, unit.fleet_number, unit.plate, unit.vin} - {"", None}
    places = ", ".join("?" for _ in names)
    found = connection.execute(
        f"SELECT id FROM holds WHERE unit IN ({places}) AND ended IS NOT NULL"  # noqa: S608 - question marks only
        " AND id NOT IN (SELECT hold_id FROM visit_holds) ORDER BY rowid DESC LIMIT ?",
        (*names, limit),
    )
    return [str(row[0]) for row in found]


def change_visit(
    page: Page, name: str, change: Callable[[Story, Job], Mapping[str, Any]], what: str
) -> tuple[Story, Job]:
    """Change an open visit inside a transaction; return the story as it then is.

    Raises:
        RefusedError: The visit is closed.
        VehicleError: A row is wrong.
    """
    story, order = page.story(name)
    if order.closed_on is not None:
        raise RefusedError(
            f"visit {order.number} was closed on {order.closed_on}: open it again to mend it, or "
            "open a new one",
            at_terminal=f"holdwatch visit reopen {order.number}, holdwatch visit open "
            f"{story.unit.name}",
        )
    fields = order.model_dump(mode="json") | dict(change(story, order))
    page.put_visit(load_row(Job, fields, where=f"visit {order.number}"), what)
    return page.story(order.number)


def check_places(desk: StoryDesk, story: Story, order: Job) -> None:
    """Refuse places that the unit's component tree does not have.

    Raises:
        VehicleError: Names the place and those there are.
    """
    tree = desk.tables.tree(story.unit)
    places = [finding.place for finding in order.findings]
    places += [repair.place for repair in order.repairs]
    places += [hold.section for hold in order.holds]
    for place in places:
        tree.place(place)
