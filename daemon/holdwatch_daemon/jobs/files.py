"""Exports vehicles and their jobs as JSON or CSV, and imports such files.

What a file says of holds and of a job's end is held against the store.
"""

from __future__ import annotations

import csv
import io
import json
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

from holdwatch_daemon.jobs.access import Story
from holdwatch_daemon.jobs.holds import check_unit, hold_entry
from holdwatch_daemon.store import answers
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_procedures.vehicles import (
    Advice,
    Answer,
    DyeEntry,
    Finding,
    HoldEntry,
    Job,
    Part,
    RefusedError,
    Repair,
    Row,
    Vehicle,
    VehicleError,
    Weighing,
    check_closable,
    load_row,
    open_points_of,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping

    from holdwatch_daemon.jobs.access import Page, StoryBook
    from holdwatch_procedures.vehicles import Tables

_SAID_AT_BINDING: Final = frozenset({"section", "after_repair"})
"""What is said of a hold when it is bound to a visit; all else is what the store judged."""
FORMAT: Final = 1
"""Version of the JSON file."""
UNITS: Final = "units"
"""The table of the vehicles themselves."""
_ALL: Final = 10_000_000

Form = Literal["json", "csv"]
_MAPS: Final = ("own_places", "section_volumes")
"""Fields of a vehicle that are a JSON object in CSV."""
_JSON_LISTS: Final = frozenset({"misled_by", "photographs"})
"""Fields of a row that are a JSON list in CSV."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of thing that is written down at a job, each a table of its own in CSV.

    Attributes:
        field: The field of ``Job``, which is also the table's name.
        model: What a row is.
    """

    field: str
    model: type[Row]


KINDS: Final = (
    Kind("weighings", Weighing),
    Kind("holds", HoldEntry),
    Kind("findings", Finding),
    Kind("dye", DyeEntry),
    Kind("repairs", Repair),
    Kind("parts", Part),
    Kind("advice", Advice),
    Kind("answers", Answer),
)


def known_tables() -> tuple[str, ...]:
    """Return the names of the tables that a CSV file may hold."""
    return (UNITS, *(kind.field for kind in KINDS))


def stories_of(book: StoryBook, vehicle: str | None) -> list[Story]:
    """Return the stories of all vehicles, or of one.

    Raises:
        VehicleError: No such vehicle.
    """
    if vehicle is not None:
        return [book.story(vehicle)]
    return book.ask(lambda c: list(_stories(c)))


def export_text(stories: list[Story], form: Form, table: str) -> str:
    """Return stories as a file: everything as JSON, or one table as CSV.

    Raises:
        VehicleError: No such table.
    """
    kind = _kind(table)
    if form == "json":
        return json.dumps(_as_json(stories), ensure_ascii=False, indent=1) + "\n"
    return _as_csv(_csv_rows(stories, kind), _header(kind))


def take(
    page: Page, tables: Tables, text: str, form: Form, table: str, *, where: str
) -> tuple[int, int]:
    """Take a file in; return how many vehicles and visits it held.

    Args:
        page: The transaction: what a wrong row breaks off is undone with it.
        tables: The shop's, by which a visit may close.
        text: The file.
        form: What it is.
        table: Which table a CSV file holds.
        where: What a message names as the place.

    Raises:
        VehicleError: A row that cannot be, or that says other than this store of a hold or of a
            closed visit; names file and row.
    """
    kind = _kind(table)
    if form == "json":
        return _take_json(page, tables, text, where)
    try:
        return _take_csv(page, tables, text, where, kind)
    except csv.Error as error:
        raise VehicleError(f"{where}: this is not CSV: {error}") from error


def _kind(table: str) -> Kind | None:
    """Return the kind of a table's name, None for the units."""
    if table == UNITS:
        return None
    for kind in KINDS:
        if kind.field == table:
            return kind
    raise VehicleError(f"there is no table {table!r}: write one of {', '.join(known_tables())}")


def _stories(connection: sqlite3.Connection) -> Iterator[Story]:
    for stored in stored_vehicles.list_vehicles(connection, limit=_ALL):
        yield Story(stored.vehicle, tuple(stored_vehicles.jobs_of(connection, stored.id)))


def _as_json(stories: list[Story]) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "units": [story.unit.model_dump(mode="json") for story in stories],
        "work_orders": [
            visit.model_dump(mode="json") for story in stories for visit in story.visits
        ],
    }


def _header(kind: Kind | None) -> list[str]:
    if kind is None:
        unit = Vehicle.model_construct(fleet_number="", refrigerant="")
        return list(_columns_of(unit))
    return ["unit", "visit", *kind.model.model_fields]


def _csv_rows(stories: list[Story], kind: Kind | None) -> Iterator[dict[str, Any]]:
    for story in stories:
        if kind is None:
            yield _columns_of(story.unit)
            continue
        for visit in story.visits:
            for row in getattr(visit, kind.field):
                fields = {"text": row} if kind.model is Advice else _fields_of(row)
                yield {"unit": story.unit.name, "visit": visit.number, **fields}


