"""A service with a shop's vehicles for the screens: the demo's season, and bays to be played."""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING, Any

from fake_service import FakeService, FakeStore

from holdwatch_cli.demo.season import seed_story
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.store import answers
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.transactions import OwnTransactions

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


class StoryStore(FakeStore):
    """Answers of the script, and questions to the real database."""

    def __init__(self, service: FakeService, database: Path) -> None:
        super().__init__(service)
        self._database = database

    async def ask(self, question: Callable[..., Any]) -> Any:
        connection = answers.connect(self._database)
        try:
            return question(connection)
        finally:
            connection.close()


class StoryService(FakeService):
    """The scripted service over a store with the season's vehicles."""

    def __init__(self, data: Path) -> None:
        super().__init__()
        self.clock = SystemClock()
        self.keep_in(data)

    def keep_in(self, data: Path) -> None:
        """Begin a store in a folder."""
        site = self.config.site.model_copy(update={"data": data})
        self.config = self.config.model_copy(update={"site": site})
        opened = open_database(self.config.database, "2026-01-01T00:00:00.000Z")
        opened.connection.close()
        opened.lock.release()
        assert seed_story(self.config.database, self.clock.utc_ns)
        self.transactions = OwnTransactions(self.config.database, self.clock.utc_ns)
        self.store = StoryStore(self, self.config.database)


def png(grey: int, pixels: int = 4) -> bytes:
    """A square picture of one grey."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", pixels, pixels, 8, 0, 0, 0, 0)
    rows = zlib.compress(bytes([0, *[grey] * pixels]) * pixels)
    parts = chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + parts
