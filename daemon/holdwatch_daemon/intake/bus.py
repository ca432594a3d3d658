"""Carries what adapters bring to the one that takes it in, and loses nothing on the way."""

from __future__ import annotations

import asyncio
from collections import deque
from typing import Generic, TypeVar

T = TypeVar("T")


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