def _as_csv(rows: Iterator[dict[str, Any]], header: list[str]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, header, lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def _take_json(page: Page, tables: Tables, text: str, where: str) -> tuple[int, int]:
    try:
        content = json.loads(text)
    except ValueError as error:
        raise VehicleError(f"{where}: this is not JSON: {error}") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise VehicleError(f"{where}: this is no export of vehicles (`format` {FORMAT})")
    units, orders = content.get("units", []), content.get("work_orders", [])
    if not isinstance(units, list) or not isinstance(orders, list):
        raise VehicleError(f"{where}: `units` and `work_orders` must be lists")
    for number, given in enumerate(units, start=1):
        _put_unit(page, load_row(Vehicle, given, where=f"{where}, unit {number}"))
    for number, given in enumerate(orders, start=1):
        order = load_row(Job, given, where=f"{where}, work order {number}")
        _put_brought(page, tables, order, "imported", where=where)
    return len(units), len(orders)


def _take_csv(
    page: Page, tables: Tables, text: str, where: str, kind: Kind | None
) -> tuple[int, int]:
    reader = csv.DictReader(io.StringIO(text))
    header = _header(kind)
    unknown = [name for name in reader.fieldnames or [] if name not in header]
    if unknown or not reader.fieldnames:
        raise VehicleError(
            f"{where}, line 1: unknown column {unknown[0] if unknown else ''!r}; the columns are "
            f"{', '.join(header)}"
        )
    lines = [(reader.line_num, _filled(row, where, reader.line_num)) for row in reader]
    if kind is None:
        for line, row in lines:
            if str(row.get("evaporators", "")).isdecimal():
                row["evaporators"] = int(row["evaporators"])  # all else is read from text
            _put_unit(page, _vehicle_of_columns(row, where=f"{where}, line {line}"))
        return len(lines), 0
    return 0, _take_rows(page, tables, lines, where, kind)


def _take_rows(
    page: Page, tables: Tables, lines: list[tuple[int, dict[str, Any]]], where: str, kind: Kind
) -> int:
    """Put the rows of a file in place of what their visits had of this kind."""
    by_visit: dict[str, list[Any]] = {}
    for line, row in lines:
        number = row.pop("visit", None)
        row.pop("unit", None)
        if not number:
            raise VehicleError(f"{where}, line {line}: `visit` is missing: the visit's number")
        at = f"{where}, line {line}"
        made = load_row(kind.model, _row_of(row), where=at)
        fields = made.model_dump(mode="json")
        by_visit.setdefault(number, []).append(fields["text"] if kind.model is Advice else fields)
    for number, rows in by_visit.items():
        _, order = page.story(number)
        changed = {**order.model_dump(mode="json"), kind.field: rows}
        order = load_row(Job, changed, where=f"{where}, visit {number}")
        _put_brought(page, tables, order, f"{kind.field} imported", where=where)
    return len(by_visit)


def _filled(row: Mapping[str | None, Any], where: str, line: int) -> dict[str, Any]:
    """Return a line's fields, those left empty left out."""
    if None in row or None in row.values():
        raise VehicleError(f"{where}, line {line}: has not as many fields as the header")
    return {str(key): value for key, value in row.items() if value != ""}


def _put_unit(page: Page, unit: Vehicle) -> None:
    """Write a unit, in place of the one that goes by one of its identifiers."""
    known = {
        stored.id
        for identifier in unit.identifiers
        if (stored := stored_vehicles.vehicle_named(page.connection, identifier)) is not None
    }
    if len(known) > 1:
        raise VehicleError(f"{unit.name}: its identifiers are those of {len(known)} vehicles here")
    page.put_unit(unit, "imported", unit_id=next(iter(known), None))


def _fields_of(row: Row) -> dict[str, Any]:
    """Return a row's fields as plain values, a list as JSON text."""
    return {
        key: json.dumps(value, ensure_ascii=False) if isinstance(value, list) else value
        for key, value in row.model_dump(mode="json").items()
    }


def _row_of(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a row whose lists are JSON text; the inverse of ``_fields_of``."""
    return {key: _list(value) if key in _JSON_LISTS else value for key, value in given.items()}


def _list(text: Any) -> Any:
    try:
        return json.loads(text)
    except (TypeError, ValueError):
        return text


def _columns_of(vehicle: Vehicle) -> dict[str, Any]:
    """Return a vehicle as the columns of a CSV file."""
    plain: dict[str, Any] = vehicle.model_dump(mode="json", exclude={"oil", "volume", *_MAPS})
    oil = {f"oil_{key}": value for key, value in vehicle.oil.model_dump(mode="json").items()}
    kept = {} if vehicle.volume is None else vehicle.volume.model_dump(mode="json")
    keys = ("litres", "relative_u", "how", "source", "measured_on")
    volume = {f"volume_{key}": kept.get(key) for key in keys}
    maps = vehicle.model_dump(mode="json", include=set(_MAPS))
    texts = {key: json.dumps(maps[key], ensure_ascii=False) for key in _MAPS}
    return {**plain, **oil, **volume, **texts}


def _vehicle_of_columns(given: Mapping[str, Any], *, where: str) -> Vehicle:
    """Return the vehicle that columns describe; the inverse of ``_columns_of``.

    Raises:
        VehicleError: A column is wrong; the message begins with ``where``.
    """
    plain = {key: value for key, value in given.items() if not key.startswith(("oil_", "volume_"))}
    oil = {key.removeprefix("oil_"): v for key, v in given.items() if key.startswith("oil_")}
    volume = {
        key.removeprefix("volume_"): v for key, v in given.items() if key.startswith("volume_")
    }
    fields = {**plain, "oil": oil}
    if any(value is not None for value in volume.values()):
        fields["volume"] = volume
    for key in _MAPS:
        if key in fields:
            fields[key] = _list(fields[key])
    return load_row(Vehicle, fields, where=where)


def _put_brought(page: Page, tables: Tables, order: Job, what: str, *, where: str) -> None:
    """Write a visit that a file brings, in place of what is known of it.

    A hold of this store must be as the store judged and bound it. One that is not stored here is
    kept, marked as not judged here. A visit that is closed here may only come as it is. One that
    the file closes must be such as may close, or be new here with holds that were judged
    elsewhere: the shop it comes from closed it by its own proofs.

    Raises:
        VehicleError: Names file, visit, hold and field, and how to mend.
    """
    at = f"{where}, visit {order.number}"
    known = _known(page, order.number)
    _check_once(order, at)
    holds = tuple(_checked(page, order, hold, known, at) for hold in order.holds)
    order = order.model_copy(update={"holds": holds})
    if known is not None and known.closed_on is not None:
        _check_same(order, known, at)
        return
    page.put_visit(order, what)
    is_moved = known is None and any(hold.judged_elsewhere for hold in holds)
    if order.closed_on is not None and not is_moved:
        _check_may_close(page, tables, order, at)


def _known(page: Page, number: str) -> Job | None:
    if stored_vehicles.vehicle_of_job(page.connection, number) is None:
        return None
    return page.story(number)[1]


def _check_once(order: Job, at: str) -> None:
    twice = [name for name, n in Counter(hold.hold_id for hold in order.holds).items() if n > 1]
    if twice:
        raise RefusedError(f"{at}: hold {twice[0]} stands in it twice: take one of them out")


def _checked(page: Page, order: Job, hold: HoldEntry, known: Job | None, at: str) -> HoldEntry:
    """Return a hold as the store knows it, marked where it does not."""
    connection, hold_id = page.connection, hold.hold_id
    row = answers.hold(connection, hold_id)
    _check_other_visits(page, order, hold_id, at)
    if row is None:
        return hold.model_copy(update={"judged_elsewhere": True})
    try:
        own = hold_entry(connection, hold_id, section=hold.section, after_repair=hold.after_repair)
    except VehicleError as error:
        raise RefusedError(f"{at}: {error}") from error
    _compare(hold, own, f"{at}, hold {hold_id}", "judged", "put that in the file")
    bound = [kept for kept in known.holds if kept.hold_id == hold_id] if known is not None else []
    for kept in bound:
        mend = "put that in the file, or take the hold out of the visit and bind it anew"
        _compare(hold, kept, f"{at}, hold {hold_id}", "bound", mend, only=_SAID_AT_BINDING)
    if not bound:
        check_unit(row, page.unit(order.unit).vehicle)
    return own


def _compare(
    said: HoldEntry,
    own: HoldEntry,
    at: str,
    how: str,
    mend: str,
    *,
    only: frozenset[str] | None = None,
) -> None:
    theirs, ours = _plain(said), _plain(own)
    for key in ours if only is None else sorted(only):
        if theirs[key] != ours[key]:
            raise RefusedError(
                f"{at}, {key}: the file says {theirs[key]}, this store {how} it {ours[key]}: "
                f"{mend}, or leave the hold out"
            )


def _plain(hold: HoldEntry) -> dict[str, Any]:
    return hold.model_dump(mode="json", exclude={"judged_elsewhere"})


def _check_other_visits(page: Page, order: Job, hold_id: str, at: str) -> None:
    other = stored_vehicles.job_of_hold(page.connection, hold_id)
    if other is not None and other != order.number:
        raise RefusedError(
            f"{at}: hold {hold_id} is bound to visit {other} already: leave it out of one"
        )


def _check_same(order: Job, known: Job, at: str) -> None:
    """Refuse what differs from a visit that is closed here."""
    theirs, ours = order.model_dump(mode="json"), known.model_dump(mode="json")
    other = [key for key, value in ours.items() if theirs[key] != value]
    if other:
        raise RefusedError(
            f"{at}: it was closed here on {known.closed_on}, and the file has {', '.join(other)} "
            "otherwise: leave it out of the file, or open it again first",
            at_terminal=f"holdwatch job reopen {order.number}",
        )


def _check_may_close(page: Page, tables: Tables, order: Job, at: str) -> None:
    story, stored = page.story(order.number)
    try:
        check_closable(open_points_of(stored, story.unit, story.visits, tables), stored)
    except RefusedError as error:
        raise RefusedError(
            f"{at}: the file closes it on {order.closed_on}, but {error}; leave `closed_on` out"
        ) from error
