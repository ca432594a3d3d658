"""Units and visits as rows of the store: written whole, read back as the models they came from."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from holdwatch_procedures.vehicles.job import (
    Answer,
    DyeEntry,
    Finding,
    HoldEntry,
    Job,
    Part,
    Repair,
    Weighing,
)
from holdwatch_procedures.vehicles.validation import RefusedError, Row, load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle, normalise

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

_COLUMN_OF: Final = {"on": "day"}
"""Fields whose name is a word of SQL, and their column."""
_IS_ELSEWHERE: Final = (
    "NOT EXISTS (SELECT 1 FROM holds WHERE holds.id = visit_holds.hold_id) AS judged_elsewhere"
)
_LAST: Final = "\U0010ffff"
"""Behind every character that an identifier may hold."""
# Both ends of the range are looked up in the key: no row is read in vain.
_BEGINS: Final = (
    "SELECT unit_id FROM unit_identifiers WHERE identifier >= :all AND identifier < :last"
    " GROUP BY unit_id ORDER BY MIN(identifier <> :all), unit_id LIMIT :limit"
)
_HOLDS: Final = (
    "SELECT DISTINCT unit_id FROM unit_identifiers WHERE instr(identifier, :all)"
    " ORDER BY unit_id LIMIT :limit"
)
_DESCRIBED: Final = (
    "SELECT id FROM units_under_test WHERE instr(upper(description), :words)"
    " ORDER BY id LIMIT :limit"
)
_MAPS: Final = ("own_places", "section_volumes")
"""Columns of a unit that hold a JSON object."""
_WORKED_OUT: Final = "judged_elsewhere"
"""Field of a hold that has no column: whether the store holds it is asked at each reading."""
_LISTS: Final = frozenset({"misled_by", "photographs"})
"""Columns that hold a JSON list."""


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of thing that is written down at a visit, each a row of its own table.

    Attributes:
        field: The field of ``Job``, which is also the name in files.
        table: The table.
        model: What a row is.
    """

    field: str
    table: str
    model: type[Row]

    @property
    def columns(self) -> tuple[str, ...]:
        """The table's columns after ``work_order_id`` and ``position``, in the model's order."""
        return tuple(_COLUMN_OF.get(name, name) for name in self.fields)

    @property
    def fields(self) -> tuple[str, ...]:
        """The fields that have a column."""
        return tuple(name for name in self.model.model_fields if name != _WORKED_OUT)


class Advice(Row):
    """One piece of advice as a row."""

    text: str


KINDS: Final = (
    Kind("weighings", "visit_weighings", Weighing),
    Kind("holds", "visit_holds", HoldEntry),
    Kind("findings", "visit_findings", Finding),
    Kind("dye", "visit_dye", DyeEntry),
    Kind("repairs", "visit_repairs", Repair),
    Kind("parts", "visit_parts", Part),
    Kind("advice", "visit_advice", Advice),
    Kind("answers", "visit_answers", Answer),
)


@dataclass(frozen=True, slots=True)
class StoredUnit:
    """A unit with its number in the store."""

    id: int
    unit: Vehicle


def put_unit(
    connection: sqlite3.Connection, unit: Vehicle, now: str, *, unit_id: int | None = None
) -> int:
    """Write a unit, a new one or in place of an earlier one; return its number.

    Raises:
        VehicleError: One of its identifiers is another unit's.
    """
    for identifier in unit.identifiers:
        row = connection.execute(
            "SELECT unit_id FROM unit_identifiers WHERE identifier = ? AND unit_id IS NOT ?",
            (identifier, unit_id),
        ).fetchone()
        if row is not None:
            other = unit_by_id(connection, int(row[0])).unit.name
            raise RefusedError(
                f"{identifier} is an identifier of {other} already; one name, one vehicle: change "
                "that one or give this one another",
                at_terminal=f"holdwatch vehicle change {other}",
            )
    columns = {**unit_columns(unit), "id": unit_id, "changed": now}
    names = ", ".join(columns)
    places = ", ".join(f":{name}" for name in columns)
    updates = ", ".join(f"{name} = excluded.{name}" for name in columns if name != "id")
    (number,) = connection.execute(
        f"INSERT INTO units_under_test ({names}) VALUES ({places})"  # noqa: S608 - our own names
        f" ON CONFLICT (id) DO UPDATE SET {updates} RETURNING id",
        columns,
    ).fetchone()
    connection.execute("DELETE FROM unit_identifiers WHERE unit_id = ?", (number,))
    connection.executemany(
        "INSERT INTO unit_identifiers VALUES (?, ?) ON CONFLICT DO NOTHING",
        [(identifier, number) for identifier in unit.identifiers],
    )
    return int(number)


