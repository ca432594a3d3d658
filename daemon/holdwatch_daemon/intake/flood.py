"""Keeps one probe that sends without measure from taking the time of all others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_physics.reading import Channel, ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_PER_S: Final = 50
"""Items of one channel, or notices of one kind of one probe, that are taken in one second of
their own time: ten times what gauges of this trade send (common practice, no source)."""
_MOST_SENDERS: Final = 1_024
"""Senders that are counted one by one; all beyond share one count."""
_MOST_TOLD: Final = 8
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
        self._told: set[str] = set()

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
            self._told.clear()
        if probe in self._told or len(self._told) >= _MOST_TOLD:
            return None
        self._told.add(probe)
        what = item.channel if isinstance(item, Reading) else f"{probe}, notices {item.kind!r}"
        text = (
            f"{what}: more than {self._most} a second, and what is beyond is not taken; "
            "check the probe, or set it to send less often."
        )
        return ProbeNotice(probe, "refused", item.utc_ns, item.mono_ns, text)


def _probe(item: Reading | ProbeNotice) -> str:
    return Channel.parse(item.channel).probe if isinstance(item, Reading) else item.probe
