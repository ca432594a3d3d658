"""Readings in the order of their times, whatever order they came in, and the record of them."""

from __future__ import annotations

import hashlib
from bisect import bisect_left
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple

from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_lines

if TYPE_CHECKING:
    from collections.abc import Sequence

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


_KEY = itemgetter(0, 1, 2)


class Sequencer:
    """Holds readings back for two seconds so that they leave in the order of their times.

    The order in which it gives items out depends on their times and names alone, never on the
    order of arrival, so that a live hold and its export are judged alike. Of two items of the
    same time and channel the one that came first counts.
    """

    def __init__(self) -> None:
        self._waiting: list[Item] = []  # sorted, but for what came since the last look
        self._newest_of: dict[str, int] = {}
        self._twice = False  # whether one of the items waiting may be there twice
        self._newest_ns = -(2**62)
        self.marks = 0
        """How many marks wait."""

    @property
    def watermark_ns(self) -> int:
        """What is older than this can leave: nothing on time can overtake it any more, ns."""
        return self._newest_ns - WAIT_NS

    def is_late(self, t_ns: int) -> bool:
        """Whether an item of this time comes too late to be judged."""
        return t_ns < self._newest_ns - WAIT_NS

    def push(self, item: Item) -> None:
        """Take an item in; a second one of the same time and channel is dropped."""
        t_ns, channel = item[0], item[2]
        if t_ns > self._newest_of.get(channel, -(2**62)):
            self._newest_of[channel] = t_ns
            self._newest_ns = max(self._newest_ns, t_ns)
        else:
            self._twice = True
        self._waiting.append(item)
        self.marks += item[1] == 0

    def ready(self) -> list[Item]:
        """Give out, in order, what nothing on time can overtake any more."""
        waiting = self._sorted()
        cut = bisect_left(waiting, (self.watermark_ns,))
        if not cut:
            return []
        ready = waiting[:cut]
        del waiting[:cut]
        if self.marks:
            self.marks = sum(item[1] == 0 for item in waiting)
        return ready

    def rest(self) -> list[Item]:
        """Give out all that is left, in order: the hold has ended."""
        waiting = self._sorted()
        self._waiting = []
        return waiting

    def _sorted(self) -> list[Item]:
        waiting = self._waiting
        if self._twice:
            waiting.sort(key=_KEY)  # keeps those of one key in the order of arrival
            first = waiting[:1]
            first += [item for before, item in pairwise(waiting) if _KEY(item) != _KEY(before)]
            waiting[:] = first
            self._twice = False
        else:
            waiting.sort()
        return waiting


class Ledger:
    """Counts and hashes what was judged, in the very bytes that an export writes."""

    def __init__(self) -> None:
        self._hash = hashlib.sha256(TRACE_HEADER)
        self.readings = 0
        self.quality: dict[str, int] = {}
        self.last_ns: int | None = None

    def add(self, item: Item) -> None:
        """Enter one item."""
        if item.quantity is None:
            self.last_ns = item.t_ns
            self._hash.update(mark_line(item.t_ns, item.channel))
        else:
            self.add_readings((item,))

    def add_readings(self, items: Sequence[Item]) -> None:
        """Enter readings, one or more, in the order of their times."""
        times_ns, _ranks, channels, quantities, values, qualities = zip(*items, strict=True)
        self._hash.update(trace_lines(times_ns, channels, values, quantities, qualities))
        self.last_ns = times_ns[-1]
        self.readings += len(items)
        counts = self.quality
        for quality in dict.fromkeys(qualities):
            counts[quality] = counts.get(quality, 0) + qualities.count(quality)

    def sha256(self) -> str:
        """SHA-256 of the trace that an export of what was entered so far writes."""
        return self._hash.hexdigest()
