"""Makes what a bay shows once for each change, and hands it to every outlet that follows."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable, Collection, Iterable

    from holdwatch_daemon.messages import BayState, Live

STATE_EVERY_S: Final = 0.5
"""A bay's state is made at most this often, s."""
_EARLY_S: Final = 0.02
"""How much too early a pause may end, s."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One message of a bay, the same for everyone who follows.

    Attributes:
        kind: What the message is.
        bay: The bay's name.
        message: The message.
        is_busy: Whether something is being done in the bay that somebody may watch from second
            to second.
    """

    kind: Literal["state", "live"]
    bay: str
    message: BayState | Live
    is_busy: bool

    @cached_property
    def json(self) -> str:
        """The message as JSON, every key of it."""
        return self.message.model_dump_json()


@dataclass(frozen=True, slots=True)
class Pace:
    """How often one outlet takes a bay's newest values; its state comes when it changes.

    Attributes:
        busy_s: Shortest time between two while something is being done in the bay, s.
        quiet_s: The same while nothing is being done, s.
    """

    busy_s: float = 0.5
    quiet_s: float = 0.5


class Feed:
    """What every bay shows, for as many outlets as there are.

    While somebody follows, a task makes the messages of the bays that changed: a state at most
    twice a second and only where it says something new, newest values as often as the fastest
    of the followers takes them. While nobody follows, nothing is made.

    Args:
        bays: The bays' names.
        make_state: Makes a bay's state as it is now.
        make_live: Makes a bay's newest values as they are now.
    """

    def __init__(
        self,
        bays: Iterable[str],
        make_state: Callable[[str], BayState],
        make_live: Callable[[str], Live],
    ) -> None:
        self.bays = tuple(bays)
        self.state = make_state
        self.live = make_live
        self._followers: set[_Follower] = set()
        self._changed: dict[str, None] = {}
        self._owed: dict[str, None] = {}
        self._news = asyncio.Event()
        self._newest: dict[tuple[str, str], Frame] = {}
        self._made_at: dict[str, float] = {}
        self._is_closed = False
        self._making: asyncio.Task[None] | None = None
        self._ending: set[asyncio.Task[None]] = set()

    @property
    def followers(self) -> int:
        """How many follow now."""
        return len(self._followers)

    def note(self, bay: str) -> None:
        """Say that a bay's values or its state changed."""
        if self._followers:
            self._changed[bay] = None
            self._news.set()

    def close(self) -> None:
        """End everyone's following."""
        self._is_closed = True
        for follower in self._followers:
            follower.end()
        self._rest()

    async def follow(
        self,
        bays: Collection[str] | None = None,
        pace: Pace = Pace(),
        *,
        patience_s: float | None = None,
    ) -> AsyncGenerator[list[Frame], None]:
        """Yield what every bay shows now, then what changes; ends when the feed is closed.

        Who takes slowly misses what was overtaken, and holds nobody up.

        Args:
            bays: The bays that are followed; None for all.
            pace: How often newest values are taken.
            patience_s: After so long without anything an empty list is yielded, s; None waits.
        """
        if self._is_closed:
            return
        names = self.bays if bays is None else tuple(bays)
        follower = _Follower(names, pace)
        for bay in names:
            follower.offer(self._make_state(bay))
            follower.offer(self._make_live(bay))
        self._followers.add(follower)
        try:
            if self._making is None:
                self._making = asyncio.create_task(self._make(), name="feed")
            while (frames := await follower.take(patience_s)) is not None:
                yield frames
        finally:
            self._followers.discard(follower)
            if not self._followers:
                self._rest()

    def _rest(self) -> None:
        """Make nothing while nobody follows."""
        if self._making is not None:
            self._making.cancel()
            self._ending.add(self._making)
            self._making.add_done_callback(self._ending.discard)
            self._making = None
        self._news.clear()
        for table in (self._changed, self._owed, self._newest, self._made_at):
            table.clear()

    async def _make(self) -> None:
        try:
            while True:
                if not self._owed:
                    await self._news.wait()
                self._renew()
                await asyncio.sleep(min(f.pace.busy_s for f in self._followers))
        except Exception as error:  # noqa: BLE001 - whoever follows says what it means there
            self._making = None
            for follower in self._followers:
                follower.end(error)

    def _renew(self) -> None:
        """Make the messages of the bays that changed, and states that had to wait."""
        self._news.clear()
        changed, self._changed = self._changed, {}
        due = asyncio.get_running_loop().time() - STATE_EVERY_S + _EARLY_S
        for bay in self._owed | changed:
            if self._made_at.get(bay, due) <= due:
                self._owed.pop(bay, None)
                self._make_state(bay)
            else:
                self._owed[bay] = None
            if bay in changed:
                self._make_live(bay)

    def _make_state(self, bay: str) -> Frame:
        """Make a bay's state, and hand it on where it says anything new."""
        self._made_at[bay] = asyncio.get_running_loop().time()
        message, known = self.state(bay), self._newest.get(("state", bay))
        evacuation = message.evacuation
        is_busy = message.doing == "hold" or (evacuation is not None and evacuation.step != "idle")
        self._newest["state", bay] = frame = Frame("state", bay, message, is_busy)
        # The time alone is no news.
        if known is None or known.message.model_copy(update={"time": message.time}) != message:
            self._offer(frame)
        return frame

    def _make_live(self, bay: str) -> Frame:
        """Make a bay's newest values, and hand them on where they are others than before."""
        message, known = self.live(bay), self._newest.get(("live", bay))
        is_busy = self._newest["state", bay].is_busy
        self._newest["live", bay] = frame = Frame("live", bay, message, is_busy)
        if known is None or known.message != message:
            self._offer(frame)
        return frame

    def _offer(self, frame: Frame) -> None:
        for follower in self._followers:
            if frame.bay in follower.bays:
                follower.offer(frame)


