"""The tables, as numbered migrations from an empty file to the present version."""

from __future__ import annotations

import uuid
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store import schema_tiers, schema_vehicles

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from sqlite_utils import Database
    from sqlite_utils.db import Table

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
    for statement in schema_vehicles.TABLES:
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
    for statement in schema_tiers.TABLES:
        db.execute(statement)


def _sections(db: Database) -> None:
    """Version 7: the volumes of a unit's sections, each of which can be held on its own."""
    db.execute(schema_vehicles.SECTION_VOLUMES)


def _bodies(db: Database) -> None:
    """Version 8: every vehicle and every job as one JSON body."""
    schema_vehicles.move_into_bodies(db.conn)


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
