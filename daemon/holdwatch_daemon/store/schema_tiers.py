"""The tables of summaries: what the recorder rolls readings into, and how far it has come."""

from __future__ import annotations

from typing import Final

TABLES: Final = (
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
