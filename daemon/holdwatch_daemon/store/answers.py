"""Statements that read; each takes a connection and gives back plain data."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from holdwatch_daemon.messages import Alarm, Event, Reply, Said
from holdwatch_physics.reading import Quality, Quantity

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_BUSY_TIMEOUT_S = 5.0


def _said(told: object) -> Any:
    """What was said by its keys: JSON from the store, nothing where nothing was kept of it."""
    return json.loads(told) if isinstance(told, str) else told or {}


class HoldRow(BaseModel):
    """A hold as the store has it; times are RFC 3339 UTC."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    id: str
    bay: str
    unit: str | None
    procedure: str
    recipe: str
    refrigerant: str
    started: str
    ended: str | None
    outcome: str | None
    sentence: str | None
    simulated: bool
    said: Annotated[Said, BeforeValidator(_said)] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class StoredReading:
    """A reading of a hold under its role, on the hold's own clock; value in Pa or K."""

    t_ns: int
    role: str
    quantity: Quantity
    value: float
    quality: Quality


@dataclass(frozen=True, slots=True)
class Mark:
    """A mark of a hold on its own clock."""

    t_ns: int
    word: str


@dataclass(frozen=True, slots=True)
class Segment:
    """One boot's share of a hold: where its clock's zero lies on that boot's monotonic time."""

    boot: str
    zero_mono_ns: int
    first_mono_ns: int


class Thinned:
    """The lowest and the highest value of every stretch of a series."""

    def __init__(self, quantity: str, unit: str) -> None:
        self._quantity = quantity
        self._unit = unit
        self._stretches: dict[int, tuple[tuple[float, int], tuple[float, int]]] = {}

    def add(self, stretch: int, t_ns: int, value: float) -> None:
        """Enter a value."""
        entry = (value, t_ns)
        known = self._stretches.get(stretch)
        if known is None:
            self._stretches[stretch] = (entry, entry)
        elif entry < known[0]:
            self._stretches[stretch] = (entry, known[1])
        elif entry > known[1]:
            self._stretches[stretch] = (known[0], entry)

    def to_dict(self) -> dict[str, Any]:
        """Return the series in the order of time."""
        kept = {(t_ns, value) for ends in self._stretches.values() for value, t_ns in ends}
        ordered = sorted(kept)
        return {
            "quantity": self._quantity,
            "unit": self._unit,
            "t_s": [t_ns / 1e9 for t_ns, _ in ordered],
            "value": [value for _, value in ordered],
        }


_HOLD_COLUMNS = (
    "id, bay, unit, procedure, COALESCE(recipe, '') AS recipe,"
    " COALESCE(refrigerant, '') AS refrigerant, started, ended, outcome, sentence, simulated,"
    " (SELECT json_object('sentence', json_extract(body, '$.said.sentence')) FROM verdicts"
    " WHERE verdicts.hold_id = holds.id) AS said"
)


def connect(path: Path) -> sqlite3.Connection:
    """Return a read-only connection whose rows know their column names."""
    uri = f"{path.absolute().as_uri()}?mode=ro"
    connection = sqlite3.connect(
        uri, uri=True, isolation_level=None, timeout=_BUSY_TIMEOUT_S, check_same_thread=False
    )
    connection.row_factory = sqlite3.Row
    return connection


def list_holds(connection: sqlite3.Connection, bay: str | None, limit: int) -> list[HoldRow]:
    """Return the newest holds first, of one bay or of all."""
    rows = connection.execute(
        f"SELECT {_HOLD_COLUMNS} FROM holds WHERE ?1 IS NULL OR bay = ?1"  # noqa: S608 - our own columns
        " ORDER BY started_utc_ns DESC, rowid DESC LIMIT ?2",
        (bay, limit),
    )
    return [HoldRow.model_validate(dict(row)) for row in rows]


def hold(connection: sqlite3.Connection, hold_id: str) -> HoldRow | None:
    """Return one hold, or None."""
    row = connection.execute(
        f"SELECT {_HOLD_COLUMNS} FROM holds WHERE id = ?",  # noqa: S608 - our own columns
        (hold_id,),
    ).fetchone()
    return None if row is None else HoldRow.model_validate(dict(row))


def running_holds(connection: sqlite3.Connection) -> list[HoldRow]:
    """Return the holds without an end, the oldest first."""
    rows = connection.execute(
        f"SELECT {_HOLD_COLUMNS} FROM holds WHERE ended IS NULL ORDER BY rowid"  # noqa: S608 - our own columns
    )
    return [HoldRow.model_validate(dict(row)) for row in rows]


