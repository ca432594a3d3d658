"""Defines the tables, as numbered migrations from an empty file to the present version."""

from __future__ import annotations

import json
import uuid
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from sqlite_utils import Database
    from sqlite_utils.db import Table


_TIERS: Final = (
    # One row for every stretch of `width_s` seconds in which a channel was heard. A reading whose
    # time was ahead of the clock (flag `future`) is in none.
    """
CREATE TABLE tiers (
    channel_id INTEGER NOT NULL REFERENCES channels(id),
    width_s INTEGER NOT NULL,
    start_s INTEGER NOT NULL,        -- seconds since 1970 UTC, a multiple of width_s
    low REAL NOT NULL,               -- Pa or K, as the channel says
    high REAL NOT NULL,
    total REAL NOT NULL,             -- the sum: mean = total / count
    count INTEGER NOT NULL,
    worst INTEGER NOT NULL,          -- 0 good, 1 suspect, 2 saturated, 3 stale
    PRIMARY KEY (channel_id, width_s, start_s)
) WITHOUT ROWID""",
    # Every reading up to here is in the tiers, once; written in the transaction that rolled it.
    """
CREATE TABLE rolled (
    channel_id INTEGER NOT NULL REFERENCES channels(id),
    boot_id INTEGER NOT NULL REFERENCES boots(id),
    upto_mono_ns INTEGER NOT NULL,
    PRIMARY KEY (channel_id, boot_id)
) WITHOUT ROWID""",
    # Where readings of a time are found: within a stretch, wall clock and monotonic time differ
    # by no less than low_offset_ns and no more than high_offset_ns. A clock that was set begins
    # another stretch.
    """
CREATE TABLE stretches (
    channel_id INTEGER NOT NULL REFERENCES channels(id),
    boot_id INTEGER NOT NULL REFERENCES boots(id),
    first_mono_ns INTEGER NOT NULL,
    last_mono_ns INTEGER NOT NULL,
    low_offset_ns INTEGER NOT NULL,
    high_offset_ns INTEGER NOT NULL,
    PRIMARY KEY (channel_id, boot_id, first_mono_ns)
) WITHOUT ROWID""",
    # The least that the newest event's number counts as: what was told before a file was lost or
    # restored is never given again. Bay '' is the whole shop.
    """
CREATE TABLE event_floors (
    bay TEXT PRIMARY KEY,
    sequence INTEGER NOT NULL
) WITHOUT ROWID""",
)
"""Statements of migration 6; they stay as they are once released."""


