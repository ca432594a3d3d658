"""The story as files: all of it as JSON, or one table of it as CSV."""

from __future__ import annotations

import csv
import io
import json
from typing import TYPE_CHECKING, Any, Final

from holdwatch_cli.errors import UserError
from holdwatch_daemon.store import story_rows
from holdwatch_daemon.store.story_rows import KINDS, Advice, Kind
from holdwatch_daemon.story_book import Story
from holdwatch_procedures.story.rows import StoryError, load_row
from holdwatch_procedures.story.units_under_test import UnitUnderTest
from holdwatch_procedures.story.work_orders import WorkOrder

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from holdwatch_cli.story_desk import Desk
    from holdwatch_daemon.story_book import Page

FORMAT: Final = 1
"""Version of the JSON file."""
_ALL: Final = 10_000_000
_UNITS: Final = "units"


def run_export(desk: Desk, out: Path, *, vehicle: str | None, table: str) -> int:
    """Write a file; its suffix says which form.

    Raises:
        UserError: Another suffix, an unknown table, a file that cannot be written.
    """
    kind = _kind(table)
    stories = desk.book.ask(lambda c: list(_stories(c)))
    if vehicle is not None:
        stories = [desk.book.story(vehicle)]
    if out.suffix == ".json":
        text = json.dumps(_as_json(stories), ensure_ascii=False, indent=1) + "\n"
    elif out.suffix == ".csv":
        text = _as_csv(_csv_rows(stories, kind), _header(kind))
    else:
        raise UserError(f"{out}: name the file .json (everything) or .csv (one table)")
    try:
        out.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UserError(f"{out}: cannot be written: {error.strerror}") from error
    visits = sum(len(story.visits) for story in stories)
    content = {"file": str(out), "vehicles": len(stories), "visits": visits}
    return desk.answer(content, [f"Wrote {out}: {len(stories)} vehicles, {visits} visits."])


def run_import(desk: Desk, file: Path, *, table: str) -> int:
    """Take a file in, all of it or nothing.

    Raises:
        UserError: A file that cannot be read.
        StoryError: A row that cannot be; names file and row.
    """
    kind = _kind(table)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{file}: cannot be read: {error}") from error
    with desk.book.writing() as page:
        if file.suffix == ".json":
            units, visits = _take_json(page, text, str(file))
        elif file.suffix == ".csv":
            units, visits = _take_csv(page, text, str(file), kind)
        else:
            raise UserError(f"{file}: name the file .json (everything) or .csv (one table)")
    content = {"file": str(file), "vehicles": units, "visits": visits}
    return desk.answer(content, [f"Took {units} vehicles and {visits} visits from {file}."])


def _kind(table: str) -> Kind | None:
    """Return the kind of a table's name, None for the units."""
    if table == _UNITS:
        return None
    for kind in KINDS:
        if kind.field == table:
            return kind
    known = ", ".join([_UNITS, *(kind.field for kind in KINDS)])
    raise UserError(f"--table {table}: write one of {known}")


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
        unit = UnitUnderTest.model_construct(fleet_number="", refrigerant="")
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


def _take_json(page: Page, text: str, where: str) -> tuple[int, int]:
    try:
        content = json.loads(text)
    except ValueError as error:
        raise UserError(f"{where}: this is not JSON: {error}") from error
    if not isinstance(content, dict) or content.get("format") != FORMAT:
        raise UserError(f"{where}: this is no export of vehicles (`format` {FORMAT})")
    units, orders = content.get("units", []), content.get("work_orders", [])
    for number, given in enumerate(units, start=1):
        _put_unit(page, load_row(UnitUnderTest, given, where=f"{where}, unit {number}"))
    for number, given in enumerate(orders, start=1):
        order = load_row(WorkOrder, given, where=f"{where}, work order {number}")
        page.put_visit(order, "imported")
    return len(units), len(orders)


def _take_csv(page: Page, text: str, where: str, kind: Kind | None) -> tuple[int, int]:
    reader = csv.DictReader(io.StringIO(text))
    header = _header(kind)
    unknown = [name for name in reader.fieldnames or [] if name not in header]
    if unknown or not reader.fieldnames:
        raise UserError(
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
    return 0, _take_rows(page, lines, where, kind)


def _take_rows(page: Page, lines: list[tuple[int, dict[str, Any]]], where: str, kind: Kind) -> int:
    """Put the rows of a file in place of what their visits had of this kind."""
    by_visit: dict[str, list[Any]] = {}
    for line, row in lines:
        number = row.pop("visit", None)
        row.pop("unit", None)
        if not number:
            raise StoryError(f"{where}, line {line}: `visit` is missing: the visit's number")
        at = f"{where}, line {line}"
        made = load_row(kind.model, story_rows.row_of(row), where=at)
        fields = made.model_dump(mode="json")
        by_visit.setdefault(number, []).append(fields["text"] if kind.model is Advice else fields)
    for number, rows in by_visit.items():
        _, order = page.story(number)
        changed = {**order.model_dump(mode="json"), kind.field: rows}
        order = load_row(WorkOrder, changed, where=f"{where}, visit {number}")
        page.put_visit(order, f"{kind.field} imported")
    return len(by_visit)


def _filled(row: Mapping[str | None, Any], where: str, line: int) -> dict[str, Any]:
    """Return a line's fields, those left empty left out."""
    if None in row or None in row.values():
        raise UserError(f"{where}, line {line}: has not as many fields as the header")
    return {str(key): value for key, value in row.items() if value != ""}


def _put_unit(page: Page, unit: UnitUnderTest) -> None:
    """Write a unit, in place of the one that goes by one of its identifiers."""
    known = {
        stored.id
        for identifier in unit.identifiers
        if (stored := story_rows.unit_named(page.connection, identifier)) is not None
    }
    if len(known) > 1:
        raise StoryError(f"{unit.name}: its identifiers are those of {len(known)} vehicles here")
    page.put_unit(unit, "imported", unit_id=next(iter(known), None))
