"""Puts readings and marks into the order of their times, and counts and hashes what is judged."""

from __future__ import annotations

import hashlib
import re
from bisect import bisect_left
from itertools import pairwise
from operator import itemgetter
from typing import TYPE_CHECKING, NamedTuple, Self, TypeAlias

from holdwatch_physics.trace_line import TRACE_HEADER, check_finite, mark_line, trace_lines

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from holdwatch_physics.reading import Quality, Quantity
    from holdwatch_procedures.holds.recipe import Recipe

    Entry: TypeAlias = tuple[int, int, str, Quantity | None, float, Quality | None]
    """What an `Item` holds, as a plain tuple: made in half the time, and few are asked by name."""
    _Gathered: TypeAlias = tuple[list[int], list[str], list[float], list[Quantity], list[Quality]]


WAIT_NS = 2_000_000_000
"""How long a reading may be overtaken by later ones and still be judged, ns."""
MARK_WORD = {"standing-vacuum": "isolated", "pressure-decay": "valve_closed"}
"""The mark that starts each procedure's clock."""
EXTENDED = re.compile(r"extended (\d{1,5}(?:\.\d{1,6})?)")
"""The mark that lets a hold last so many minutes longer."""
HASHED_TOGETHER = 1024
"""Readings that a ledger gathers before it hashes their lines."""


class Readings(NamedTuple):
    """A batch of readings in the order in which they came, column by column; one is a batch too.

    Attributes:
        times_ns: Times since the hold began, ns of the monotonic clock.
        channels: Role names, or channels that the recipe gives a role; others are ignored.
        quantities: What the values measure.
        values: Pa or K.
        qualities: Only good readings are judged; the others are counted.
    """

    times_ns: Sequence[int]
    channels: Sequence[str]
    quantities: Sequence[Quantity]
    values: Sequence[float]
    qualities: Sequence[Quality]

    @classmethod
    def of(cls, rows: Sequence[tuple[int, str, Quantity, float, Quality]]) -> Self:
        """Return the batch of readings that are rows: time, channel, quantity, value, quality."""
        return cls(*zip(*rows, strict=True)) if rows else cls((), (), (), (), ())


class Mark(NamedTuple):
    """A person's word at a time of the hold.

    The procedure's own word starts its clock; ``extended 30`` adds so many minutes to the hold's
    longest duration; ``note …`` is only kept.

    Attributes:
        t_ns: Time since the hold began, ns of the monotonic clock.
        word: What was said.
    """

    t_ns: int
    word: str


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


class Columns(NamedTuple):
    """Readings in the order of their times, one or more, column by column."""

    times_ns: tuple[int, ...]
    ranks: tuple[int, ...]
    roles: tuple[str, ...]
    quantities: tuple[Quantity, ...]
    values: tuple[float, ...]
    qualities: tuple[Quality, ...]

    @classmethod
    def of(cls, items: Sequence[Entry]) -> Self:
        """Return the columns of readings."""
        return cls(*zip(*items, strict=True))


_KEY = itemgetter(0, 1, 2)


class Roles(dict[str, str | None]):
    """The role of each channel that was asked for, as the recipe gives it."""

    def __init__(self, recipe: Recipe) -> None:
        super().__init__()
        self._recipe = recipe

    def __missing__(self, channel: str) -> str | None:
        role = self[channel] = self._recipe.role_name(channel)
        return role


