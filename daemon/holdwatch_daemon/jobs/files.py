"""The story as files: all of it as JSON, or one table of it as CSV."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any, Final, Literal

from holdwatch_daemon.jobs.book import Story
from holdwatch_daemon.jobs.imports import put_brought
from holdwatch_daemon.store import story_rows
from holdwatch_daemon.store.story_rows import KINDS, Advice, Kind
from holdwatch_procedures.vehicles.job import Job
from holdwatch_procedures.vehicles.validation import VehicleError, load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping

    from holdwatch_daemon.jobs.book import Page, StoryBook
    from holdwatch_procedures.vehicles.overview import Tables

FORMAT: Final = 1
"""Version of the JSON file."""
UNITS: Final = "units"
"""The table of the vehicles themselves."""
_ALL: Final = 10_000_000

Form = Literal["json", "csv"]


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
    for stored in story_rows.list_units(connection, limit=_ALL):
        yield Story(stored.unit, tuple(story_rows.work_orders_of(connection, stored.id)))


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
        return list(story_rows.unit_columns(unit))
    return ["unit", "visit", *kind.model.model_fields]


def _csv_rows(stories: list[Story], kind: Kind | None) -> Iterator[dict[str, Any]]:
    for story in stories:
        if kind is None:
            yield story_rows.unit_columns(story.unit)
            continue
        for visit in story.visits:
            for row in getattr(visit, kind.field):
                fields = {"text": row} if kind.model is Advice else story_rows.fields_of(row)
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
        put_brought(page, tables, order, "imported", where=where)
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
            _put_unit(page, story_rows.unit_of_columns(row, where=f"{where}, line {line}"))
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
        made = load_row(kind.model, story_rows.row_of(row), where=at)
        fields = made.model_dump(mode="json")
        by_visit.setdefault(number, []).append(fields["text"] if kind.model is Advice else fields)
    for number, rows in by_visit.items():
        _, order = page.story(number)
        changed = {**order.model_dump(mode="json"), kind.field: rows}
        order = load_row(Job, changed, where=f"{where}, visit {number}")
        put_brought(page, tables, order, f"{kind.field} imported", where=where)
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
        if (stored := story_rows.unit_named(page.connection, identifier)) is not None
    }
    if len(known) > 1:
        raise VehicleError(f"{unit.name}: its identifiers are those of {len(known)} vehicles here")
    page.put_unit(unit, "imported", unit_id=next(iter(known), None))
