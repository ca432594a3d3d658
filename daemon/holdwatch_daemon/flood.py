"""Keeps one probe that sends without measure from taking the time of all others."""

from __future__ import annotations

from typing import Final

from holdwatch_physics.reading import ProbeNotice, Reading

MOST_PER_S: Final = 50
"""Items of one channel, or notices of one kind of one probe, that are taken in one second of
their own time: ten times what gauges of this trade send (common practice, no source)."""
_MOST_SENDERS: Final = 1_024
"""Senders that are counted one by one; all beyond share one count."""
_TELL_EVERY_NS: Final = 60_000_000_000


class FloodGate:
    """Counts what each channel sends, and stops what is beyond measure.

    The first ``most_per_s`` items of each second pass, so that a probe that floods is still heard.

    Args:
        most_per_s: Items of one sender in one second.

    Attributes:
        stopped: How many items were stopped.
    """

    def __init__(self, most_per_s: int = MOST_PER_S) -> None:
        self.stopped = 0
        self._most = most_per_s
        self._counts: dict[str, tuple[int, int]] = {}
        self._told_ns: dict[str, int] = {}

    def passes(self, item: Reading | ProbeNotice) -> bool:
        """Count an item; whether it is to be taken in."""
        sender = item.channel if isinstance(item, Reading) else f"{item.probe} {item.kind}"
        counts = self._counts
        if sender not in counts and len(counts) >= _MOST_SENDERS:
            sender = ""
        second = item.mono_ns // 1_000_000_000
        since, count = counts.get(sender, (second, 0))
        count = count + 1 if since == second else 1
        counts[sender] = (second, count)
        if count <= self._most:
            return True
        self.stopped += 1
        return False

    def complaint(self, item: Reading | ProbeNotice) -> ProbeNotice | None:
        """Return what to say of a stopped item, once a minute for each probe; else None."""
        if isinstance(item, Reading):
            probe, what = item.channel.partition("/")[0], item.channel
        else:
            probe, what = item.probe, f"{item.probe}, notices {item.kind!r}"
        if probe not in self._told_ns and len(self._told_ns) >= _MOST_SENDERS:
            return None
        told_ns = self._told_ns.get(probe)
        if told_ns is not None and 0 <= item.mono_ns - told_ns < _TELL_EVERY_NS:
            return None
        self._told_ns[probe] = item.mono_ns
        text = (
            f"{what}: more than {self._most} a second, and what is beyond is not taken; "
            "check the probe, or set it to send less often."
        )
        return ProbeNotice(probe, "refused", item.utc_ns, item.mono_ns, text)