def unit_by_id(connection: sqlite3.Connection, unit_id: int) -> StoredUnit:
    """Return a unit by its number, which must exist."""
    row = connection.execute("SELECT * FROM units_under_test WHERE id = ?", (unit_id,)).fetchone()
    return _unit(row)


def unit_named(connection: sqlite3.Connection, identifier: str) -> StoredUnit | None:
    """Return the unit that goes by exactly this fleet number, plate or VIN; None without one.

    Raises:
        VehicleError: What is stored of it cannot be read.
    """
    row = connection.execute(
        "SELECT units_under_test.* FROM unit_identifiers"
        " JOIN units_under_test ON id = unit_id WHERE identifier = ?",
        (normalise(identifier),),
    ).fetchone()
    return None if row is None else _unit(row)


def find_units(connection: sqlite3.Connection, words: str, *, limit: int = 20) -> list[StoredUnit]:
    """Return the units that words mean, the closest first.

    Whole identifiers come before those that begin so. Only where there is neither, a part of an
    identifier does, and where there is none, a part of the description. Capitals, spaces, dashes
    and dots make no difference.
    """
    wanted = normalise(words)
    if not wanted:
        return []
    given = {"all": wanted, "last": wanted + _LAST, "words": words.strip().upper(), "limit": limit}
    for question in (_BEGINS, _HOLDS, _DESCRIBED):
        found = connection.execute(question, given).fetchall()
        if found:
            return [unit_by_id(connection, int(row[0])) for row in found]
    return []


def list_units(connection: sqlite3.Connection, *, limit: int, after: int = 0) -> list[StoredUnit]:
    """Return units in the order in which they came, those with a number above ``after``."""
    rows = connection.execute(
        "SELECT * FROM units_under_test WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
    )
    return [_unit(row) for row in rows]


def put_work_order(connection: sqlite3.Connection, order: Job, unit_id: int, now: str) -> None:
    """Write a visit with all that belongs to it, in place of what was there under its number."""
    head = order.model_dump(
        mode="json", include={"number", "unit", "opened_on", "closed_on", "complaint"}
    )
    (number,) = connection.execute(
        "INSERT INTO work_orders (number, unit_id, unit, opened_on, closed_on, complaint, changed)"
        " VALUES (:number, :unit_id, :unit, :opened_on, :closed_on, :complaint, :changed)"
        " ON CONFLICT (number) DO UPDATE SET unit_id = excluded.unit_id, unit = excluded.unit,"
        " opened_on = excluded.opened_on, closed_on = excluded.closed_on,"
        " complaint = excluded.complaint, changed = excluded.changed RETURNING id",
        {**head, "unit_id": unit_id, "changed": now},
    ).fetchone()
    for kind in KINDS:
        connection.execute(f"DELETE FROM {kind.table} WHERE work_order_id = ?", (number,))  # noqa: S608 - our own names
        rows = [_values(kind, row) for row in getattr(order, kind.field)]
        if not rows:
            continue
        names = ", ".join(f'"{column}"' for column in kind.columns)
        places = ", ".join("?" for _ in kind.columns)
        connection.executemany(
            f"INSERT INTO {kind.table} (work_order_id, position, {names})"  # noqa: S608 - our own names
            f" VALUES (?, ?, {places})",
            [(number, position, *row) for position, row in enumerate(rows)],
        )


