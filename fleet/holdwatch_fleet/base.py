"""The chain's PostgreSQL database: everything of one call is landed in one transaction."""

from __future__ import annotations

import hashlib
import json
import logging
from dataclasses import astuple, dataclass, field
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any, LiteralString, Self

import psycopg
from psycopg import sql
from psycopg.types.json import Jsonb

from holdwatch_fleet import schema
from holdwatch_fleet.errors import FleetError
from holdwatch_fleet.message import RESTORED, VERDICT, Refused

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdwatch_fleet.message import LiveReading, ShopEvent

__all__ = ["Base", "Batch", "Stream", "log"]

log = logging.getLogger(__name__)

_PATIENCE_S = 5
"""Time that a connection may take, s."""
_STATEMENT_MS = 20_000
_MOST_KEPT = 65_536
"""Bytes that are kept of a refused payload."""


@dataclass(slots=True)
class Batch:
    """What is landed together; ``via`` says how the events came."""

    via: str
    events: list[ShopEvent] = field(default_factory=list)
    readings: list[LiveReading] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.events) + len(self.readings) + len(self.refused)


@dataclass(frozen=True, slots=True)
class Stream:
    """How far the events of one shop's database have landed."""

    site: str
    store: str
    unbroken: int
    newest: int
    missing: int
    gap_since: datetime | None
    heard: datetime
    trouble: str | None


