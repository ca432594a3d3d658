"""Makes the tables of vehicles and jobs, step by step from the first released form of them.

Versions 4 to 7 kept a job as rows of eight tables; from version 8 on it is one JSON body.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import sqlite3

TABLES: Final = (
    """
CREATE TABLE units_under_test (
    id INTEGER PRIMARY KEY,
    fleet_number TEXT NOT NULL,
    plate TEXT NOT NULL,
    vin TEXT,
    description TEXT NOT NULL,
    refrigerant TEXT NOT NULL,
    nameplate_charge_g REAL,
    oil_kind TEXT NOT NULL,
    oil_grade TEXT NOT NULL,
    oil_amount_ml REAL,
    evaporators INTEGER NOT NULL,
    volume_litres REAL,
    volume_relative_u REAL,          -- relative standard uncertainty
    volume_how TEXT,                 -- measured, class, stated
    volume_source TEXT,
    volume_measured_on TEXT,
    max_pressure_kpa_g REAL,         -- highest allowed, above the room's
    own_places TEXT NOT NULL,        -- JSON: place -> its parent in the component tree
    changed TEXT NOT NULL            -- RFC 3339 UTC
)""",
    # Letters and digits only, in capitals: what a lookup compares. A clustered key: one search.
    """
CREATE TABLE unit_identifiers (
    identifier TEXT NOT NULL,
    unit_id INTEGER NOT NULL REFERENCES units_under_test(id),
    PRIMARY KEY (identifier, unit_id)
) WITHOUT ROWID""",
    "CREATE INDEX unit_identifiers_by_unit ON unit_identifiers (unit_id)",
    """
CREATE TABLE work_orders (
    id INTEGER PRIMARY KEY,
    number TEXT NOT NULL UNIQUE,
    unit_id INTEGER NOT NULL REFERENCES units_under_test(id),
    unit TEXT NOT NULL,              -- as it was called at the visit
    opened_on TEXT NOT NULL,
    closed_on TEXT,
    complaint TEXT NOT NULL,
    changed TEXT NOT NULL
)""",
    "CREATE INDEX work_orders_by_unit ON work_orders (unit_id, opened_on)",
    """