def work_orders_of(connection: sqlite3.Connection, unit_id: int) -> list[Job]:
    """Return a unit's visits, the oldest first.

    Raises:
        VehicleError: What is stored cannot be read; names the visit and the key.
    """
    heads = connection.execute(
        "SELECT * FROM work_orders WHERE unit_id = ? ORDER BY opened_on, id", (unit_id,)
    ).fetchall()
    parts: dict[int, dict[str, list[Any]]] = {int(head["id"]): {} for head in heads}
    for kind in KINDS:
        asked = f", {_IS_ELSEWHERE}" if kind.model is HoldEntry else ""
        rows = connection.execute(
            f"SELECT {kind.table}.*{asked} FROM {kind.table}"  # noqa: S608 - our own names
            f" JOIN work_orders ON work_orders.id = {kind.table}.work_order_id"
            " WHERE work_orders.unit_id = ? ORDER BY work_order_id, position",
            (unit_id,),
        )
        for row in rows:
            fields = _fields(kind, row)
            parts[int(row["work_order_id"])].setdefault(kind.field, []).append(fields)
    keys = ("number", "unit", "opened_on", "closed_on", "complaint")
    return [
        load_row(
            Job,
            {**{key: head[key] for key in keys}, **parts[int(head["id"])]},
            where=f"work order {head['number']}, as stored",
        )
        for head in heads
    ]


def unit_of_work_order(connection: sqlite3.Connection, number: str) -> StoredUnit | None:
    """Return the unit of a visit by the visit's number; None where there is no such visit."""
    row = connection.execute(
        "SELECT units_under_test.* FROM work_orders"
        " JOIN units_under_test ON units_under_test.id = unit_id WHERE number = ?",
        (number,),
    ).fetchone()
    return None if row is None else _unit(row)


def new_number(connection: sqlite3.Connection, year: int) -> str:
    """Return the next free number of a year, for example ``2026-0007``."""
    (most,) = connection.execute(
        "SELECT MAX(CAST(substr(number, 6) AS INTEGER)) FROM work_orders WHERE number GLOB ?",
        (f"{year:04d}-[0-9][0-9][0-9][0-9]*",),
    ).fetchone()
    return f"{year:04d}-{(most or 0) + 1:04d}"


def _values(kind: Kind, row: Any) -> list[Any]:
    if kind.model is Advice:
        return [row]
    return [value for name, value in fields_of(row).items() if name != _WORKED_OUT]


def fields_of(row: Row) -> dict[str, Any]:
    """Return a row's fields as plain values, a list as JSON text."""
    return {
        key: json.dumps(value, ensure_ascii=False) if isinstance(value, list) else value
        for key, value in row.model_dump(mode="json").items()
    }


def row_of(given: Mapping[str, Any]) -> dict[str, Any]:
    """Return the fields of a row whose lists are JSON text; the inverse of ``fields_of``."""
    return {key: _list(value) if key in _LISTS else value for key, value in given.items()}


def _fields(kind: Kind, row: sqlite3.Row) -> Any:
    """Return what the model is made of; text that should be a list and is none stays as it is."""
    if kind.model is Advice:
        return row["text"]
    fields = {name: row[column] for name, column in zip(kind.fields, kind.columns, strict=True)}
    if kind.model is HoldEntry:
        fields[_WORKED_OUT] = bool(row[_WORKED_OUT])
    return row_of(fields)


def _list(text: Any) -> Any:
    try:
        return json.loads(text)
    except (TypeError, ValueError):
        return text


def unit_columns(unit: Vehicle) -> dict[str, Any]:
    """Return a unit as the columns of its table, which are also those of a file."""
    plain: dict[str, Any] = unit.model_dump(mode="json", exclude={"oil", "volume", *_MAPS})
    oil = {f"oil_{key}": value for key, value in unit.oil.model_dump(mode="json").items()}
    kept = {} if unit.volume is None else unit.volume.model_dump(mode="json")
    keys = ("litres", "relative_u", "how", "source", "measured_on")
    volume = {f"volume_{key}": kept.get(key) for key in keys}
    maps = unit.model_dump(mode="json", include=set(_MAPS))
    texts = {key: json.dumps(maps[key], ensure_ascii=False) for key in _MAPS}
    return {**plain, **oil, **volume, **texts}


def unit_of_columns(given: Mapping[str, Any], *, where: str) -> Vehicle:
    """Return the unit that columns describe; the inverse of ``unit_columns``.

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


def _unit(row: sqlite3.Row) -> StoredUnit:
    given = {key: row[key] for key in row.keys() if key not in {"id", "changed"}}  # noqa: SIM118 - a Row yields values
    name = given["fleet_number"] or given["plate"] or given["vin"]
    made = unit_of_columns(given, where=f"vehicle {name}, as stored")
    return StoredUnit(int(row["id"]), made)