class Base:
    """A connection to the database.

    Whoever calls it catches ``psycopg.OperationalError`` and comes back with a new one: after it
    nothing of the call has been landed. Everything may be landed twice, which changes nothing.

    Args:
        dsn: As libpq understands it; empty for libpq's own environment.
    """

    def __init__(self, dsn: str) -> None:
        self._connection = psycopg.connect(
            dsn,
            connect_timeout=_PATIENCE_S,
            keepalives_idle=10,
            keepalives_interval=5,
            keepalives_count=4,
            tcp_user_timeout=30_000,
            application_name="holdwatch",
            autocommit=True,
        )
        self._months: set[datetime] = set()
        self._connection.execute(
            sql.SQL("SET statement_timeout = {}").format(sql.Literal(_STATEMENT_MS))
        )
        for statement in schema.LETTING_GO:
            self._connection.execute(statement)
        if self._value("SHOW synchronous_commit") == "off":
            # What is confirmed to a broker must be on the disk.
            self._connection.execute("SET synchronous_commit = on")

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self._connection.close()

    def create(self) -> None:
        """Make the tables, and the readings' partitions of this month and the next."""
        with self._connection.transaction():
            self._one_at_a_time("tables")
            for statement in schema.TABLES:
                self._connection.execute(statement)
        self.check()
        now = datetime.now(UTC)
        self._make_months({_month(now), _month(_month(now) + timedelta(days=32))})

    def check(self) -> None:
        """Raise ``FleetError`` unless the tables are there in the version of this program."""
        try:
            found = self._value("SELECT version FROM holdwatch.about")
        except psycopg.errors.UndefinedTable:
            raise FleetError("the database has no tables yet; run holdwatch fleet create") from None
        if found != schema.VERSION:
            message = (
                f"the database has tables of version {found}, this program knows "
                f"{schema.VERSION}; use the program that made them, or a newer one"
            )
            raise FleetError(message)

    def land(self, batch: Batch) -> int:
        """Land a batch; return how many of its events were new.

        What the database does not take for what it is (a zero byte in a text) goes to the
        refused ones, and so does an event whose number another event has already.
        """
        try:
            return self._land(batch)
        except psycopg.DataError as error:
            if len(batch) <= 1:
                return self._land(Batch(batch.via, refused=_refused(batch, _text(error))))
        alone = [Batch(batch.via, events=[event]) for event in batch.events]
        alone += [Batch(batch.via, readings=[reading]) for reading in batch.readings]
        alone += [Batch(batch.via, refused=batch.refused)]
        return sum(self.land(each) for each in alone if each)

    def streams(self) -> list[Stream]:
        """Return every shop's stream, and how many of its numbers are missing."""
        rows = self._connection.execute(schema.STREAMS).fetchall()
        return [Stream(*row) for row in rows]

    def gaps(self, older_than_s: float) -> list[tuple[str, str, int, int]]:
        """Return site, store, unbroken and newest of streams with a gap that has stood so long."""
        return self._connection.execute(
            """
            SELECT site, store, unbroken, newest FROM holdwatch.streams
            WHERE gap_since <= now() - make_interval(secs => %s) ORDER BY gap_since
            """,
            (older_than_s,),
        ).fetchall()

    def heard(self) -> dict[str, tuple[float, int]]:
        """Return how long ago each shop was heard, s, and its newest number then."""
        rows = self._connection.execute(
            """
            SELECT DISTINCT ON (site) site, extract(epoch FROM now() - heard)::float8, newest
            FROM holdwatch.streams ORDER BY site, heard DESC
            """
        ).fetchall()
        return {site: (ago_s, newest) for site, ago_s, newest in rows}

    def take_lock(self, site: str) -> bool:
        """Return whether this connection alone may fill a shop's gaps from now on."""
        taken = self._value("SELECT pg_try_advisory_lock(hashtextextended(%s, 0))", _key(site))
        return bool(taken)

    def release_lock(self, site: str) -> None:
        """Let others fill the shop's gaps."""
        self._value("SELECT pg_advisory_unlock(hashtextextended(%s, 0))", _key(site))

    def note_trouble(self, site: str, store: str, trouble: str | None) -> None:
        """Write down why a gap could not be filled."""
        self._connection.execute(
            "UPDATE holdwatch.streams SET trouble = %s WHERE site = %s AND store = %s",
            (trouble, site, store),
        )

    # -- landing ----------------------------------------------------------------------------

    def _land(self, batch: Batch) -> int:
        self._make_months({_month(reading.slot) for reading in batch.readings})
        # In the order of their keys, so that two consumers never wait for each other in a ring.
        events = sorted(batch.events, key=lambda event: (event.site, event.store, event.sequence))
        readings = sorted(astuple(reading) for reading in batch.readings)
        with self._connection.transaction():
            new = self._insert(schema.EVENT, [_event_row(event, batch.via) for event in events])
            if new < len(events):
                events = self._without_strangers(events, batch)
            if new > 0:  # else another consumer has landed all of it
                verdicts = [_verdict_row(event) for event in events if event.type == VERDICT]
                self._insert(schema.VERDICT, verdicts)
            self._insert(schema.READING, readings)
            self._insert(schema.REFUSED, sorted(_refused_row(each) for each in batch.refused))
            if new > 0:
                self._insert(schema.VOID, [row for event in events for row in _void_rows(event)])
                self._advance(events)
        return new

    def _insert(self, statement: LiteralString, rows: Sequence[Sequence[Any]]) -> int:
        if not rows:
            return 0
        with self._connection.cursor() as cursor:
            cursor.executemany(statement, rows)
            return cursor.rowcount

    def _without_strangers(self, events: list[ShopEvent], batch: Batch) -> list[ShopEvent]:
        """Drop, into the refused ones, events whose number another event has already.

        That happens where a shop's database was put back from an old copy and counted on.
        """
        kept = []
        known = {(each.topic, each.payload) for each in batch.refused}
        keys = [(event.site, event.store, event.sequence) for event in events]
        columns = [list(column) for column in zip(*keys, strict=True)]
        rows = self._connection.execute(schema.THERE, columns).fetchall()
        there = {row[:3]: row[3:] for row in rows}
        for key, event in zip(keys, events, strict=True):
            if there.get(key) == (event.type, event.time):
                kept.append(event)
                continue
            reason = "another event has its number; was the shop's database put back from a copy?"
            refused = Refused(event.id, reason, event.model_dump_json().encode())
            if (refused.topic, refused.payload) not in known:
                log.error("event %s: %s", event.id, reason)
                batch.refused.append(refused)
        return kept

    def _advance(self, events: Iterable[ShopEvent]) -> None:
        newest: dict[tuple[str, str], int] = {}
        for event in events:
            key = (event.site, event.store)
            newest[key] = max(newest.get(key, 0), event.sequence)
        for (site, store), sequence in sorted(newest.items()):
            heard = self._connection.execute(schema.HEARD, (site, store, sequence)).fetchone()
            assert heard is not None  # noqa: S101 - an INSERT with RETURNING returns a row
            unbroken = self._follow(site, store, heard[0])
            self._connection.execute(
                schema.ADVANCE, {"site": site, "store": store, "unbroken": unbroken}
            )

    def _follow(self, site: str, store: str, after: int) -> int:
        """Return the number up to which nothing is missing."""
        while True:
            asked = {"site": site, "store": store, "after": after, "page": schema.PAGE}
            found = int(self._value(schema.UNBROKEN, asked))
            if found < after + schema.PAGE:
                behind = self._value(schema.BEHIND_VOID, asked | {"after": found})
                if behind is None:
                    return found
                found = int(behind)
            after = found

    def _make_months(self, months: set[datetime]) -> None:
        for month in sorted(months - self._months):
            following = _month(month + timedelta(days=32))
            name = f"readings_{month:%Y_%m}"
            with self._connection.transaction():
                self._one_at_a_time("months")
                self._connection.execute(
                    sql.SQL(
                        "CREATE TABLE IF NOT EXISTS {} PARTITION OF holdwatch.readings "
                        "FOR VALUES FROM ({}) TO ({})"
                    ).format(
                        sql.Identifier("holdwatch", name),
                        sql.Literal(month),
                        sql.Literal(following),
                    )
                )
            self._months.add(month)

    def _one_at_a_time(self, what: str) -> None:
        """Wait, within a transaction, until no other program makes the same."""
        key = f"holdwatch {what}"
        self._value("SELECT pg_advisory_xact_lock(hashtextextended(%s, 0))", (key,))

    def _value(self, statement: LiteralString, values: Any = None) -> Any:
        row = self._connection.execute(statement, values).fetchone()
        return None if row is None else row[0]


