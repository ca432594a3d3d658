"""The tables of a chain's PostgreSQL database."""

from __future__ import annotations

from typing import Final, LiteralString

VERSION: Final = 1
"""The version of the tables that this program reads and writes."""

TABLES: Final[tuple[LiteralString, ...]] = (
    "CREATE SCHEMA IF NOT EXISTS holdwatch",
    """
    CREATE TABLE IF NOT EXISTS holdwatch.about (
        only_row boolean PRIMARY KEY DEFAULT true CHECK (only_row),
        version integer NOT NULL
    )
    """,
    """
    CREATE TABLE IF NOT EXISTS holdwatch.events (
        site text NOT NULL,          -- the shop
        store text NOT NULL,         -- the identity of its database; sequence counts within it
        sequence bigint NOT NULL,    -- from 1, without gaps
        type text NOT NULL,
        time timestamptz NOT NULL,   -- when it happened, by the shop's clock
        bay text,
        baysequence bigint,
        subject text,
        simulated boolean NOT NULL,
        data jsonb NOT NULL,
        landed timestamptz NOT NULL DEFAULT now(),
        via text NOT NULL,           -- mqtt, http or store
        PRIMARY KEY (site, store, sequence)
    )
    """,
    "CREATE INDEX IF NOT EXISTS events_by_time ON holdwatch.events USING brin (time)",
    "CREATE INDEX IF NOT EXISTS events_by_subject ON holdwatch.events (subject)",
    """
    CREATE TABLE IF NOT EXISTS holdwatch.verdicts (
        site text NOT NULL,
        store text NOT NULL,
        sequence bigint NOT NULL,
        hold text,
        bay text,
        unit text,
        recipe text,
        procedure text,
        time timestamptz NOT NULL,
        simulated boolean NOT NULL,
        outcome text,
        causes text[],
        sentence text,
        decided_at_s double precision,
        refrigerant text,
        leak_g_per_year double precision,
        leak_low_g_per_year double precision,
        leak_high_g_per_year double precision,
        leak_mol_per_s double precision,
        leak_pa_m3_per_s double precision,
        smallest_visible_g_per_year double precision,
        criterion_kind text,
        criterion_limit double precision,
        criterion_g_per_year double precision,
        criterion_source text,
        readings_used bigint,
        readings_sha256 text,
        version text,
        PRIMARY KEY (site, store, sequence),
        FOREIGN KEY (site, store, sequence) REFERENCES holdwatch.events
    )
    """,
    "CREATE INDEX IF NOT EXISTS verdicts_by_unit ON holdwatch.verdicts (unit, time)",
    "CREATE INDEX IF NOT EXISTS verdicts_by_time ON holdwatch.verdicts USING brin (time)",
    """
    CREATE TABLE IF NOT EXISTS holdwatch.readings (
        site text NOT NULL,
        bay text NOT NULL,
        role text NOT NULL,
        slot timestamptz NOT NULL,   -- one reading a role and slot
        time timestamptz NOT NULL,
        channel text NOT NULL,
        quantity text NOT NULL,
        value double precision NOT NULL,  -- Pa or K, as unit says
        unit text NOT NULL,
        quality text NOT NULL,
        simulated boolean NOT NULL,
        PRIMARY KEY (site, bay, role, slot)
    ) PARTITION BY RANGE (slot)
    """,
    """
    CREATE TABLE IF NOT EXISTS holdwatch.streams (
        site text NOT NULL,
        store text NOT NULL,
        unbroken bigint NOT NULL DEFAULT 0,  -- every event up to this number has landed
        newest bigint NOT NULL,              -- the highest number that has landed
        gap_since timestamptz,               -- when the first number after unbroken was missed
        heard timestamptz NOT NULL,
        trouble text,                        -- why the gap could not be filled
        PRIMARY KEY (site, store)
    )
    """,
    """
    CREATE TABLE IF NOT EXISTS holdwatch.voids (
        site text NOT NULL,
        store text NOT NULL,
        first bigint NOT NULL,       -- numbers that the shop has left out for good
        last bigint NOT NULL,
        sequence bigint NOT NULL,    -- the event that says so
        PRIMARY KEY (site, store, first)
    )
    """,
    """
    CREATE TABLE IF NOT EXISTS holdwatch.refused (
        digest bytea PRIMARY KEY,    -- SHA-256 of topic and payload
        first timestamptz NOT NULL DEFAULT now(),
        topic text NOT NULL,
        reason text NOT NULL,
        payload bytea NOT NULL       -- its first 64 kB
    )
    """,
    "INSERT INTO holdwatch.about (version) VALUES (1) ON CONFLICT DO NOTHING",
)
"""Statements that make what is missing and leave what is there."""

EVENT: Final[LiteralString] = """
INSERT INTO holdwatch.events
    (site, store, sequence, type, time, bay, baysequence, subject, simulated, data, via)
VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
ON CONFLICT DO NOTHING
"""

