"""Supervises adapters: restarts each after a growing pause, and stops what floods."""

from __future__ import annotations

import asyncio
import logging
from contextlib import aclosing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, cast

from holdwatch_adapters.backoff import Backoff
from holdwatch_adapters.ports import AdapterError
from holdwatch_physics.reading import Channel, ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Awaitable, Callable
    from random import Random

    from holdwatch_adapters.ports import Adapter, Clock


MOST_PER_S: Final = 50
"""Items of one channel, or notices of one kind of one probe, that are taken in one second of
their own time: ten times what gauges of this trade send (common practice, no source)."""
_MOST_SENDERS: Final = 1_024
"""Senders that are counted one by one; all beyond share one count."""
_MOST_COMPLAINTS: Final = 8
"""Probes that are complained of in one minute; more are only counted."""


@dataclass(slots=True)
class _Count:
    """How many items of one sender came in the newest second that had any."""

    second: int
    items: int = 0


class FloodGate:
    """Counts what each channel sends, and stops what is beyond measure.

    The first ``most_per_s`` items of each second pass, so that a probe that floods is still heard.
    All strangers together count as one sender: however many there are, they are not believed.

    Args:
        is_enrolled: Whether a probe of this name is one of the shop's.
        most_per_s: Items of one sender in one second.

    Attributes:
        stopped: How many items were stopped.
    """

    def __init__(
        self, is_enrolled: Callable[[str], bool] = lambda _: True, most_per_s: int = MOST_PER_S
    ) -> None:
        self.stopped = 0
        self._is_enrolled = is_enrolled
        self._most = most_per_s
        self._counts: dict[str, _Count] = {}
        self._minute = 0
        self._complained: set[str] = set()

    def passes(self, item: Reading | ProbeNotice) -> bool:
        """Count an item; whether it is to be taken in."""
        sender = item.channel if isinstance(item, Reading) else f"{item.probe} {item.kind}"
        second = item.mono_ns // 1_000_000_000
        count = self._counts.get(sender)
        if count is None:
            count = self._count_of_new(item, sender, second)
        if count.second != second:
            count.second, count.items = second, 0
        count.items += 1
        if count.items <= self._most:
            return True
        self.stopped += 1
        return False

    def _count_of_new(self, item: Reading | ProbeNotice, sender: str, second: int) -> _Count:
        if not self._is_counted_alone(item):
            sender = ""
        return self._counts.setdefault(sender, _Count(second))

    def _is_counted_alone(self, item: Reading | ProbeNotice) -> bool:
        return len(self._counts) < _MOST_SENDERS and self._is_enrolled(_probe(item))

    def complaint(self, item: Reading | ProbeNotice) -> ProbeNotice | None:
        """Return what to say of a stopped item, once a minute of a probe, and of few; else None."""
        probe = _probe(item)
        minute = item.mono_ns // 60_000_000_000
        if minute != self._minute:
            self._minute = minute
            self._complained.clear()
        if probe in self._complained or len(self._complained) >= _MOST_COMPLAINTS:
            return None
        self._complained.add(probe)
        what = item.channel if isinstance(item, Reading) else f"{probe}, notices {item.kind!r}"
        text = (
            f"{what}: more than {self._most} a second, and what is beyond is not taken; "
            "check the probe, or set it to send less often."
        )
        return ProbeNotice(probe, "refused", item.utc_ns, item.mono_ns, text)


def _probe(item: Reading | ProbeNotice) -> str:
    return Channel.parse(item.channel).probe if isinstance(item, Reading) else item.probe


log = logging.getLogger(__name__)

_STEADY_S = 60.0
"""An adapter that ran this long before it failed starts again after the shortest pause."""
_BREATH = 64
"""Supervises adapters: restarts each after a growing pause, and stops what floods."""


@dataclass(slots=True)
class AdapterState:
    """What an adapter's supervisor says of it."""

    name: str
    state: Literal["starting", "running", "failed", "ended"] = "starting"
    restarts: int = 0
    items: int = 0
    stopped: int = 0
    error: str | None = None


