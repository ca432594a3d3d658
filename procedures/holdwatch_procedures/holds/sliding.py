"""The median of the newest values of a stream."""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import deque


class SlidingMedian:
    """Keeps the newest values both in the order of time and in that of size.

    Args:
        remembered: How many values count.

    >>> last_three = SlidingMedian(3)
    >>> for value in (5.0, 1.0, 2.0, 9.0):
    ...     last_three.push(value)
    >>> last_three.count, last_three.median
    (3, 2.0)
    """

    def __init__(self, remembered: int) -> None:
        self._values: deque[float] = deque(maxlen=remembered)
        self._ordered: list[float] = []

    def push(self, value: float) -> None:
        """Take a value; the oldest is forgotten where there are too many."""
        if len(self._values) == self._values.maxlen:
            del self._ordered[bisect_left(self._ordered, self._values[0])]
        self._values.append(value)
        insort(self._ordered, value)

    @property
    def count(self) -> int:
        """How many values there are."""
        return len(self._ordered)

    @property
    def median(self) -> float:
        """The middle value, or the mean of the two in the middle; there must be one."""
        half, odd = divmod(len(self._ordered), 2)
        if odd:
            return self._ordered[half]
        return (self._ordered[half - 1] + self._ordered[half]) / 2