def started_utc_ns(connection: sqlite3.Connection, hold_id: str) -> int:
    """Return when a hold began, nanoseconds since 1970 UTC."""
    row = connection.execute("SELECT started_utc_ns FROM holds WHERE id = ?", (hold_id,)).fetchone()
    return int(row[0])


def end_t_ns(connection: sqlite3.Connection, hold_id: str) -> int:
    """Return the hold time at which a hold ended, ns; 0 while it runs."""
    row = connection.execute("SELECT end_t_ns FROM holds WHERE id = ?", (hold_id,)).fetchone()
    return int(row[0] or 0)


def recipe_toml(connection: sqlite3.Connection, hold_id: str) -> str | None:
    """Return a hold's recipe, or None where there is no such hold."""
    row = connection.execute("SELECT recipe_toml FROM holds WHERE id = ?", (hold_id,)).fetchone()
    return None if row is None else str(row[0])


def hold_channels(connection: sqlite3.Connection, hold_id: str) -> dict[str, str]:
    """Return channel → role of a hold."""
    rows = connection.execute(
        "SELECT channel, role FROM hold_channels WHERE hold_id = ?", (hold_id,)
    )
    return {str(name): str(role) for name, role in rows}


def segments(connection: sqlite3.Connection, hold_id: str) -> list[Segment]:
    """Return the boots a hold ran under."""
    rows = connection.execute(
        "SELECT boots.boot, zero_mono_ns, first_mono_ns FROM hold_segments"
        " JOIN boots ON boots.id = hold_segments.boot_id WHERE hold_id = ?",
        (hold_id,),
    )
    return [Segment(str(row[0]), int(row[1]), int(row[2])) for row in rows]


def judged_readings(connection: sqlite3.Connection, hold_id: str) -> Iterator[StoredReading]:
    """Yield a hold's readings that are judged, in the order of (time, role)."""
    rows = connection.execute(
        "SELECT t_ns, role, quantity, value, quality FROM hold_readings"
        " WHERE hold_id = ? AND flag IS NULL ORDER BY t_ns, role",
        (hold_id,),
    )
    for t_ns, role, quantity, value, quality in rows:
        yield StoredReading(t_ns, role, Quantity(quantity), value, Quality(quality))


def newest_reading(connection: sqlite3.Connection, hold_id: str) -> tuple[int, int] | None:
    """Return hold time and UTC of a hold's newest judged reading, ns; None without one."""
    row = connection.execute(
        "SELECT readings.mono_ns - hold_segments.zero_mono_ns AS t_ns, readings.utc_ns"
        " FROM hold_segments JOIN hold_channels USING (hold_id)"
        " JOIN channels ON channels.name = hold_channels.channel"
        " JOIN readings ON readings.channel_id = channels.id"
        " AND readings.boot_id = hold_segments.boot_id"
        " AND readings.mono_ns >= hold_segments.first_mono_ns"
        " WHERE hold_segments.hold_id = ? AND readings.flag IS NULL"
        " ORDER BY t_ns DESC LIMIT 1",
        (hold_id,),
    ).fetchone()
    return None if row is None else (int(row[0]), int(row[1]))


def marks(connection: sqlite3.Connection, hold_id: str) -> list[Mark]:
    """Return a hold's marks in the order they were said."""
    rows = connection.execute(
        "SELECT t_ns, word FROM hold_marks WHERE hold_id = ? ORDER BY number", (hold_id,)
    )
    return [Mark(int(t_ns), str(word)) for t_ns, word in rows]


