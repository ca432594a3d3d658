"""What the tests of the ways in share: a wall clock, and an ear for an adapter's stream."""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
import tty
from contextlib import aclosing
from typing import TYPE_CHECKING, Generic, Protocol, Self, TypeVar, cast

from holdwatch_physics.reading import ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable
    from types import TracebackType

    from holdwatch_adapters.ports import Adapter


class WallClock:
    """The real clock."""

    def utc_ns(self) -> int:
        return time.time_ns()

    def mono_ns(self) -> int:
        return time.monotonic_ns()

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class Enrolled(Protocol):
    """A probe as some way in enrols it."""

    @property
    def name(self) -> str: ...


A = TypeVar("A", bound="Adapter")


class Ear(Generic[A]):
    """An adapter that runs in the background, and everything that it has told."""

    def __init__(self, adapter: A) -> None:
        self.adapter = adapter
        self.heard: list[Reading | ProbeNotice] = []
        self._more = asyncio.Event()

    async def __aenter__(self) -> Self:
        self.task = asyncio.create_task(self._listen())
        self.task.add_done_callback(lambda _: self._more.set())
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        self.task.cancel()
        await asyncio.wait({self.task})

    async def _listen(self) -> None:
        stream = cast("AsyncGenerator[Reading | ProbeNotice, None]", self.adapter.stream())
        async with aclosing(stream):
            async for item in stream:
                self.heard.append(item)
                self._more.set()

    async def until(self, reached: Callable[[], bool], within_s: float = 10.0) -> None:
        async with asyncio.timeout(within_s):
            while not reached():
                if self.task.done():
                    self.task.result()
                    raise AssertionError("the stream has ended")
                self._more.clear()
                await self._more.wait()

    def values(self, channel: str) -> list[tuple[str, float]]:
        readings = [item for item in self.heard if isinstance(item, Reading)]
        return [(r.quantity.value, r.value) for r in readings if r.channel == channel]

    def notices(self, probe: str | Enrolled, kind: str) -> list[ProbeNotice]:
        name = probe if isinstance(probe, str) else probe.name
        found = [item for item in self.heard if isinstance(item, ProbeNotice)]
        return [n for n in found if n.probe == name and n.kind == kind]

    async def until_told(self, probe: str | Enrolled, kind: str, count: int = 1) -> None:
        await self.until(lambda: len(self.notices(probe, kind)) >= count)

    async def until_more(self, channel: str, count: int = 3, within_s: float = 10.0) -> None:
        wanted = len(self.values(channel)) + count
        await self.until(lambda: len(self.values(channel)) >= wanted, within_s)


class Terminal:
    """The device's end of a serial line."""

    def __init__(self) -> None:
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def received(self) -> bytes:
        os.set_blocking(self._master, False)
        with contextlib.suppress(BlockingIOError):
            return os.read(self._master, 4096)
        return b""

    def unplug(self) -> None:
        for descriptor in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(descriptor)