CREATE TABLE visit_weighings (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    kind TEXT NOT NULL, grams REAL NOT NULL, day TEXT NOT NULL, tolerance_g REAL NOT NULL,
    tops_up INTEGER NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    # The verdict's figures as they were when the hold was bound; g of refrigerant a year.
    """
CREATE TABLE visit_holds (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    hold_id TEXT NOT NULL, day TEXT NOT NULL, procedure TEXT NOT NULL, outcome TEXT NOT NULL,
    section TEXT NOT NULL, g_per_year REAL, low REAL, high REAL, smallest_visible REAL,
    readings_sha256 TEXT, sentence TEXT NOT NULL, criterion TEXT NOT NULL,
    after_repair INTEGER NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    "CREATE INDEX visit_holds_by_hold ON visit_holds (hold_id)",
    """
CREATE TABLE visit_findings (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    place TEXT NOT NULL, means TEXT NOT NULL, points TEXT NOT NULL, strength TEXT NOT NULL,
    misled_by TEXT NOT NULL, day TEXT NOT NULL, note TEXT NOT NULL, photographs TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_dye (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    dye TEXT NOT NULL, amount_ml REAL NOT NULL, day TEXT NOT NULL, way TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_repairs (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    place TEXT NOT NULL, act TEXT NOT NULL, day TEXT NOT NULL, opened_circuit INTEGER NOT NULL,
    opened_main_part INTEGER NOT NULL, oil_lost_ml REAL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_parts (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    name TEXT NOT NULL, quantity INTEGER NOT NULL, place TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_advice (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    """
CREATE TABLE visit_answers (
    work_order_id INTEGER NOT NULL REFERENCES work_orders(id), position INTEGER NOT NULL,
    point TEXT NOT NULL, answer TEXT NOT NULL, note TEXT NOT NULL, "by" TEXT NOT NULL,
    day TEXT NOT NULL, look_again_on TEXT,
    PRIMARY KEY (work_order_id, position)
) WITHOUT ROWID""",
    # The picture itself lies in the folder `photos` beside this file, under its hash.
    """
CREATE TABLE photographs (
    sha256 TEXT PRIMARY KEY, name TEXT NOT NULL, bytes INTEGER NOT NULL, added TEXT NOT NULL
) WITHOUT ROWID""",
    # Files of reports that were handed out: the hash of the file, and the report inside it.
    """
CREATE TABLE report_files (
    file_sha256 TEXT PRIMARY KEY, content_sha256 TEXT NOT NULL, kind TEXT NOT NULL,
    work_order TEXT NOT NULL, made TEXT NOT NULL, body TEXT NOT NULL
) WITHOUT ROWID""",
)
"""Statements of the migration that begins the story; they stay as they are once released."""

SECTION_VOLUMES: Final = (
    # JSON: place of the component tree -> its volume, as the unit's own.
    "ALTER TABLE units_under_test ADD COLUMN section_volumes TEXT NOT NULL DEFAULT '{}'"
)

BODIES: Final = (
    """
CREATE TABLE vehicles (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,              -- fleet number, else plate, else VIN
    description TEXT NOT NULL,
    body TEXT NOT NULL,              -- JSON: the whole vehicle
    changed TEXT NOT NULL            -- RFC 3339 UTC
)""",
    # Covers the search in descriptions, which would read every body otherwise.
    "CREATE INDEX vehicles_by_description ON vehicles (description)",
    """
CREATE TABLE vehicle_identifiers (
    identifier TEXT NOT NULL,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles(id),
    PRIMARY KEY (identifier, vehicle_id)
) WITHOUT ROWID""",
    "CREATE INDEX vehicle_identifiers_by_vehicle ON vehicle_identifiers (vehicle_id)",
    """
CREATE TABLE jobs (
    id INTEGER PRIMARY KEY,
    number TEXT NOT NULL UNIQUE,
    vehicle_id INTEGER NOT NULL REFERENCES vehicles(id),
    opened_on TEXT NOT NULL,
    closed_on TEXT,
    body TEXT NOT NULL,              -- JSON: the whole job
    changed TEXT NOT NULL
)""",
    "CREATE INDEX jobs_by_vehicle ON jobs (vehicle_id, opened_on)",
    """
CREATE TABLE job_holds (
    hold_id TEXT NOT NULL,
    job_id INTEGER NOT NULL REFERENCES jobs(id),
    PRIMARY KEY (hold_id, job_id)
) WITHOUT ROWID""",
    "CREATE INDEX job_holds_by_job ON job_holds (job_id)",
)
"""Statements of the migration that gives every vehicle and every job one body."""

_LISTS: Final = (
    ("weighings", "visit_weighings"),
    ("holds", "visit_holds"),
    ("findings", "visit_findings"),
    ("dye", "visit_dye"),
    ("repairs", "visit_repairs"),
    ("parts", "visit_parts"),
    ("advice", "visit_advice"),
    ("answers", "visit_answers"),
)
"""Fields of a job's body and the tables that they were rows of."""
_FLAGS: Final = frozenset({"tops_up", "after_repair", "opened_circuit", "opened_main_part"})
_TEXTS: Final = frozenset({"misled_by", "photographs", "own_places", "section_volumes"})
"""Columns that held JSON."""
_OLD_TABLES: Final = (
    *(table for _, table in _LISTS), "work_orders", "unit_identifiers", "units_under_test",
)  # fmt: skip


def move_into_bodies(connection: sqlite3.Connection) -> None:
    """Give every vehicle and job its body, and drop the tables whose rows went into them."""
    for statement in BODIES:
        connection.execute(statement)
    for row in _rows(connection, "SELECT * FROM units_under_test"):
        number, changed = row.pop("id"), row.pop("changed")
        body = _vehicle_body(row)
        name = row["fleet_number"] or row["plate"] or row["vin"] or ""
        connection.execute(
            "INSERT INTO vehicles VALUES (?, ?, ?, ?, ?)",
            (number, name, row["description"], _text(body), changed),
        )
    connection.execute("INSERT INTO vehicle_identifiers SELECT * FROM unit_identifiers")
    for row in _rows(connection, "SELECT * FROM work_orders"):
        number, vehicle, changed = row.pop("id"), row.pop("unit_id"), row.pop("changed")
        lists = {field: _list_of(connection, table, number) for field, table in _LISTS}
        connection.execute(
            "INSERT INTO jobs VALUES (?, ?, ?, ?, ?, ?, ?)",
            (
                number, row["number"], vehicle, row["opened_on"], row["closed_on"],
                _text(row | lists), changed,
            ),
        )  # fmt: skip
    connection.execute(
        "INSERT OR IGNORE INTO job_holds SELECT hold_id, work_order_id FROM visit_holds"
    )
    for table in _OLD_TABLES:
        connection.execute(f"DROP TABLE {table}")


def _rows(connection: sqlite3.Connection, question: str, *given: object) -> list[dict[str, Any]]:
    cursor = connection.execute(question, given)
    names = [column[0] for column in cursor.description]
    return [dict(zip(names, row, strict=True)) for row in cursor.fetchall()]


def _list_of(connection: sqlite3.Connection, table: str, number: int) -> list[Any]:
    question = f"SELECT * FROM {table} WHERE work_order_id = ? ORDER BY position"  # noqa: S608 - our own names
    made: list[Any] = []
    for row in _rows(connection, question, number):
        del row["work_order_id"], row["position"]
        if table == "visit_advice":
            made.append(row["text"])
        else:
            made.append({"on" if key == "day" else key: _plain(key, row[key]) for key in row})
    return made


def _vehicle_body(row: dict[str, Any]) -> dict[str, Any]:
    """Return a vehicle's body of its columns: oil and volume were spread over several."""
    parts: dict[str, dict[str, Any]] = {"oil": {}, "volume": {}}
    body: dict[str, Any] = {}
    for key, value in row.items():
        part, _, rest = key.partition("_")
        if part in parts and rest:
            parts[part][rest] = value
        else:
            body[key] = _plain(key, value)
    body["oil"] = parts["oil"]
    if any(value is not None for value in parts["volume"].values()):
        body["volume"] = parts["volume"]
    return body


def _plain(key: str, value: Any) -> Any:
    """Return a column's value as JSON has it; text that should be JSON and is none stays."""
    if key in _FLAGS and value in {0, 1}:
        return bool(value)
    if key in _TEXTS:
        try:
            return json.loads(value)
        except (TypeError, ValueError):
            return value
    return value


def _text(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"))
