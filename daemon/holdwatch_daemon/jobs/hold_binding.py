"""Binds a hold to a job from its bay: at once where it has its verdict, else when it comes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.jobs.access import Page
from holdwatch_daemon.jobs.changes import change_job
from holdwatch_daemon.jobs.holds import check_bindable, hold_entry
from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.transactions import named_rows
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.vehicles import (
    WHOLE,
    BindHold,
    NotKnownError,
    RefusedError,
    RemoveRow,
    VehicleError,
    with_hold,
)

if TYPE_CHECKING:
    import sqlite3

    from holdwatch_daemon.store.events import Telling
    from holdwatch_daemon.store.vehicles import StoredVehicle
    from holdwatch_procedures.vehicles import Tables

_MOST_NAMED = 8


@dataclass(frozen=True, slots=True)
class Binding:
    """What a hold is bound to.

    Attributes:
        work_order: The visit's number.
        section: The part that was held alone; None for what the hold was started for.
        after_repair: It proves a repair; None says so where a repair is written down.
    """

    work_order: str
    section: str | None = None
    after_repair: bool | None = None


def bind(
    telling: Telling, tables: Tables, hold_id: str, binding: Binding, *, utc_ns: int, by: str
) -> str:
    """Bind a hold to an open visit of its unit; return what to say.

    A hold that still runs is written into the visit together with its verdict. One that is
    bound to another open visit is taken out of that.

    Args:
        telling: The transaction.
        tables: The shop's tables, read before the transaction began.
        hold_id: The hold.
        binding: What it is bound to.
        utc_ns: Now.
        by: Where the command came from.

    Raises:
        VehicleError: No such visit, a closed one, one of another unit; names those that are open.
    """
    with named_rows(telling.connection):
        page = Page(telling, utc_ns)
        _check_open(page, hold_id, binding.work_order)
        section = binding.section or _section_of(telling.connection, hold_id)
        said = Binding(binding.work_order, section, binding.after_repair)
        bound = stored_vehicles.job_of_hold(telling.connection, hold_id)
        if bound == binding.work_order:
            return f"It is bound to work order {bound} already."
        if bound is not None:
            _take_out(page, tables, bound, hold_id)
        row = answers.hold(telling.connection, hold_id)
        runs = row is not None and row.ended is None
        if runs:
            story, _ = page.story(binding.work_order)
            check_bindable(page.connection, hold_id, story.unit)
            tables.tree(story.unit).place(section)
        else:
            change = BindHold(hold_id=hold_id, section=section, after_repair=binding.after_repair)
            change_job(page, tables, binding.work_order, change)
        rows.bind_work_order(telling.connection, hold_id, binding.work_order, rfc3339(utc_ns))
    text = f"Bound to work order {binding.work_order}."
    if runs:
        text = f"Bound to work order {binding.work_order}; its verdict will be written there."
    _tell(telling, hold_id, said, utc_ns, by, text)
    return text


def settle(telling: Telling, hold_id: str, utc_ns: int) -> None:
    """Write a hold that has just got its verdict into the visit that it was bound to before.

    Never raises for the story's sake: the verdict of the same transaction must be kept.

    Args:
        telling: The transaction of the verdict.
        hold_id: The hold.
        utc_ns: Now.
    """
    connection = telling.connection
    work_order = answers.work_order_of(connection, hold_id)
    if work_order is None or stored_vehicles.job_of_hold(connection, hold_id) is not None:
        return
    connection.execute("SAVEPOINT binding")
    try:
        with named_rows(connection):
            page = Page(telling, utc_ns)
            _check_open(page, hold_id, work_order)
            _write(page, hold_id, _as_bound(connection, hold_id, work_order))
    except VehicleError as error:
        connection.execute("ROLLBACK TO binding")
        text = f"It could not be written into work order {work_order}: {error}"
        data = {"hold": hold_id, "work_order": work_order, "text": text}
        telling.tell(
            Draft("holdwatch.hold.noted", utc_ns, data, _bay_of(telling, hold_id), hold_id)
        )
    finally:
        connection.execute("RELEASE binding")


def _write(page: Page, hold_id: str, binding: Binding) -> None:
    """Write a hold into its job; the section was looked up in the tables when it was bound."""
    story, job = page.story(binding.work_order)
    check_bindable(page.connection, hold_id, story.unit)
    is_proof = bool(job.repairs) if binding.after_repair is None else binding.after_repair
    section = binding.section or WHOLE
    entry = hold_entry(page.connection, hold_id, section=section, after_repair=is_proof)
    page.put_visit(
        with_hold(job, story.unit, entry), f"hold {hold_id} of {section}: {entry.outcome}"
    )


def _check_open(page: Page, hold_id: str, number: str) -> None:
    stored = stored_vehicles.vehicle_of_job(page.connection, number)
    hint = _open_ones(page, hold_id)
    if stored is None:
        raise NotKnownError(f"There is no work order {number!r}; {hint}.")
    _, order = page.story(number)
    if order.closed_on is not None:
        raise RefusedError(f"Work order {number} was closed on {order.closed_on}; {hint}.")


def _open_ones(page: Page, hold_id: str) -> str:
    """Which visits are open, those of the hold's own unit where that is known."""
    row = answers.hold(page.connection, hold_id)
    stored: StoredVehicle | None = None
    if row is not None and row.unit:
        stored = stored_vehicles.vehicle_named(page.connection, row.unit)
    numbers = ", ".join(
        stored_vehicles.open_jobs(
            page.connection, None if stored is None else stored.id, limit=_MOST_NAMED
        )
    )
    of = "" if stored is None else f" of {stored.vehicle.name}"
    return f"open{of}: {numbers}" if numbers else f"no work order{of} is open"


def _take_out(page: Page, tables: Tables, number: str, hold_id: str) -> None:
    _, order = page.story(number)
    if order.closed_on is not None:
        raise RefusedError(f"It is bound to work order {number}, which is closed.")
    position = next(k for k, hold in enumerate(order.holds) if hold.hold_id == hold_id)
    change_job(page, tables, number, RemoveRow(field="holds", position=position))


def _section_of(connection: sqlite3.Connection, hold_id: str) -> str:
    """The section that a hold was started for, as the event of its beginning says."""
    for event in answers.hold_events(connection, hold_id):
        if event.type == "holdwatch.hold.started":
            return str(event.data.get("section") or WHOLE)
    return WHOLE


def _as_bound(connection: sqlite3.Connection, hold_id: str, work_order: str) -> Binding:
    """The newest binding of a hold, as its event says."""
    section, after_repair = _section_of(connection, hold_id), None
    for event in answers.hold_events(connection, hold_id):
        if event.data.get("work_order") == work_order and "section" in event.data:
            section, after_repair = str(event.data["section"]), event.data.get("after_repair")
    return Binding(work_order, section, after_repair)


def _bay_of(telling: Telling, hold_id: str) -> str | None:
    row = telling.connection.execute("SELECT bay FROM holds WHERE id = ?", (hold_id,)).fetchone()
    return None if row is None else str(row[0])


def _tell(
    telling: Telling, hold_id: str, binding: Binding, utc_ns: int, by: str, text: str
) -> None:
    data: dict[str, Any] = {
        "hold": hold_id,
        "work_order": binding.work_order,
        "section": binding.section,
        "text": text,
        "by": by,
    }
    if binding.after_repair is not None:
        data["after_repair"] = binding.after_repair
    telling.tell(Draft("holdwatch.hold.noted", utc_ns, data, _bay_of(telling, hold_id), hold_id))
