"""The event log of a service that plays a script."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from holdwatch_daemon.messages import Event

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator

WRITTEN = "2026-03-02T08:00:00Z"


class FakeEvents:
    """Numbered events that the test writes."""

    def __init__(self) -> None:
        self.written: list[Event] = []
        self._more = asyncio.Condition()

    async def write(self, kind: str) -> None:
        event = Event.model_validate(
            {
                "id": f"e-{len(self.written) + 1}",
                "source": "/library-garage",
                "type": kind,
                "time": WRITTEN,
                "sequence": len(self.written) + 1,
            }
        )
        async with self._more:
            self.written.append(event)
            self._more.notify_all()

    async def subscribe(self, after: int | None = None) -> AsyncGenerator[Event, None]:
        at = len(self.written) if after is None else after
        while True:
            async with self._more:
                while at >= len(self.written):
                    await self._more.wait()
            at += 1
            yield self.written[at - 1]
