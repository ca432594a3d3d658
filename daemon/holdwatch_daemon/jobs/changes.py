"""Changes vehicles and jobs inside a transaction of the store's writer.

What a change does is said by ``procedures.vehicles.changes``; here it meets the store: the job is
read, holds and pictures that it names are looked up, and the job is written whole with its event.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.jobs.holds import check_bindable, hold_entry, store_trace
from holdwatch_daemon.jobs.photos import check_stored
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_procedures.vehicles import (
    WHOLE,
    AddDye,
    AddFinding,
    AddHold,
    BindHold,
    InternalVolume,
    Job,
    NotKnownError,
    RefusedError,
    Vehicle,
    VehicleError,
    apply_change,
    at_noon,
    dye_ledger,
    load_row,
    too_much_after,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping
    from datetime import date

    from holdwatch_daemon.jobs.access import Page, Story
    from holdwatch_daemon.jobs.holds import JudgedTrace
    from holdwatch_procedures.vehicles import Act, Change, ExpandedVolume, Tables


@dataclass(frozen=True, slots=True)
class TraceToBind:
    """A trace that was judged, to be kept as a hold of the store and bound to a job."""

    judged: JudgedTrace
    on: date
    section: str = WHOLE
    after_repair: bool | None = None
    change: str = "trace"
    done: str = "The trace is kept as a hold, and bound."
    act: Act | None = None


def open_job(page: Page, vehicle: str, *, complaint: str, number: str | None, on: date) -> str:
    """Begin a job; return its number.

    Raises:
        VehicleError: No such vehicle, or a number that is taken.
    """
    unit = page.unit(vehicle).vehicle
    given = number or stored_vehicles.new_number(page.connection, on.year)
    if stored_vehicles.vehicle_of_job(page.connection, given) is not None:
        raise RefusedError(f"there is a visit {given} already: choose another number")
    fields = {"number": given, "unit": unit.name, "opened_on": on, "complaint": complaint}
    page.put_visit(load_row(Job, fields, where="visit"), "visit opened")
    return given


def change_job(
    page: Page, tables: Tables, name: str, change: Change | TraceToBind
) -> tuple[Story, Job]:
    """Change a job; return its vehicle's history with it, as both then are.

    Args:
        page: The transaction.
        tables: The shop's tables.
        name: The job's number, or the vehicle with one open job.
        change: The change, or a judged trace that becomes a hold of the store first.

    Raises:
        RefusedError: The job is closed, or may not close yet.
        VehicleError: No such job, hold, picture, place, means or point.
    """
    story, job = page.story(name)
    if isinstance(change, TraceToBind):
        change = _store_trace(page, story, change)
    if isinstance(change, BindHold):
        change = _looked_up(page, story, job, change)
    if isinstance(change, AddFinding):
        check_stored(page.connection, change.row.photographs)
    made = apply_change(job, change, story.unit, story.visits, tables)
    page.put_visit(made, change.what, change=change.model_dump(mode="json"))
    return story.with_job(made), made


def dye_warning(story: Story, change: AddDye) -> str | None:
    """Return a warning of too much dye in a vehicle, None where it would be usual."""
    return too_much_after(
        dye_ledger(story.visits),
        more_ml=change.row.amount_ml,
        on=change.row.on,
        oil_ml=story.unit.oil.amount_ml,
    )


def waiting_holds(connection: sqlite3.Connection, vehicle: Vehicle, *, limit: int) -> list[str]:
    """Return the holds of a vehicle that have ended and belong to no job, the newest first."""
    names = {vehicle.name, vehicle.fleet_number, vehicle.plate, vehicle.vin} - {"", None}
    places = ", ".join(["?"] * len(names))
    found = connection.execute(
        f"SELECT id FROM holds WHERE unit IN ({places}) AND ended IS NOT NULL"  # noqa: S608 - question marks only
        " AND id NOT IN (SELECT hold_id FROM job_holds) ORDER BY rowid DESC LIMIT ?",
        (*names, limit),
    )
    return [str(row[0]) for row in found]


def add_vehicle(page: Page, tables: Tables, fields: Mapping[str, Any]) -> Vehicle:
    """Write a new vehicle.

    Raises:
        VehicleError: A field is wrong, or an identifier is another vehicle's.
    """
    vehicle = load_row(Vehicle, fields, where="vehicle")
    _check_sections(tables, vehicle)
    page.put_unit(vehicle)
    return vehicle


def change_vehicle(page: Page, tables: Tables, name: str, fields: Mapping[str, Any]) -> Vehicle:
    """Change what was said of a vehicle; the rest stays, also of its oil and own places.

    Raises:
        VehicleError: No such vehicle, nothing to change, or a field that is wrong.
    """
    stored = page.unit(name)
    if not fields:
        raise VehicleError("nothing to change was given")
    known = stored.vehicle.model_dump(mode="json")
    merged = known | dict(fields)
    for part in ("oil", "own_places", "section_volumes"):
        if isinstance(merged.get(part), dict) and part in known:
            merged[part] = known[part] | merged[part]
    vehicle = load_row(Vehicle, merged, where=f"vehicle {stored.vehicle.name}")
    _check_sections(tables, vehicle)
    page.put_unit(vehicle, f"changed: {', '.join(sorted(fields))}", unit_id=stored.id)
    return vehicle


def keep_volume(
    page: Page,
    tables: Tables,
    name: str,
    found: ExpandedVolume,
    *,
    on: date,
    section: str = WHOLE,
) -> InternalVolume:
    """Keep a measured volume for every later hold of the vehicle, or of one of its sections.

    Raises:
        VehicleError: No such vehicle or section, or a volume so uncertain that a class serves
            better.
    """
    stored = page.unit(name)
    volume = found.as_internal_volume(on)
    if section == WHOLE:
        changed: dict[str, object] = {"volume": volume}
        what = "volume measured"
    else:
        changed = {"section_volumes": {**stored.vehicle.section_volumes, section: volume}}
        what = f"volume of {section} measured"
    vehicle = stored.vehicle.model_copy(update=changed)
    _check_sections(tables, vehicle)
    page.put_unit(vehicle, what, unit_id=stored.id)
    return volume


def _check_sections(tables: Tables, vehicle: Vehicle) -> None:
    """Refuse own places and sections that do not fit the vehicle's component tree."""
    tree = tables.tree(vehicle)
    for section in vehicle.section_volumes:
        tree.place(section)


def _looked_up(page: Page, story: Story, job: Job, asked: BindHold) -> AddHold:
    """Return the change that adds a hold, with what the store has of its verdict."""
    hold_id = asked.hold_id
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
    is_proof = bool(job.repairs) if asked.after_repair is None else asked.after_repair
    return AddHold(
        row=hold_entry(page.connection, hold_id, section=asked.section, after_repair=is_proof)
    )


def _store_trace(page: Page, story: Story, brought: TraceToBind) -> BindHold:
    started_utc_ns = int(at_noon(brought.on).timestamp()) * 1_000_000_000
    hold_id = store_trace(
        page.connection, brought.judged, unit=story.unit.name, started_utc_ns=started_utc_ns
    )
    return BindHold(hold_id=hold_id, section=brought.section, after_repair=brought.after_repair)
