"""Fan-out inside the process: a path that loses nothing, and one that keeps only the newest."""

from __future__ import annotations

import asyncio
from collections import deque
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
        self._items: deque[T] = deque()
        self._bound = bound
        self._news = asyncio.Event()
        self._room = asyncio.Event()

    def offer(self, item: T) -> bool:
        """Put an item in at once; return whether there was room."""
        items = self._items
        if len(items) >= self._bound:
            return False
        if not items:
            self._news.set()
        items.append(item)
        return True

    async def put(self, item: T) -> None:
        """Put an item in, waiting for room."""
        while not self.offer(item):
            self._room.clear()
            await self._room.wait()

    async def take(self, most: int) -> list[T]:
        """Wait for an item; return it with up to ``most − 1`` that are there already."""
        while not self._items:
            self._news.clear()
            await self._news.wait()
        return self.take_rest(most)

    def take_rest(self, most: int | None = None) -> list[T]:
        """Return what is there without waiting, up to ``most`` items."""
        items = self._items
        if most is None or len(items) <= most:
            taken = list(items)
            items.clear()
        else:
            taken = [items.popleft() for _ in range(most)]
        self._room.set()
        return taken

    def __len__(self) -> int:
        return len(self._items)


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
