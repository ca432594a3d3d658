"""Tells people that the recorder's disk is slow: once when it begins, once when it is over."""

from __future__ import annotations

import logging
import time
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store.events import Draft
from holdwatch_procedures.wording import Say, render

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.pace import Pace

log = logging.getLogger(__name__)

LOOK_EVERY_S: Final = 1.0
"""Pause between two looks, s."""
DISK_SLOW: Final = "disk_slow"
"""The alarm's kind."""


class Slowness:
    """Watches the pace of a disk.

    A slow disk is one event; one that stands still is an alarm in every bay too, which shows on
    the screens at once: the events themselves wait for the disk.

    Args:
        pace: Of the recorder's disk.
        events: Where it is told.
        clock: The one that stamps readings.
        bays: Where the alarm is raised.
    """

    def __init__(
        self, pace: Pace, events: EventLog, clock: ServiceClock, bays: Iterable[Bay]
    ) -> None:
        self._pace = pace
        self._events = events
        self._clock = clock
        self._bays = tuple(bays)
        self._since: float | None = None
        self._before = pace.slow

    async def look(self) -> float:
        """Look once; return the pause until the next look, s."""
        pace, now = self._pace, time.monotonic()
        if pace.stands(now):
            self._alarm(pace.waited_s(now))
        is_slow = pace.is_slow(now)
        if is_slow and self._since is None:
            self._since = now
            took_s = max(pace.waited_s(now), pace.worst_s)
            text = (
                f"The recorder's disk is slow: a write has taken {took_s:.1f} s. Holds go on and "
                "readings wait in memory; answers and events come late."
            )
            self._tell(Draft("holdwatch.store.slow", self._clock.utc_ns(), _data(text, took_s)))
        elif not is_slow:
            self._settle(now)
        return LOOK_EVERY_S

    def _alarm(self, waited_s: float) -> None:
        what = Say("alarm.disk_stands_still", waited_s=waited_s)
        for bay in self._bays:
            if bay.alarms.raise_(DISK_SLOW, what, self._clock.utc_ns()):
                log.warning("bay %s alarm %s: %s", bay.name, DISK_SLOW, render(what))

    def _settle(self, now: float) -> None:
        """Note that the disk keeps pace."""
        pace, utc_ns = self._pace, self._clock.utc_ns()
        for bay in self._bays:
            bay.alarms.cause_gone(DISK_SLOW, utc_ns)
        if self._since is None:
            return
        since, self._since = self._since, None
        # One that was over before it was seen counts too.
        late, self._before = pace.slow - self._before, pace.slow
        worst_s, pace.worst_s = pace.worst_s, 0.0
        text = (
            f"The recorder's disk keeps pace again. Slow writes within {(now - since) / 60:.0f} "
            f"min: {late}; the longest took {worst_s:.1f} s."
        )
        self._tell(Draft("holdwatch.store.steady", utc_ns, _data(text, worst_s)))

    def _tell(self, draft: Draft) -> None:
        log.warning("%s", draft.data["text"])
        self._events.tell(draft)


def _data(text: str, seconds: float) -> dict[str, object]:
    return {"seconds": round(seconds, 3), "text": text}
