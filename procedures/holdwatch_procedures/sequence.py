"""Readings in the order of their times, whatever order they came in, and the record of them."""

from __future__ import annotations

import hashlib
import heapq
from typing import TYPE_CHECKING, NamedTuple

from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_line

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_physics.reading import Quality, Quantity

WAIT_NS = 2_000_000_000
"""How long a reading may be overtaken by later ones and still be judged, ns."""


class Item(NamedTuple):
    """A reading or a mark on its way through a hold; sorts by time, marks first, then channel.

    ``quantity`` and ``quality`` are None for a mark, whose word stands in ``channel``.
    """

    t_ns: int
    rank: int  # 0 a mark, 1 a reading: a mark takes effect before a reading of the same instant
    channel: str
    quantity: Quantity | None
    value: float
    quality: Quality | None


class Sequencer:
    """Holds readings back for two seconds so that they leave in the order of their times.

    The order in which it gives items out depends on their times and names alone, never on the
    order of arrival, so that a live hold and its export are judged alike.
    """

    def __init__(self) -> None:
        self._heap: list[Item] = []
        self._waiting: set[tuple[int, str]] = set()
        self._newest_ns = -(2**62)

    def is_late(self, t_ns: int) -> bool:
        """Whether an item of this time comes too late to be judged."""
        return t_ns < self._newest_ns - WAIT_NS

    def push(self, item: Item) -> None:
        """Take an item in; a second one of the same time and channel is dropped."""
        key = (item[0], item[2])
        if key in self._waiting:
            return
        self._waiting.add(key)
        heapq.heappush(self._heap, item)
        self._newest_ns = max(self._newest_ns, item[0])

    def ready(self) -> Iterator[Item]:
        """Give out, in order, what nothing on time can overtake any more."""
        heap, waiting = self._heap, self._waiting
        watermark = self._newest_ns - WAIT_NS
        while heap and heap[0][0] < watermark:
            item = heapq.heappop(heap)
            waiting.discard((item[0], item[2]))
            yield item

    def rest(self) -> Iterator[Item]:
        """Give out all that is left, in order: the hold has ended."""
        while self._heap:
            yield heapq.heappop(self._heap)
        self._waiting.clear()


class Ledger:
    """Counts and hashes what was judged, in the very bytes that an export writes."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256(TRACE_HEADER)
        self._pending: list[bytes] = []
        self.readings = 0
        self.quality: dict[str, int] = {}
        self.last_ns: int | None = None

    def add(self, item: Item) -> None:
        """Enter one item."""
        t_ns, _rank, channel, quantity, value, quality = item
        self.last_ns = t_ns
        if quantity is None or quality is None:
            self._pending.append(mark_line(t_ns, channel))
            return
        self._pending.append(trace_line(t_ns, channel, value, quantity, quality))
        self.readings += 1
        self.quality[quality] = self.quality.get(quality, 0) + 1
        if len(self._pending) >= 1024:
            self._flush()

    def _flush(self) -> None:
        self._hash.update(b"".join(self._pending))
        self._pending.clear()

    def sha256(self) -> str:
        """SHA-256 of the trace that an export of what was entered so far writes."""
        self._flush()
        return self._hash.hexdigest()
