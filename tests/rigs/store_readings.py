"""Readings by chance, for the store; light to import, since processes that are killed do."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from holdwatch_daemon.store.rolling import WIDTHS_S

if TYPE_CHECKING:
    import sqlite3

import random

from holdwatch_daemon.store.rows import FlaggedReading
from holdwatch_physics.reading import Quality, Quantity, Reading

START_NS = 1_790_000_003 * 10**9
QUALITIES = (Quality.GOOD,) * 20 + (Quality.SUSPECT, Quality.SATURATED, Quality.STALE)


def readings(
    seconds: range, *, seed: int = 1, channels: int = 2, utc_zero_ns: int = START_NS
) -> list[FlaggedReading]:
    chance = random.Random(seed)
    return [
        FlaggedReading(
            Reading(
                f"gauge-{channel}/pressure",
                Quantity.PRESSURE_ABSOLUTE,
                utc_zero_ns + second * 10**9 + channel,
                second * 10**9 + channel,
                1e5 + chance.gauss(0.0, 50.0),
                chance.choice(QUALITIES),
            ),
            chance.choice([None] * 30 + ["late", "future"]),
        )
        for second in seconds
        for channel in range(channels)
    ]


NOW = "2026-09-21T14:00:00.000Z"
IN_PLAIN_SQL = """
SELECT channel_id, {w} AS width_s, utc_ns / 1000000000 / {w} * {w} AS start_s, MIN(value),
       MAX(value), AVG(value), COUNT(*), MAX(CASE quality WHEN 'good' THEN 0 WHEN 'suspect' THEN 1
       WHEN 'saturated' THEN 2 WHEN 'stale' THEN 3 END)
FROM readings WHERE flag IS NULL OR flag <> 'future' GROUP BY channel_id, start_s ORDER BY 1, 3
"""


def assert_equal_to_plain_sql(connection: sqlite3.Connection) -> None:
    for width in WIDTHS_S:
        wanted = connection.execute(IN_PLAIN_SQL.format(w=width)).fetchall()
        found = connection.execute(
            "SELECT channel_id, width_s, start_s, low, high, total / count, count, worst"
            " FROM tiers WHERE width_s = ? ORDER BY 1, 3",
            (width,),
        ).fetchall()
        assert wanted
        assert [row[:5] + row[6:] for row in found] == [row[:5] + row[6:] for row in wanted]
        assert [row[5] for row in found] == pytest.approx([row[5] for row in wanted], rel=1e-12)
