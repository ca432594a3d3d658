"""What tests of a chain stand on: events of invented shops, and a consumer as a real process."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import psycopg

from holdwatch_daemon.messages import Event
from holdwatch_daemon.store.opening import open_database
from holdwatch_fleet.message import ShopEvent

if TYPE_CHECKING:
    from collections.abc import Callable

STORE = "3f0a91c2d4b7"


def told(number: int, *, site: str = "county-library", store: str = STORE, **more: Any) -> Event:
    """An event of an invented shop."""
    body: dict[str, Any] = {
        "id": f"{site}-{store}-{number}",
        "source": f"/holdwatch/{site}",
        "type": "holdwatch.hold.noted",
        "time": f"2026-05-04T09:{number // 60 % 60:02}:{number % 60:02}.120Z",
        "sequence": number,
        "bay": "bay-2",
        "baysequence": number,
        "data": {"hold": "bay-2-20260504T090412Z-1c8e2a", "text": f"note {number}"},
    }
    return Event.model_validate(body | more)


def arrived(number: int, **more: Any) -> ShopEvent:
    """The same as the consumer reads it."""
    return ShopEvent.model_validate_json(told(number, **more).model_dump_json(exclude_none=True))


def store_with(database: Path, numbers: list[int]) -> None:
    """Make a shop's SQLite file that holds these events."""
    opened = open_database(database, "2026-05-04T09:00:00Z")
    for number in numbers:
        event = told(number)
        body = event.model_dump_json(exclude_none=True)
        opened.connection.execute(
            "INSERT INTO events (sequence, id, type, time, body) VALUES (?, ?, ?, ?, ?)",
            (number, event.id, event.type, event.time, body),
        )
    opened.connection.close()
    opened.lock.release()


class Consumer:
    """``holdwatch fleet land`` in a process of its own."""

    def __init__(self, dsn: str, port: int, name: str, *words: str) -> None:
        command = [sys.executable, "-m", "holdwatch_cli", "fleet", "land", "--mqtt", "127.0.0.1"]
        command += ["--port", str(port), "--postgres", dsn, "--name", name, *words]
        self._said = tempfile.NamedTemporaryFile()  # noqa: SIM115 - kill() closes it
        self.process = subprocess.Popen(command, stderr=self._said)

    def said(self) -> str:
        """Its log so far."""
        return Path(self._said.name).read_text()

    def is_subscribed(self) -> bool:
        """Whether the broker hands messages to it."""
        assert self.process.poll() is None, self.said()
        return "subscribed to" in self.said()

    def kill(self) -> None:
        """End it as a power cut does."""
        self.process.kill()
        self.process.wait()
        self._said.close()

    def stop(self) -> int:
        """End it in order; return its exit status."""
        self.process.terminate()
        return self.process.wait(30)


def asked(dsn: str, question: str) -> list[tuple[Any, ...]]:
    """Ask the database."""
    with psycopg.connect(dsn, autocommit=True) as connection:
        cursor = connection.execute(question)
        return cursor.fetchall() if cursor.description is not None else []


def until(true: Callable[[], object], within_s: float = 60.0) -> None:
    """Wait until something is true."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "it did not come true"
        time.sleep(0.1)
