"""Makes an adapter's stream: its queue, patience with calls, reports of a probe, its presence."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING, Any, Final, TypeVar

from holdwatch_physics.reading import Channel, ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable, Coroutine

    from holdwatch_adapters.ports import Clock


log = logging.getLogger(__name__)

T = TypeVar("T")

_QUEUE_LIMIT: Final = 20_000  # minutes of a whole shop's readings


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


class ItemQueue:
    """A queue from callbacks to one reader; when the reader falls far behind, new items drop.

    A dropped reading is a gap, which a hold sees and never passes over.
    """

    def __init__(self) -> None:
        self._queue: asyncio.Queue[Reading | ProbeNotice | None] = asyncio.Queue()
        self._dropping = False
        self.dropped = 0

    def put(self, item: Reading | ProbeNotice) -> None:
        """Queue one item, or drop it."""
        if self._queue.qsize() >= _QUEUE_LIMIT:
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
    run: Callable[[ItemQueue], Coroutine[Any, Any, None]], name: str
) -> AsyncGenerator[Reading | ProbeNotice, None]:
    """Run a task beside its reader, and yield what it puts into an queue.

    Args:
        run: Runs until it ends or raises; given the queue.
        name: The task's name.

    Raises:
        Exception: Whatever ``run`` raises, once what it had put out is taken.
    """
    queue = ItemQueue()
    running = asyncio.create_task(run(queue), name=name)
    running.add_done_callback(queue.close)
    try:
        while (item := await queue.get()) is not None:
            yield item
        running.result()
    finally:
        running.cancel()
        await asyncio.wait({running})
        if not running.cancelled():
            running.exception()  # looked at above, where the stream was still wanted


Items = tuple[Reading | ProbeNotice, ...]

_COMPLAIN_AGAIN_NS: Final = 60_000_000_000  # a babbling probe is named once a minute


class Reporter:
    """Speaks for one probe.

    Args:
        probe: The probe's name.
        clock: Stamps the items.

    Attributes:
        complained: What was complained of, kind and source → when, mono_ns.
    """

    def __init__(self, probe: str, clock: Clock) -> None:
        self.probe = probe
        self.complained: dict[str, int] = {}
        self._clock = clock
        self._names: dict[str, str] = {}  # channel names, made once each

    def notice(self, kind: str, detail: str = "", value: float | None = None) -> ProbeNotice:
        """Return a notice about the probe, stamped now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return ProbeNotice(self.probe, kind, utc_ns, mono_ns, detail, value)

    def reading(self, channel: str, quantity: Quantity, value_si: float) -> Reading:
        """Return a reading of the channel ``<probe>/<channel>``, stamped now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        name = self._names.get(channel)
        if name is None:
            name = self._names[channel] = str(Channel(self.probe, channel))
        return Reading(name, quantity, utc_ns, mono_ns, value_si)

    def complain(self, kind: str, source: str, detail: str) -> Items:
        """Return a notice, or nothing where the same was said less than a minute ago."""
        now = self._clock.mono_ns()
        key = f"{kind} {source}"
        last = self.complained.get(key)
        if last is not None and now - last < _COMPLAIN_AGAIN_NS:
            return ()
        self.complained[key] = now
        return (self.notice(kind, f"{self.probe}: {detail}"),)

    def is_well(self, kind: str, source: str) -> None:
        """Let the next complaint about this source be heard at once."""
        self.complained.pop(f"{kind} {source}", None)


class Presence:
    """Whether a probe is being heard: ``connected`` at its first value, ``lost`` after silence.

    Args:
        reporter: Speaks for the probe.
        way: The name of the way in, for the log.
        silence_s: No value for this long means that the probe is lost.
        now_s: Real seconds at the start.
    """

    def __init__(self, reporter: Reporter, way: str, silence_s: float, now_s: float) -> None:
        self._reporter = reporter
        self._way = way
        self._silence_s = silence_s
        self._last_s = now_s
        self.is_here = False

    def heard(self, now_s: float) -> Items:
        """Note that the probe gave a value."""
        self._last_s = now_s
        if self.is_here:
            return ()
        self.is_here = True
        log.info("%s: %s connected", self._way, self._reporter.probe)
        return (self._reporter.notice("connected"),)

    def check(self, now_s: float, why: str = "") -> Items:
        """Return the notice of loss once the silence has lasted too long.

        Args:
            now_s: Real seconds now.
            why: What is known of the reason.
        """
        if not self.is_here or now_s - self._last_s < self._silence_s:
            return ()
        self.is_here = False
        reason = why or f"nothing was heard for {self._silence_s:g} s"
        log.warning("%s: %s lost: %s", self._way, self._reporter.probe, reason)
        return (self._reporter.notice("lost", reason),)