class Sequencer:
    """Holds readings back for two seconds so that they leave in the order of their times.

    The order in which it gives items out depends on their times and names alone, never on the
    order of arrival, so that a live hold and its export are judged alike. Of two items of the
    same time and channel the one that came first counts.
    """

    def __init__(self) -> None:
        self._waiting: list[Entry] = []  # sorted, but for what came since the last look
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

    def push(self, item: Entry) -> None:
        """Take an item in; a second one of the same time and channel is dropped."""
        t_ns, channel = item[0], item[2]
        if t_ns > self._newest_of.get(channel, -(2**62)):
            self._newest_of[channel] = t_ns
            self._newest_ns = max(self._newest_ns, t_ns)
        else:
            self._twice = True
        self._waiting.append(item)
        self.marks += item[1] == 0

    def take(
        self,
        readings: Iterator[tuple[int, str, Quantity, float, Quality]],
        roles: Roles,
        highest: float,
    ) -> Item | None:
        """Push readings up to one that is late or above the highest value, and return that one.

        Every reading passes here, so that it is pushed without a call of its own.

        Args:
            readings: Time, channel, quantity, value and quality of each.
            roles: What each channel plays; one that plays nothing is passed over.
            highest: No value at or below this needs a look of its own.
        """
        append, newest_of, newest_ns = self._waiting.append, self._newest_of, self._newest_ns
        late_ns = newest_ns - WAIT_NS
        try:
            for t_ns, channel, quantity, value, quality in readings:
                role = roles[channel]
                if role is None:
                    continue
                if t_ns < late_ns or value > highest:
                    return Item(t_ns, 1, role, quantity, value, quality)
                if role not in newest_of or t_ns > newest_of[role]:
                    newest_of[role] = t_ns
                    if t_ns > newest_ns:
                        newest_ns = t_ns
                        late_ns = t_ns - WAIT_NS
                else:
                    self._twice = True
                append((t_ns, 1, role, quantity, value, quality))
        finally:
            self._newest_ns = newest_ns
        return None

    def ready(self) -> list[Entry]:
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

    def newest_ready_ns(self) -> int | None:
        """Return the time of the newest item that `ready` would give out, ns; None without any."""
        mark_ns = self.watermark_ns
        return max((item[0] for item in self._waiting if item[0] < mark_ns), default=None)

    def rest(self) -> list[Entry]:
        """Give out all that is left, in order: the hold has ended."""
        waiting = self._sorted()
        self._waiting = []
        return waiting

    def _sorted(self) -> list[Entry]:
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
    """Counts and hashes what was judged, in the very bytes that an export writes.

    Many lines are written faster than each by itself, so readings are gathered before they are
    hashed and counted: ask for `sha256` before the counts.
    """

    def __init__(self) -> None:
        self._hash = hashlib.sha256(TRACE_HEADER)
        self._gathered: _Gathered = ([], [], [], [], [])
        self.readings = 0
        self.quality: dict[str, int] = {}
        self.last_ns: int | None = None

    def add(self, item: Item) -> None:
        """Enter one item."""
        if item.quantity is None:
            self._write()
            self.last_ns = item.t_ns
            self._hash.update(mark_line(item.t_ns, item.channel))
        else:
            self.add_readings(Columns.of((item,)))

    def add_readings(self, readings: Columns) -> None:
        """Enter readings, one or more, in the order of their times."""
        times_ns, _ranks, channels, quantities, values, qualities = readings
        check_finite(channels, values)
        gathered = self._gathered
        gathered[0].extend(times_ns)
        gathered[1].extend(channels)
        gathered[2].extend(values)
        gathered[3].extend(quantities)
        gathered[4].extend(qualities)
        self.last_ns = times_ns[-1]
        if len(gathered[0]) >= HASHED_TOGETHER:
            self._write()

    def sha256(self) -> str:
        """SHA-256 of the trace that an export of what was entered so far writes."""
        self._write()
        return self._hash.hexdigest()

    def _write(self) -> None:
        """Count and hash what was gathered."""
        times_ns, _channels, _values, _quantities, qualities = self._gathered
        if not times_ns:
            return
        self._hash.update(trace_lines(*self._gathered))
        self.readings += len(times_ns)
        counts = self.quality
        for quality in dict.fromkeys(qualities):
            counts[quality] = counts.get(quality, 0) + qualities.count(quality)
        for column in self._gathered:
            column.clear()
