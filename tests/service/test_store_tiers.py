"""Tiers: what readings are rolled into, and what the record answers over any span."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING, Any

import pytest
from store_readings import NOW, START_NS, assert_equal_to_plain_sql, readings

from holdwatch_daemon.store import history, rolling
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import Roller, roll_all
from holdwatch_daemon.store.rows import Ids, insert_readings

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator
    from pathlib import Path

    from holdwatch_daemon.store.rows import FlaggedReading


@pytest.fixture
def database(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    opened = open_database(tmp_path / "holdwatch.db", NOW)
    opened.connection.execute("PRAGMA synchronous=OFF")
    yield opened.connection
    opened.connection.close()
    opened.lock.release()


def put(connection: sqlite3.Connection, ids: Ids, items: list[FlaggedReading]) -> None:
    connection.execute("BEGIN")
    insert_readings(connection, ids, items)
    connection.execute("COMMIT")


def test_tiers_equal_plain_sql_in_steps_of_any_size_with_late_readings_and_a_set_clock(
    database: sqlite3.Connection,
) -> None:
    ids = Ids("boot-1", simulated=False)
    roller = Roller(ids, "boot-1")
    chance = random.Random(7)
    # The clock is set back an hour halfway, and every fifth reading comes after its neighbours.
    coming = readings(range(3000)) + readings(
        range(3000, 6000), seed=2, utc_zero_ns=START_NS - 3600 * 10**9
    )
    held: list[FlaggedReading] = []
    for first in range(0, len(coming), 400):
        batch = coming[first : first + 400]
        late = [item for item in batch if chance.random() < 0.2]
        put(database, ids, [item for item in batch if item not in late])
        done = roller.step(database, coming[first].reading.mono_ns, chance.choice([7, 150, 10**4]))
        assert done >= 0
        put(database, ids, held)
        put(database, ids, held)  # the same again: counted once
        held = late
    put(database, ids, held)
    while roller.step(database, 2**62, 500):
        pass
    assert_equal_to_plain_sql(database)
    # Another boot, and the older one is rolled by a process that never saw it.
    put(database, Ids("boot-2", simulated=False), readings(range(500), seed=3))
    assert roll_all(database, Ids("boot-3", simulated=False)) == 1000
    assert_equal_to_plain_sql(database)
    assert roll_all(database, Ids("boot-3", simulated=False)) == 0


@pytest.mark.parametrize("is_told", [True, False])  # the writer tries again without a word
@pytest.mark.parametrize("most", [700, 10_000])
def test_a_step_that_is_undone_leaves_no_gap_and_no_double(
    database: sqlite3.Connection, most: int, is_told: bool
) -> None:
    ids = Ids("boot-1", simulated=False)
    put(database, ids, readings(range(1000)))
    roller = Roller(ids, "boot-2")
    database.execute("BEGIN")
    assert roller.step(database, 0, most) == min(most, 2000)
    database.execute("ROLLBACK")
    if is_told:
        roller.undone()
    ids.forget()
    while roller.step(database, 0, 300):
        pass
    assert_equal_to_plain_sql(database)


def ask(
    connection: sqlite3.Connection, first_s: float, last_s: float, points: int = 1000
) -> dict[str, Any]:
    start = START_NS // 10**9
    channels = history.channels(connection, ["gauge-0/pressure"])
    return history.history(
        connection,
        channels,
        round((start + first_s) * 1e9),
        round((start + last_s) * 1e9),
        points,
    )


@pytest.mark.parametrize("rolled_to_s", [0, 9_000, 20_000])
def test_every_span_gives_its_readings_once_however_far_they_are_rolled(
    database: sqlite3.Connection, rolled_to_s: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(history, "NEWEST_S", 10**6)
    ids = Ids("boot-1", simulated=False)
    put(database, ids, readings(range(20_000), channels=1))
    roller = Roller(ids, "boot-1")
    while roller.step(database, rolled_to_s * 10**9):
        pass
    for first, last, points, width in [
        (0, 20_000, 10, 2400),
        (0, 20_000, 20, 1200),
        (3_000, 15_000, 700, 20),
        (3_000, 5_000, 500, 5),
        (3_000, 5_000, 1000, 2),
        (3_000, 3_900, 1000, 0),
    ]:
        answer = ask(database, first, last, points)
        assert answer["width_s"] == width
        assert answer["whole"] is True
        (series,) = answer["series"]
        assert series["t_s"] == sorted(set(series["t_s"]))
        wanted = database.execute(
            "SELECT COUNT(*), MIN(value), MAX(value), SUM(value) FROM readings"
            " WHERE flag IS NOT 'future' AND utc_ns >= ? AND utc_ns < ?",
            (answer["from_s"] * 1e9, answer["to_s"] * 1e9),
        ).fetchone()
        assert sum(series["count"]) == wanted[0]
        assert (min(series["low"]), max(series["high"])) == wanted[1:3]
        total = sum(c * m for c, m in zip(series["count"], series["mean"], strict=True))
        assert total == pytest.approx(wanted[3], rel=1e-12)
        if width == 0:
            assert series["low"] == series["mean"] == series["high"]
            assert set(series["count"]) == {1}


def test_zooming_reaches_the_readings_on_both_sides_of_a_clock_that_was_set(
    database: sqlite3.Connection,
) -> None:
    ids = Ids("boot-1", simulated=False)
    put(database, ids, readings(range(2000), channels=1))
    jump = 5 * 86400
    put(
        database,
        ids,
        readings(range(2000, 4000), channels=1, utc_zero_ns=START_NS + jump * 10**9),
    )
    roll_all(database, Ids("boot-2", simulated=False))
    assert database.execute("SELECT COUNT(*) FROM stretches").fetchone() == (2,)
    for first in (1000, 2500 + jump):
        (series,) = ask(database, first, first + 500)["series"]
        flagged = database.execute(
            "SELECT COUNT(*) FROM readings WHERE flag = 'future' AND utc_ns BETWEEN ? AND ?",
            (round((START_NS / 1e9 + first) * 1e9), round((START_NS / 1e9 + first + 500) * 1e9)),
        ).fetchone()[0]
        assert 500 - flagged <= len(series["t_s"]) <= 520


def test_where_readings_or_a_tier_were_thinned_the_next_one_answers(
    database: sqlite3.Connection,
) -> None:
    ids = Ids("boot-1", simulated=False)
    put(database, ids, readings(range(40_000), channels=1))
    roll_all(database, Ids("boot-2", simulated=False))
    whole = {
        points: sum(ask(database, 0, 39_990, points)["series"][0]["count"]) for points in (20, 3000)
    }
    zoomed = ask(database, 5_000, 5_600)["series"][0]
    database.execute("DELETE FROM readings WHERE mono_ns < ?", (20_000 * 10**9,))
    again = ask(database, 5_000, 5_600)["series"][0]
    assert sum(again["count"]) == sum(zoomed["count"])
    assert len(again["t_s"]) in {60, 61, 62}
    edge = (START_NS // 10**9 + 20_000) // 3600 * 3600
    for width in (10, 60):
        database.execute("DELETE FROM tiers WHERE width_s = ? AND start_s < ?", (width, edge))
    for points, count in whole.items():
        assert sum(ask(database, 0, 39_990, points)["series"][0]["count"]) == count


def test_a_store_that_is_far_behind_says_so_and_answers_its_newest_hour(
    database: sqlite3.Connection,
) -> None:
    ids = Ids("boot-1", simulated=False)
    put(database, ids, readings(range(9_000), channels=1))
    answer = ask(database, 0, 9_000, 100)
    assert answer["whole"] is False
    assert 3_300 < sum(answer["series"][0]["count"]) <= 3_600
    roll_all(database, Ids("boot-2", simulated=False))
    assert ask(database, 0, 9_000, 100)["whole"] is True


def test_widths_grow_with_the_span() -> None:
    month = 30 * 86400
    widths = [history.width_for(span, 1000) for span in (900, 3600, 5000, 10**4, 86400, month)]
    assert widths == [0, 5, 5, 10, 120, 3000]
    assert rolling.WIDTHS_S[0] % 5 == 0