def hold_trace(connection: sqlite3.Connection, hold_id: str, points: int) -> dict[str, Any]:
    """Return a hold's readings for drawing; see ``Queries.hold_trace``."""
    (last_ns,) = connection.execute(
        "SELECT MAX(t_ns) FROM hold_readings WHERE hold_id = ?", (hold_id,)
    ).fetchone()
    width_ns = (last_ns or 0) // max(points // 2, 1) + 1
    series: dict[str, Thinned] = {}
    # Unsorted: the rows of one channel and boot come in the order of time by themselves.
    rows = connection.execute(
        "SELECT role, quantity, unit, t_ns, value FROM hold_readings WHERE hold_id = ?", (hold_id,)
    )
    for role, quantity, unit, t_ns, value in rows:
        one = series.get(role)
        if one is None:
            one = series[role] = Thinned(quantity, unit)
        one.add(t_ns // width_ns, t_ns, value)
    return {"series": {role: series[role].to_dict() for role in sorted(series)}}


def hold_curve(connection: sqlite3.Connection, hold_id: str) -> list[dict[str, Any]]:
    """Return a hold's curve points in order."""
    rows = connection.execute(
        "SELECT body FROM curve_points WHERE hold_id = ? ORDER BY number", (hold_id,)
    )
    return [json.loads(row[0]) for row in rows]


def hold_events(connection: sqlite3.Connection, hold_id: str) -> list[Event]:
    """Return the events about a hold, in order."""
    rows = connection.execute(
        "SELECT body FROM events WHERE subject = ? ORDER BY sequence", (hold_id,)
    )
    return [Event.model_validate_json(row[0]) for row in rows]


def work_order_of(connection: sqlite3.Connection, hold_id: str) -> str | None:
    """Return the work order that a hold is bound to, or None."""
    row = connection.execute(
        "SELECT work_order FROM hold_work_orders WHERE hold_id = ?", (hold_id,)
    ).fetchone()
    return None if row is None else str(row[0])


def verdict(connection: sqlite3.Connection, hold_id: str) -> dict[str, Any] | None:
    """Return a hold's verdict, or None."""
    row = connection.execute("SELECT body FROM verdicts WHERE hold_id = ?", (hold_id,)).fetchone()
    return None if row is None else dict(json.loads(row[0]))


def last_hold(connection: sqlite3.Connection, bay: str) -> HoldRow | None:
    """Return a bay's newest hold that has a verdict, or None."""
    row = connection.execute(
        f"SELECT {_HOLD_COLUMNS} FROM holds WHERE bay = ? AND ended IS NOT NULL"  # noqa: S608 - our own columns
        " ORDER BY rowid DESC LIMIT 1",
        (bay,),
    ).fetchone()
    return None if row is None else HoldRow.model_validate(dict(row))


def last_verdict_event(connection: sqlite3.Connection, bay: str) -> Event | None:
    """Return a bay's newest verdict event, or None."""
    row = connection.execute(
        "SELECT body FROM events WHERE bay = ? AND type = 'holdwatch.verdict'"
        " ORDER BY baysequence DESC LIMIT 1",
        (bay,),
    ).fetchone()
    return None if row is None else Event.model_validate_json(row[0])


def events_after(connection: sqlite3.Connection, sequence: int, limit: int) -> list[Event]:
    """Return events above a number, in order."""
    rows = connection.execute(
        "SELECT body FROM events WHERE sequence > ? ORDER BY sequence LIMIT ?", (sequence, limit)
    )
    return [Event.model_validate_json(row[0]) for row in rows]


def newest_sequence(connection: sqlite3.Connection) -> int:
    """Return the newest event's number; 0 where there is none."""
    (number,) = connection.execute("SELECT COALESCE(MAX(sequence), 0) FROM events").fetchone()
    return int(number)


def reply_to(connection: sqlite3.Connection, bay: str, command_id: str) -> Reply | None:
    """Return the reply that a command of this id got, or None."""
    row = connection.execute(
        "SELECT reply FROM commands WHERE bay = ? AND id = ?", (bay, command_id)
    ).fetchone()
    return None if row is None else Reply.model_validate_json(row[0])


def standing_alarms(connection: sqlite3.Connection, bay: str) -> list[tuple[Alarm, bool]]:
    """Return a bay's alarms that are not cleared, each with whether its cause is gone."""
    rows = connection.execute(
        "SELECT id, kind, text, since, acknowledged, gone,"
        " (SELECT json_extract(body, '$.data.said') FROM events WHERE subject = alarms.id"
        " AND type = 'holdwatch.alarm.raised' LIMIT 1) AS said FROM alarms"
        " WHERE bay = ? AND cleared IS NULL ORDER BY since, id",
        (bay,),
    )
    return [
        (
            Alarm(
                id=row["id"],
                kind=row["kind"],
                text=row["text"],
                since=row["since"],
                acknowledged=bool(row["acknowledged"]),
                said=_said(row["said"]),
            ),
            bool(row["gone"]),
        )
        for row in rows
    ]


def outbox_position(connection: sqlite3.Connection, destination: str) -> int | None:
    """Return the newest event a destination has confirmed; None where it is new."""
    row = connection.execute(
        "SELECT sequence FROM outbox WHERE destination = ?", (destination,)
    ).fetchone()
    return None if row is None else int(row[0])
