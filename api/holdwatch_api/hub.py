"""One source of live frames for all screens: made once, sent to as many as look."""

from __future__ import annotations

import asyncio
import json
import logging
from contextlib import aclosing
from typing import TYPE_CHECKING, Any, Final

from holdwatch_api.streams import BEAT_S, frame
from holdwatch_daemon.tasks import end_tasks

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable, Collection

    from holdwatch_daemon.service import Service

_log = logging.getLogger(__name__)

LIVE_EVERY_S: Final = 0.1
"""Values of one bay go out at most this often, s."""
STATE_EVERY_S: Final = 0.5
"""A bay's state goes out at most this often, s."""
_LOOK_EVERY_S: Final = 0.5
_BEAT: Final = frame("{}", event="beat").encode()


class _Listener:
    """What one screen has still to get: the newest frame of each kind and bay.

    A slow screen misses what was overtaken, holds nobody up, and takes no memory that grows.
    """

    def __init__(self, names: Collection[str], allowed: Callable[[], bool]) -> None:
        self.names = frozenset(names)
        self.allowed = allowed
        self.ended = False
        self.news = asyncio.Event()
        self.sent_at = asyncio.get_running_loop().time()
        self._waiting: dict[tuple[str, str], bytes] = {}

    def offer(self, kind: str, name: str, text: bytes) -> None:
        self._waiting[kind, name] = text
        self.news.set()

    def end(self) -> None:
        self.ended = True
        self.news.set()

    async def take(self) -> bytes:
        """Wait for something, and return all of it; empty at the end."""
        await self.news.wait()
        self.news.clear()
        self.sent_at = asyncio.get_running_loop().time()
        text = b"" if self.ended else b"".join(self._waiting.values())
        self._waiting.clear()
        return text


class LiveHub:
    """Follows the service while a screen looks, and makes each frame once for all of them.

    Args:
        service: What is followed.
        closing: Set when the process stops.
    """

    def __init__(self, service: Service, closing: asyncio.Event) -> None:
        self._service = service
        self._closing = closing
        self._listeners: set[_Listener] = set()
        self._running: asyncio.Task[None] | None = None
        self._frames: dict[tuple[str, str], bytes] = {}
        self._content: dict[str, str] = {}
        self._state_at: dict[str, float] = {}
        self._later: dict[str, asyncio.TimerHandle] = {}
        self._resting: set[asyncio.Task[None]] = set()

    async def follow(
        self, names: Collection[str], allowed: Callable[[], bool]
    ) -> AsyncGenerator[bytes, None]:
        """Yield frames ready to send: all that stands first, then what changes.

        Ends when the process stops, the service ends, or the reader is not allowed any more.
        """
        listener = _Listener(names, allowed)
        show = self._service.config.show.model_dump(mode="json")
        told = json.dumps({"bays": list(names), "show": show})
        listener.offer("bays", "", frame(told, event="bays").encode())
        self._listeners.add(listener)
        try:
            self._begin(listener)
            while text := await listener.take():
                yield text
        finally:
            self._listeners.discard(listener)
            if not self._listeners:
                self._rest()

    def _begin(self, listener: _Listener) -> None:
        """Give a new listener what stands, from a run that is new where there is none."""
        if self._running is None:
            self._running = asyncio.create_task(self._run(), name="live")
            return  # which begins with every bay
        for (kind, name), text in self._frames.items():
            if name in listener.names:
                listener.offer(kind, name, text)

    def _rest(self) -> None:
        """Follow nothing while nobody looks."""
        if self._running is not None:
            self._running.cancel()
            self._resting.add(self._running)
            self._running.add_done_callback(self._resting.discard)
            self._running = None
        for timer in self._later.values():
            timer.cancel()
        for table in (self._later, self._frames, self._content, self._state_at):
            table.clear()

    async def _run(self) -> None:
        create = asyncio.create_task
        tasks: list[asyncio.Task[Any]] = [
            create(self._pump()),
            create(self._look_after()),
            create(self._closing.wait()),
        ]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                if task.exception() is not None:
                    _log.error("the live stream broke", exc_info=task.exception())
        finally:
            await end_tasks(tasks)
        for listener in self._listeners:
            listener.end()

    async def _pump(self) -> None:
        async with aclosing(self._service.changes(LIVE_EVERY_S)) as changes:
            async for name in changes:
                self._renew_state(name)
                values = self._service.live(name).model_dump_json()
                self._tell("live", name, frame(values, event="live"))

    def _renew_state(self, name: str) -> None:
        """Tell a bay's state where it changed: now, or as soon as it is time again."""
        if name in self._later:
            return
        loop = asyncio.get_running_loop()
        wait_s = self._state_at.get(name, float("-inf")) + STATE_EVERY_S - loop.time()
        if wait_s > 0.0:
            self._later[name] = loop.call_later(wait_s, self._tell_owed_state, name)
            return
        self._tell_state(name)

    def _tell_owed_state(self, name: str) -> None:
        del self._later[name]
        self._tell_state(name)

    def _tell_state(self, name: str) -> None:
        self._state_at[name] = asyncio.get_running_loop().time()
        state = self._service.bay_state(name)
        content = state.model_dump_json(exclude={"time"})  # the time alone is no news
        if self._content.get(name) != content:
            self._content[name] = content
            self._tell("state", name, frame(state.model_dump_json(), event="state"))

    def _tell(self, kind: str, name: str, text: str) -> None:
        made = text.encode()
        if self._frames.get((kind, name)) == made:
            return
        self._frames[kind, name] = made
        for listener in self._listeners:
            if name in listener.names:
                listener.offer(kind, name, made)

    async def _look_after(self) -> None:
        """End who is not allowed any more, and show the others that the stream lives."""
        while True:
            await asyncio.sleep(_LOOK_EVERY_S)
            now = asyncio.get_running_loop().time()
            for listener in self._listeners:
                if not listener.allowed():
                    listener.end()
                elif now - listener.sent_at > BEAT_S - _LOOK_EVERY_S:
                    listener.offer("beat", "", _BEAT)