class Supervisor:
    """Runs one adapter for as long as the process does.

    Args:
        adapter: The way in.
        publish: Where its readings and notices go; may wait.
        offer: The same without waiting, tried first; says whether it took the item.
        clock: Stamps what the supervisor itself says.
        random: For the jitter.
        is_enrolled: Whether a probe of this name is one of the shop's.
        sleep: Waits real seconds; a test gives its own.
        steady_clock: Real seconds that only grow.
    """

    def __init__(
        self,
        adapter: Adapter,
        publish: Callable[[Reading | ProbeNotice], Awaitable[None]],
        clock: Clock,
        random: Random,
        *,
        offer: Callable[[Reading | ProbeNotice], bool] = lambda _: False,
        is_enrolled: Callable[[str], bool] = lambda _: True,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
        steady_clock: Callable[[], float] | None = None,
    ) -> None:
        self.status = AdapterState(adapter.name)
        self._adapter = adapter
        self._publish = publish
        self._offer = offer
        self._clock = clock
        self._random = random
        self._sleep = sleep
        self._seconds = steady_clock or asyncio.get_running_loop().time
        self._connected: set[str] = set()
        self._gate = FloodGate(is_enrolled)

    async def run(self) -> None:
        """Run the adapter again and again until it ends by itself or this is cancelled.

        Whatever an adapter raises is its failure: a group of errors, a request to leave the
        program, even a cancellation that was not asked of this task but leaked out of one inside.
        """
        backoff = Backoff(self._random)
        while True:
            started = self._seconds()
            try:
                await self._run_once()
            except AdapterError as error:
                reason = str(error)
            except (GeneratorExit, KeyboardInterrupt):
                raise
            except BaseException as error:
                if _is_cancelled():
                    raise asyncio.CancelledError from error
                reason = _reason(error)
                if self.status.error != reason:
                    log.exception("adapter %s broke", self._adapter.name)
            else:
                self.status.state = "ended"
                log.info("adapter %s ended", self._adapter.name)
                await self._lose_all("the adapter ended")
                return
            if self._seconds() - started >= _STEADY_S:
                backoff.reset()
            pause = backoff.next_s()
            if self.status.error != reason:
                log.warning(
                    "adapter %s failed, again in %.1f s: %s", self._adapter.name, pause, reason
                )
            self.status.state, self.status.error = "failed", reason
            await self._lose_all(reason)
            await self._sleep(pause)
            self.status.restarts += 1
            self.status.state = "starting"

    async def _run_once(self) -> None:
        stream = cast("AsyncGenerator[Reading | ProbeNotice, None]", self._adapter.stream())
        status, passes, offer = self.status, self._gate.passes, self._offer
        async with aclosing(stream):
            async for item in stream:
                if status.state != "running":
                    status.state, status.error = "running", None
                    log.info("adapter %s runs", self._adapter.name)
                status.items += 1
                if not passes(item):
                    await self._stop(item)
                    continue
                if type(item) is ProbeNotice:
                    self._note(item)
                if not offer(item):
                    await self._publish(item)

    async def _stop(self, item: Reading | ProbeNotice) -> None:
        """Drop an item of a flood and say so, once a minute."""
        self.status.stopped = self._gate.stopped
        complaint = self._gate.complaint(item)
        if complaint is not None:
            await self._publish(complaint)
        if self._gate.stopped % _BREATH == 0:
            await asyncio.sleep(0)

    def _note(self, notice: ProbeNotice) -> None:
        if notice.kind == "connected":
            self._connected.add(notice.probe)
        elif notice.kind == "lost":
            self._connected.discard(notice.probe)

    async def _lose_all(self, reason: str) -> None:
        """Say that the probes that came through this adapter are gone with it."""
        lost, self._connected = sorted(self._connected), set()
        for probe in lost:
            utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
            await self._publish(ProbeNotice(probe, "lost", utc_ns, mono_ns, reason))


def _is_cancelled() -> bool:
    """Whether this very task was asked to end."""
    task = asyncio.current_task()
    return task is not None and task.cancelling() > 0


def _reason(error: BaseException) -> str:
    """Return an error in one line; of a group, its first one."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    if isinstance(error, asyncio.CancelledError):
        return "it was cancelled from within"
    return f"{type(error).__name__}: {error}"