VERDICT: Final[LiteralString] = """
INSERT INTO holdwatch.verdicts
    (site, store, sequence, hold, bay, unit, recipe, procedure, time, simulated, outcome, causes,
     sentence, decided_at_s, refrigerant, leak_g_per_year, leak_low_g_per_year,
     leak_high_g_per_year, leak_mol_per_s, leak_pa_m3_per_s, smallest_visible_g_per_year,
     criterion_kind, criterion_limit, criterion_g_per_year, criterion_source, readings_used,
     readings_sha256, version)
VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s,
        %s, %s, %s, %s, %s, %s)
ON CONFLICT DO NOTHING
"""

READING: Final[LiteralString] = """
INSERT INTO holdwatch.readings
    (site, bay, role, slot, time, channel, quantity, value, unit, quality, simulated)
VALUES (%s, %s, %s, %s, %s, %s, %s, %s, %s, %s, %s)
ON CONFLICT DO NOTHING
"""

REFUSED: Final[LiteralString] = """
INSERT INTO holdwatch.refused (digest, topic, reason, payload) VALUES (%s, %s, %s, %s)
ON CONFLICT DO NOTHING
"""

HEARD: Final[LiteralString] = """
INSERT INTO holdwatch.streams AS stream (site, store, newest, heard) VALUES (%s, %s, %s, now())
ON CONFLICT (site, store)
DO UPDATE SET newest = greatest(stream.newest, excluded.newest), heard = now()
RETURNING unbroken, newest
"""
"""Locks the stream's row: from here on two consumers go one after the other."""

PAGE: Final = 5_000
"""Numbers looked at in one step when a stream's unbroken part is followed."""

UNBROKEN: Final[LiteralString] = """
SELECT coalesce(max(sequence), %(after)s)
FROM (
    SELECT sequence, row_number() OVER (ORDER BY sequence) AS place
    FROM (
        SELECT sequence FROM holdwatch.events
        WHERE site = %(site)s AND store = %(store)s AND sequence > %(after)s
        ORDER BY sequence LIMIT %(page)s
    ) AS page
) AS numbered
WHERE sequence = %(after)s + place
"""
"""The number up to which nothing is missing after one that is known to be such."""

VOID: Final[LiteralString] = """
INSERT INTO holdwatch.voids (site, store, first, last, sequence) VALUES (%s, %s, %s, %s, %s)
ON CONFLICT (site, store, first) DO UPDATE SET last = greatest(voids.last, excluded.last)
"""

BEHIND_VOID: Final[LiteralString] = """
SELECT max(last) FROM holdwatch.voids
WHERE site = %(site)s AND store = %(store)s AND first <= %(after)s + 1 AND last > %(after)s
"""
"""Where one goes on when the number after one that nothing is missing up to was left out."""

STREAMS: Final[LiteralString] = """
SELECT site, store, unbroken, newest,
       newest - unbroken - (
           SELECT count(*) FROM holdwatch.events AS event
           WHERE event.site = stream.site AND event.store = stream.store
             AND event.sequence > stream.unbroken
       ) - (
           SELECT coalesce(sum(last - first + 1 - (
               SELECT count(*) FROM holdwatch.events AS event
               WHERE event.site = stream.site AND event.store = stream.store
                 AND event.sequence BETWEEN void.first AND void.last
           )), 0)::bigint
           FROM holdwatch.voids AS void
           WHERE void.site = stream.site AND void.store = stream.store
             AND void.first > stream.unbroken
       ),
       gap_since, heard, trouble
FROM holdwatch.streams AS stream ORDER BY site, store
"""

ADVANCE: Final[LiteralString] = """
UPDATE holdwatch.streams
SET gap_since = CASE
        WHEN %(unbroken)s >= newest THEN NULL
        WHEN gap_since IS NULL OR %(unbroken)s > unbroken THEN now()
        ELSE gap_since
    END,
    trouble = CASE WHEN %(unbroken)s >= newest THEN NULL ELSE trouble END,
    unbroken = %(unbroken)s
WHERE site = %(site)s AND store = %(store)s
"""

THERE: Final[LiteralString] = """
SELECT event.site, event.store, event.sequence, event.type, event.time
FROM unnest(%s::text[], %s::text[], %s::bigint[]) AS asked (site, store, sequence)
JOIN holdwatch.events AS event USING (site, store, sequence)
"""
"""What the events with these numbers are."""

LETTING_GO: Final[tuple[LiteralString, ...]] = (
    "SET tcp_keepalives_idle = 10",
    "SET tcp_keepalives_interval = 5",
    "SET tcp_keepalives_count = 4",
    "SET tcp_user_timeout = '30s'",
)
"""A consumer that is gone from the network midway holds its locks no longer than 30 s."""