VEHICLE_TABLES: Final = (
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


_READINGS: Final = """
CREATE TABLE readings (
    channel_id INTEGER NOT NULL REFERENCES channels(id),
    boot_id INTEGER NOT NULL REFERENCES boots(id),
    mono_ns INTEGER NOT NULL,  -- monotonic time, ns, comparable within one boot
    utc_ns INTEGER NOT NULL,   -- wall-clock time, ns since 1970 UTC
    value REAL NOT NULL,       -- Pa or K, as the channel says
    quality TEXT NOT NULL,     -- good, suspect, saturated, stale
    flag TEXT,                 -- NULL, or why it was kept but not judged: late, future
    PRIMARY KEY (channel_id, boot_id, mono_ns)
) WITHOUT ROWID
"""

# SQLite dates keep milliseconds; the integer columns keep the nanoseconds.
_READINGS_VIEW: Final = """
CREATE VIEW readings_for_people AS
SELECT strftime('%Y-%m-%dT%H:%M:%fZ', readings.utc_ns / 1e9, 'unixepoch') AS time,
       channels.probe, channels.name AS channel, channels.quantity,
       readings.value, channels.unit, readings.quality, readings.flag
FROM readings JOIN channels ON channels.id = readings.channel_id
"""

_HOLD_READINGS_VIEW: Final = """
CREATE VIEW hold_readings AS
SELECT hold_channels.hold_id AS hold_id,
       readings.mono_ns - hold_segments.zero_mono_ns AS t_ns,
       hold_channels.role AS role, channels.quantity AS quantity, channels.unit AS unit,
       readings.value AS value, readings.quality AS quality, readings.flag AS flag
FROM hold_segments
JOIN holds ON holds.id = hold_segments.hold_id
JOIN hold_channels ON hold_channels.hold_id = hold_segments.hold_id
JOIN channels ON channels.name = hold_channels.channel
JOIN readings ON readings.channel_id = channels.id
             AND readings.boot_id = hold_segments.boot_id
             AND readings.mono_ns >= hold_segments.first_mono_ns
             AND (holds.end_t_ns IS NULL
                  OR readings.mono_ns - hold_segments.zero_mono_ns <= holds.end_t_ns)
"""


def _table(db: Database, name: str) -> Table:
    """Return a table to create (never a view)."""
    return db.table(name)


def _recorder(db: Database) -> None:
    """Version 1: what was measured, and what happened."""
    _table(db, "about").create({"key": str, "value": str}, pk="key", not_null={"value"})
    db.table("about").insert({"key": "database_id", "value": uuid.uuid4().hex[:12]})
    _table(db, "boots").create(
        {"id": int, "boot": str, "first_seen": str, "simulated": int},
        pk="id",
        not_null={"boot", "first_seen", "simulated"},
    ).create_index(["boot"], unique=True)
    _table(db, "probes").create(
        {"name": str, "kind": str, "address": str, "first_seen": str},
        pk="name",
        not_null={"kind", "first_seen"},
    )
    _table(db, "channels").create(
        {"id": int, "name": str, "probe": str, "quantity": str, "unit": str},
        pk="id",
        not_null={"name", "probe", "quantity", "unit"},
    ).create_index(["name", "quantity"], unique=True)
    db.execute(_READINGS)
    events = _table(db, "events").create(
        {
            "sequence": int,
            "id": str,
            "type": str,
            "time": str,
            "bay": str,
            "baysequence": int,
            "subject": str,
            "body": str,
        },
        pk="sequence",
        not_null={"id", "type", "time", "body"},
    )
    events.create_index(["id"], unique=True)
    events.create_index(["bay", "baysequence"], unique=True)
    events.create_index(["subject"])
    db.execute(_READINGS_VIEW)


def _holds(db: Database) -> None:
    """Version 2: holds, how their readings are found, and their verdicts."""
    holds = _table(db, "holds").create(
        {
            "id": str,
            "bay": str,
            "unit": str,
            "procedure": str,
            "recipe": str,
            "recipe_toml": str,
            "refrigerant": str,
            "started": str,
            "started_utc_ns": int,
            "ended": str,
            "end_t_ns": int,
            "outcome": str,
            "sentence": str,
            "simulated": int,
            "version": str,
        },
        pk="id",
        not_null={"bay", "procedure", "recipe_toml", "started", "started_utc_ns", "version"},
        defaults={"simulated": 0},
    )
    holds.create_index(["bay"])
    _table(db, "hold_channels").create(
        {"hold_id": str, "role": str, "channel": str},
        pk=("hold_id", "role", "channel"),
        foreign_keys=[("hold_id", "holds", "id")],
    )
    _table(db, "hold_segments").create(
        {"hold_id": str, "boot_id": int, "zero_mono_ns": int, "first_mono_ns": int},
        pk=("hold_id", "boot_id"),
        not_null={"zero_mono_ns", "first_mono_ns"},
        foreign_keys=[("hold_id", "holds", "id"), ("boot_id", "boots", "id")],
    )
    _table(db, "hold_marks").create(
        {"hold_id": str, "number": int, "t_ns": int, "word": str},
        pk=("hold_id", "number"),
        not_null={"t_ns", "word"},
        foreign_keys=[("hold_id", "holds", "id")],
    )
    _table(db, "curve_points").create(
        {"hold_id": str, "number": int, "t_s": float, "body": str},
        pk=("hold_id", "number"),
        not_null={"t_s", "body"},
        foreign_keys=[("hold_id", "holds", "id")],
    )
    _table(db, "verdicts").create(
        {
            "hold_id": str,
            "bay": str,
            "unit": str,
            "time": str,
            "outcome": str,
            "sentence": str,
            "body": str,
        },
        pk="hold_id",
        not_null={"bay", "time", "outcome", "sentence", "body"},
        foreign_keys=[("hold_id", "holds", "id")],
    )
    db.execute(_HOLD_READINGS_VIEW)


def _operations(db: Database) -> None:
    """Version 3: commands answered once, standing alarms, and how far events were published."""
    _table(db, "commands").create(
        {"bay": str, "id": str, "time": str, "by": str, "body": str, "reply": str},
        pk=("bay", "id"),
        not_null={"time", "by", "body", "reply"},
    )
    _table(db, "alarms").create(
        {
            "id": str,
            "bay": str,
            "kind": str,
            "text": str,
            "since": str,
            "acknowledged": int,
            "gone": int,
            "cleared": str,
        },
        pk="id",
        not_null={"bay", "kind", "text", "since", "acknowledged", "gone"},
    ).create_index(["bay", "cleared"])
    _table(db, "outbox").create(
        {"destination": str, "sequence": int}, pk="destination", not_null={"sequence"}
    )


def _story(db: Database) -> None:
    """Version 4: units under test, and their visits with all that is written down at one."""
    for statement in VEHICLE_TABLES:
        db.execute(statement)


def _bindings(db: Database) -> None:
    """Version 5: which work order a hold belongs to."""
    _table(db, "hold_work_orders").create(
        {"hold_id": str, "work_order": str, "bound": str},
        pk="hold_id",
        not_null={"work_order", "bound"},
        foreign_keys=[("hold_id", "holds", "id")],
    ).create_index(["work_order"])


def _tiers(db: Database) -> None:
    """Version 6: summaries of readings, how far they go, and the floors of event numbers."""
    for statement in _TIERS:
        db.execute(statement)


def _sections(db: Database) -> None:
    """Version 7: the volumes of a unit's sections, each of which can be held on its own."""
    db.execute(SECTION_VOLUMES)


def _bodies(db: Database) -> None:
    """Version 8: every vehicle and every job as one JSON body."""
    move_into_bodies(db.conn)


MIGRATIONS: Final[tuple[Callable[[Database], None], ...]] = (
    _recorder,
    _holds,
    _operations,
    _story,
    _bindings,
    _tiers,
    _sections,
    _bodies,
)
"""Migration n (counted from 1) takes a file of version n − 1 to version n."""

VERSION: Final = len(MIGRATIONS)
"""The version that this program reads and writes."""


def version_of(connection: sqlite3.Connection) -> int:
    """Return a database's schema version; 0 for a file without tables of ours."""
    found = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'schema_version'"
    ).fetchone()
    if found is None:
        return 0
    row = connection.execute("SELECT version FROM schema_version").fetchone()
    return 0 if row is None else int(row[0])


def migrate(connection: sqlite3.Connection, now: str, *, upto: int = VERSION) -> tuple[int, int]:
    """Bring a database to version ``upto``, each step in a transaction of its own.

    Args:
        connection: A connection without an open transaction, in autocommit mode.
        now: The time to note, RFC 3339.
        upto: The version to stop at; earlier ones serve tests of older files.

    Returns:
        The version before and after.
    """
    before = version_of(connection)
    if before < upto:
        # It brings a data analysis library along where one is installed: only for a migration.
        from sqlite_utils import Database  # noqa: PLC0415
    for number in range(before + 1, upto + 1):
        connection.execute("BEGIN IMMEDIATE")
        try:
            db = Database(connection)
            MIGRATIONS[number - 1](db)
            connection.execute(
                "CREATE TABLE IF NOT EXISTS schema_version"
                " (version INTEGER NOT NULL, applied TEXT NOT NULL)"
            )
            connection.execute("DELETE FROM schema_version")
            connection.execute("INSERT INTO schema_version VALUES (?, ?)", (number, now))
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
    return before, max(before, upto)
