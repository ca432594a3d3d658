"""Counters of encrypted probes in their file."""

from __future__ import annotations

import sqlite3
import threading
import time
from contextlib import closing
from typing import TYPE_CHECKING

import pytest

from holdwatch_adapters.bluetooth.bthome import CounterGuard
from holdwatch_adapters.decoding import RefusedError
from holdwatch_daemon.store.counters import SqliteCounters

if TYPE_CHECKING:
    from pathlib import Path


def test_counters_outlive_the_process(tmp_path: Path) -> None:
    path = tmp_path / "data" / "counters.db"
    counters = SqliteCounters(path)
    assert counters.last("a") is None
    for counter in (1, 5, 4_294_967_295):
        counters.remember("a", counter)
    counters.remember("b", 2)
    # A killed process closes nothing: a second one reads beside the first.
    again = SqliteCounters(path)
    assert (again.last("a"), again.last("b"), again.last("c")) == (4_294_967_295, 2, None)
    again.close()
    counters.close()


def test_a_disk_that_stands_is_not_waited_for_and_gets_the_newest_counters(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "counters.db"
    counters = SqliteCounters(path)
    stands, written = threading.Event(), counters._write

    def stand(news: dict[str, int]) -> None:
        stands.wait(20.0)
        written(news)

    monkeypatch.setattr(counters, "_write", stand)
    began = time.monotonic()
    for counter in range(100):
        counters.remember("a", counter)
    assert time.monotonic() - began < 1.0, "one is waited for, a moment, and no other"
    assert counters.last("a") == 99
    stands.set()
    counters.close()
    again = SqliteCounters(path)
    assert again.last("a") == 99
    again.close()


def test_a_file_that_cannot_be_used_is_told_once_and_stops_nobody(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "counters.db"
    path.write_text("this is no database, and long enough to be sure of it " * 20)
    counters = SqliteCounters(path)
    assert counters.last("a") is None
    counters.remember("a", 3)
    counters.remember("a", 4)
    assert counters.last("a") == 4
    assert caplog.text.count("cannot be kept") == 1
    counters.close()


def test_a_locked_file_does_not_hold_up_the_loop_for_long(tmp_path: Path) -> None:
    path = tmp_path / "counters.db"
    counters = SqliteCounters(path)
    counters.remember("a", 1)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    began = time.monotonic()
    counters.remember("a", 2)
    assert time.monotonic() - began < 1.0
    assert counters.last("a") == 2
    other.execute("ROLLBACK")
    other.close()
    counters.close()


def test_a_file_that_can_be_read_late_still_tells_of_old_packets(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "counters.db"
    counters = SqliteCounters(path)
    counters.remember("a", 7)
    counters.remember("b", 9)
    counters.close()
    again = SqliteCounters(path)

    def locked() -> sqlite3.Connection:
        raise sqlite3.OperationalError("database is locked")

    with monkeypatch.context() as once:
        once.setattr(again._file, "open", locked)
        guards = {sender: CounterGuard(again, sender) for sender in ("a", "b")}
    guards["a"].accept(8)
    with pytest.raises(RefusedError, match="counter 9 after 9"):
        guards["b"].accept(9)
    guards["b"].accept(10)
    again.close()
    with closing(sqlite3.connect(path)) as connection:
        rows = connection.execute("SELECT sender, last FROM counters ORDER BY sender")
        assert rows.fetchall() == [("a", 8), ("b", 10)]
