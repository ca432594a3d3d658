"""Fan-out inside the process: a path that loses nothing, and one that keeps only the newest."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Hashable

T = TypeVar("T")
K = TypeVar("K", bound="Hashable")


class Lossless(Generic[T]):
    """A bounded queue: whoever puts in waits while it is full, so that nothing is dropped.

    Args:
        bound: Most items that wait.
    """

    def __init__(self, bound: int) -> None:
        self._queue: asyncio.Queue[T] = asyncio.Queue(bound)

    async def put(self, item: T) -> None:
        """Put an item in, waiting for room."""
        await self._queue.put(item)

    async def take(self, most: int) -> list[T]:
        """Wait for an item; return it with up to ``most − 1`` that are there already."""
        items = [await self._queue.get()]
        items.extend(self.take_rest(most - 1))
        return items

    def take_rest(self, most: int | None = None) -> list[T]:
        """Return what is there without waiting, up to ``most`` items."""
        items: list[T] = []
        while not self._queue.empty() and (most is None or len(items) < most):
            items.append(self._queue.get_nowait())
        return items

    def __len__(self) -> int:
        return self._queue.qsize()


class Newest(Generic[K, T]):
    """What is new since one subscriber last looked: the newest item of each key.

    A slow subscriber misses what was overtaken, and holds nobody up.
    """

    def __init__(self) -> None:
        self._items: dict[K, T] = {}
        self._news = asyncio.Event()

    def offer(self, key: K, item: T) -> None:
        """Replace the item of a key."""
        self._items[key] = item
        self._news.set()

    async def take(self) -> dict[K, T]:
        """Wait until there is something, and return all of it."""
        await self._news.wait()
        self._news.clear()
        items, self._items = self._items, {}
        return items


class Changes:
    """Names that changed, for any number of subscribers, each at its own pace."""

    def __init__(self) -> None:
        self._subscribers: list[Newest[str, None]] = []
        self._closed = asyncio.Event()

    def note(self, name: str) -> None:
        """Say that a name changed."""
        for subscriber in self._subscribers:
            subscriber.offer(name, None)

    def close(self) -> None:
        """End every subscription."""
        self._closed.set()
        for subscriber in self._subscribers:
            subscriber.offer("", None)

    async def follow(self, names: tuple[str, ...], pause_s: float) -> AsyncGenerator[str, None]:
        """Yield every name once, then those that change.

        Args:
            names: The names to begin with.
            pause_s: Shortest time between two yields of one name, s (real time).
        """
        subscriber: Newest[str, None] = Newest()
        for name in names:
            subscriber.offer(name, None)
        self._subscribers.append(subscriber)
        try:
            while True:
                changed = await subscriber.take()
                if self._closed.is_set():
                    return
                for name in changed:
                    yield name
                await asyncio.sleep(pause_s)
        finally:
            self._subscribers.remove(subscriber)
