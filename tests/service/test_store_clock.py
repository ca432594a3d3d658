"""A wall clock that cannot be right deletes nothing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from daemon_rig import BAY, TurnedClock, eventually, first_event, shop
from store_shop import START_S, fill

from holdwatch_daemon.messages import AcknowledgeAlarm
from holdwatch_daemon.service import Service
from holdwatch_daemon.store import retention as keeping
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.thinning import Limits, Recent, Thinner, oldest_free_ns
from holdwatch_daemon.store.trusted_time import TrustedTime, last_known, note_known

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path

DAY_NS = 86_400 * 10**9
YEARS_20_NS = 7_305 * DAY_NS
IN_1970_NS = 600 * 10**9
TODAY_NS = START_S * 10**9


def filled(path: Path) -> sqlite3.Connection:
    opened = open_database(path, "2026-09-21T14:00:00.000Z")
    opened.connection.execute("PRAGMA synchronous=OFF")
    fill(opened.connection, seconds=1_000, holds=(), story=False)
    roll_all(opened.connection, Ids("other", simulated=False))
    opened.lock.release()
    return opened.connection


def at(wall_ns: int) -> TurnedClock:
    clock = TurnedClock()
    clock.utc_zero_ns = wall_ns - clock.now_ns
    return clock


def set_to(clock: TurnedClock, wall_ns: int) -> None:
    clock.utc_zero_ns = wall_ns - clock.now_ns


def test_a_step_of_the_running_clock_is_not_believed_until_it_is_acknowledged() -> None:
    clock = at(TODAY_NS)
    time = TrustedTime(clock, None)
    clock.now_ns += DAY_NS
    assert (time.utc_ns(), time.is_doubtful) == (TODAY_NS + DAY_NS, False)
    set_to(clock, TODAY_NS + YEARS_20_NS)
    assert (time.utc_ns(), time.is_doubtful) == (TODAY_NS + DAY_NS, True)
    clock.now_ns += DAY_NS
    assert time.utc_ns() == TODAY_NS + 2 * DAY_NS, "the monotonic clock goes on"
    assert "acknowledge" in time.doubt()
    time.believe()
    assert (time.utc_ns(), time.is_doubtful) == (clock.utc_ns(), False)
    # Set back by a person: that is where it goes on from, and forward again is doubted again.
    set_to(clock, TODAY_NS)
    assert (time.utc_ns(), time.is_doubtful) == (TODAY_NS, False)
    set_to(clock, TODAY_NS + YEARS_20_NS)
    assert (time.utc_ns(), time.is_doubtful) == (TODAY_NS, True)


@pytest.mark.parametrize(
    ("known_ns", "wall_ns", "is_doubtful"),
    [
        (TODAY_NS, TODAY_NS + 29 * DAY_NS, False),  # closed for a month
        (TODAY_NS, TODAY_NS + 31 * DAY_NS, True),
        (TODAY_NS, IN_1970_NS, False),  # behind: nothing is old
        (IN_1970_NS, TODAY_NS, False),  # was never set before
        (None, TODAY_NS, False),
    ],
)
def test_at_the_start_the_clock_is_held_against_what_the_store_knows(
    known_ns: int | None, wall_ns: int, *, is_doubtful: bool
) -> None:
    time = TrustedTime(at(wall_ns), known_ns)
    assert time.utc_ns() == (known_ns if is_doubtful else wall_ns)
    assert time.is_doubtful == is_doubtful


def test_a_clock_that_starts_in_1970_and_is_set_later_is_no_leap() -> None:
    clock = at(IN_1970_NS)
    time = TrustedTime(clock, TODAY_NS)
    assert time.utc_ns() == IN_1970_NS
    set_to(clock, TODAY_NS + DAY_NS)
    assert (time.utc_ns(), time.is_doubtful) == (TODAY_NS + DAY_NS, False)


def test_what_the_store_knows_is_its_newest_reading_until_a_time_is_noted(tmp_path: Path) -> None:
    empty = open_database(tmp_path / "empty.db", "now")
    assert last_known(empty.connection) is None
    empty.connection.close()
    empty.lock.release()
    connection = filled(tmp_path / "holdwatch.db")
    (newest,) = connection.execute("SELECT MAX(utc_ns) FROM readings").fetchone()
    assert last_known(connection) == newest
    note_known(connection, 77)
    assert last_known(connection) == 77
    connection.close()


def test_young_readings_of_this_boot_stay_whatever_their_time_of_day(tmp_path: Path) -> None:
    connection = filled(tmp_path / "holdwatch.db")
    connection.execute("UPDATE readings SET utc_ns = mono_ns")  # stamped in 1970
    recent = Recent("boot-a", 400 * 10**9)
    assert oldest_free_ns(connection, recent) == 0
    Thinner(Limits(TODAY_NS, recent=recent)).step(connection)
    left = connection.execute("SELECT COUNT(*), MIN(mono_ns) FROM readings").fetchone()
    assert left == (2 * 600, 400 * 10**9)
    assert oldest_free_ns(connection, recent) is None
    # Of a boot that is over, only the time of day tells.
    Thinner(Limits(TODAY_NS, recent=Recent("boot-b", 0))).step(connection)
    assert connection.execute("SELECT COUNT(*) FROM readings").fetchone() == (0,)
    connection.close()


async def test_a_clock_20_years_ahead_deletes_nothing_until_someone_acknowledges(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(keeping, "LOOK_EVERY_S", 0.02)
    monkeypatch.setattr(keeping, "THIN_EVERY_S", 0.05)
    passes: list[Limits] = []

    def thinner(limits: Limits) -> Thinner:
        passes.append(limits)
        return Thinner(limits)

    monkeypatch.setattr(keeping, "Thinner", thinner)
    filled(tmp_path / "holdwatch.db").close()
    config = shop(tmp_path, keeping={"raw_days": 400})

    def readings(connection: sqlite3.Connection) -> int:
        (count,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
        return int(count)

    for start in range(2):  # what the first start stores at the wrong time misleads no second one
        async with Service(config, at(TODAY_NS + YEARS_20_NS), []) as service:
            passes.clear()
            await eventually(lambda: len(passes) >= 2)
            await eventually(lambda: bool(service.bay_state(BAY).alarms))
            (alarm,) = service.bay_state(BAY).alarms
            assert alarm.kind == "clock"
            assert await service.store.ask(readings) == 2_000
            if start == 1:
                seen = AcknowledgeAlarm(command="acknowledge_alarm", id="seen", alarm=alarm.id)
                assert (await service.command(BAY, seen, by="test")).ok
                told = await first_event(service, "holdwatch.store.thinned")
                assert told.data["readings"] == 2_000
                assert await service.store.ask(readings) == 0
                await eventually(lambda: not service.bay_state(BAY).alarms)