class _Follower:
    """What one outlet has still to take: the newest message of each kind and bay."""

    def __init__(self, bays: Iterable[str], pace: Pace) -> None:
        self.bays = frozenset(bays)
        self.pace = pace
        self._waiting: dict[tuple[str, str], Frame] = {}
        self._taken_at: dict[str, float] = {}
        self._news = asyncio.Event()
        self._has_ended = False
        self._error: Exception | None = None
        self._now = asyncio.get_running_loop().time

    def offer(self, frame: Frame) -> None:
        self._waiting[frame.kind, frame.bay] = frame
        self._news.set()

    def end(self, error: Exception | None = None) -> None:
        self._has_ended, self._error = True, error
        self._news.set()

    async def take(self, patience_s: float | None) -> list[Frame] | None:
        """Wait for what is due, and return all of it; None at the end.

        Raises:
            Exception: What kept the messages from being made.
        """
        until = None if patience_s is None else self._now() + patience_s
        while not self._has_ended:
            self._news.clear()
            now = self._now()
            if frames := [one for one in self._waiting.values() if self._due_at(one) <= now]:
                for frame in frames:
                    del self._waiting[frame.kind, frame.bay]
                    if frame.kind == "live":
                        self._taken_at[frame.bay] = now
                return frames
            if until is not None and now >= until:
                return []
            times = [self._due_at(one) for one in self._waiting.values()]
            wake = min([*times, *([] if until is None else [until])], default=None)
            with suppress(TimeoutError):
                async with asyncio.timeout(None if wake is None else wake - now):
                    await self._news.wait()
        if self._error is not None:
            raise self._error
        return None

    def _due_at(self, frame: Frame) -> float:
        """When a message may be taken: a state at once, values at the outlet's pace."""
        taken_at = self._taken_at.get(frame.bay)
        if frame.kind == "state" or taken_at is None:
            return 0.0
        return taken_at + (self.pace.busy_s if frame.is_busy else self.pace.quiet_s) - _EARLY_S