def _event_row(event: ShopEvent, via: str) -> tuple[Any, ...]:
    return (
        event.site,
        event.store,
        event.sequence,
        event.type,
        event.time,
        event.bay,
        event.baysequence,
        event.subject,
        event.simulated,
        Jsonb(event.data),
        via,
    )


def _verdict_row(event: ShopEvent) -> tuple[Any, ...]:
    data = event.data
    leak, criterion = _table(data, "leak"), _table(data, "criterion")
    grams = _table(leak, "g_per_year")
    causes = data.get("causes")
    return (
        event.site,
        event.store,
        event.sequence,
        _words(data.get("hold")),
        event.bay,
        _words(data.get("unit")),
        _words(data.get("recipe")),
        _words(data.get("procedure")),
        event.time,
        event.simulated,
        _words(data.get("outcome")),
        [str(cause) for cause in causes] if isinstance(causes, list) else None,
        _words(data.get("sentence")),
        _number(data.get("decided_at_s")),
        _words(grams.get("refrigerant")),
        _number(grams.get("value")),
        _number(grams.get("low")),
        _number(grams.get("high")),
        _number(_table(leak, "mol_per_s").get("value")),
        _number(_table(leak, "pa_m3_per_s").get("value")),
        _number(data.get("smallest_visible_g_per_year")),
        _words(criterion.get("kind")),
        _number(criterion.get("limit")),
        _number(criterion.get("g_per_year")),
        _words(criterion.get("source")),
        _number(data.get("readings_used")),
        _words(data.get("readings_sha256")),
        _words(data.get("version")),
    )


def _void_rows(event: ShopEvent) -> list[tuple[Any, ...]]:
    """Return the numbers that a shop put back from a backup has left out, as a row."""
    known = event.data.get("from")
    if event.type != RESTORED or type(known) is not int or not 0 <= known < event.sequence - 1:
        return []
    return [(event.site, event.store, known + 1, event.sequence - 1, event.sequence)]


def _table(table: dict[str, Any], key: str) -> dict[str, Any]:
    found = table.get(key)
    return found if isinstance(found, dict) else {}


def _words(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _number(value: object) -> float | int | None:
    return value if isinstance(value, int | float) and not isinstance(value, bool) else None


def _refused(batch: Batch, reason: str) -> list[Refused]:
    """Return the one event or reading of a batch as refused."""
    found = [Refused(each.id, reason, each.model_dump_json().encode()) for each in batch.events]
    for reading in batch.readings:
        body = json.dumps(astuple(reading), default=str).encode()
        found.append(Refused(f"{reading.site}/{reading.bay}", reason, body))
    return found


def _refused_row(refused: Refused) -> tuple[bytes, str, str, bytes]:
    digest = hashlib.sha256(refused.topic.encode() + b"\0" + refused.payload).digest()
    topic, reason = refused.topic.replace("\0", "?"), refused.reason.replace("\0", "?")
    return (digest, topic, reason, refused.payload[:_MOST_KEPT])


def _key(site: str) -> tuple[str]:
    return (f"holdwatch fill {site}",)


def _month(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(day=1, hour=0, minute=0, second=0, microsecond=0)


def _text(error: Exception) -> str:
    return " ".join(str(error).split())
