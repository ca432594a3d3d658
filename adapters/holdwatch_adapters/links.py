"""Parts that adapters with links share: patience, and the queue out of callbacks."""

from __future__ import annotations

import asyncio
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable, Coroutine

    from holdwatch_physics.reading import ProbeNotice, Reading

log = logging.getLogger(__name__)

T = TypeVar("T")

_OUTLET_LIMIT: Final = 20_000  # minutes of a whole shop's readings


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """Patience with a radio, in seconds of real time, whatever the shop's clock shows.

    Attributes:
        connect: For one attempt to connect.
        call: For any other single call.
        disconnect: For an orderly disconnect; a real stack takes 2 to 3.
        backoff_first: Pause after the first failure; it doubles with each further one.
        backoff_last: The longest pause.
        scanner_silence: No advertisement at all for this long: the scan is started anew.
        battery: Between two readings of a battery that does not report by itself.
        adopt: Between two looks for probes that are linked but lost sight of.
        daemon_return: How long the system's Bluetooth service may stay away.
    """

    connect: float = 20.0
    call: float = 10.0
    disconnect: float = 10.0
    backoff_first: float = 0.5
    backoff_last: float = 30.0
    scanner_silence: float = 90.0
    battery: float = 600.0
    adopt: float = 15.0
    daemon_return: float = 60.0


async def within(seconds: float, call: Coroutine[Any, Any, T], grace_s: float = 2.0) -> T:
    """Return what a call returns, or give it up, even where it cleans up for ever.

    A call that is cancelled may wait again while it cleans up, for a service that hangs;
    ``asyncio.timeout`` would then wait with it. Here it is left behind after ``grace_s``.

    Raises:
        TimeoutError: The call took longer.
        Exception: Whatever the call raises.
    """
    task = asyncio.ensure_future(call)
    try:
        await asyncio.wait({task}, timeout=seconds)
    finally:
        if not task.done():
            task.cancel()
            await asyncio.wait({task}, timeout=grace_s)
            task.add_done_callback(_take_up)
    if not task.done() or task.cancelled():
        raise TimeoutError(f"no answer within {seconds:g} s")
    return task.result()


def _take_up(task: asyncio.Task[Any]) -> None:
    """Look at an abandoned call's error, which nobody waits for any more."""
    if not task.cancelled():
        task.exception()


class Outlet:
    """A queue from callbacks to one reader; when the reader falls far behind, new items drop.

    A dropped reading is a gap, which a hold sees and never passes over.
    """

    def __init__(self) -> None:
        self._queue: asyncio.Queue[Reading | ProbeNotice | None] = asyncio.Queue()
        self._dropping = False
        self.dropped = 0

    def put(self, item: Reading | ProbeNotice) -> None:
        """Queue one item, or drop it."""
        if self._queue.qsize() >= _OUTLET_LIMIT:
            self.dropped += 1
            if not self._dropping:
                self._dropping = True
                log.error("readings are dropped: the service takes them up too slowly")
            return
        self._dropping = False
        self._queue.put_nowait(item)

    def close(self, _done: object = None) -> None:
        """Let the reader end once it has taken what is queued; also a task's done callback."""
        self._queue.put_nowait(None)

    async def get(self) -> Reading | ProbeNotice | None:
        """Return the next item, waiting for one; None after ``close``."""
        return await self._queue.get()


async def streamed(
    run: Callable[[Outlet], Coroutine[Any, Any, None]], name: str
) -> AsyncGenerator[Reading | ProbeNotice, None]:
    """Run a task beside its reader, and yield what it puts into an outlet.

    Args:
        run: Runs until it ends or raises; given the outlet.
        name: The task's name.

    Raises:
        Exception: Whatever ``run`` raises, once what it had put out is taken.
    """
    outlet = Outlet()
    running = asyncio.create_task(run(outlet), name=name)
    running.add_done_callback(outlet.close)
    try:
        while (item := await outlet.get()) is not None:
            yield item
        running.result()
    finally:
        running.cancel()
        await asyncio.wait({running})
        if not running.cancelled():
            running.exception()  # looked at above, where the stream was still wanted
