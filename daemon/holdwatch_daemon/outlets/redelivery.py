"""Which confirmed events are published again, because a broker may have forgotten them.

A broker confirms what it has in memory. Killed, or with its power cut, it forgets what it had not
yet written down, which it does every 1,800 s by default (``autosave_interval`` in
mosquitto.conf(5)).
"""

from __future__ import annotations

from collections import deque
from datetime import datetime
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3

MOST_REPEATED: Final = 2_000
REPEATED_S: Final = 1_800.0
"""After a broken connection, or an end that was not in order, what was confirmed or told within
so long before is published again, and so many events at most."""
_STEP_S: Final = 1.0


class Trail:
    """How far confirmation had come when, for as long back as a broker may forget.

    Pure: seconds that only grow come in with what is noted.

    Args:
        settled: The newest event that no broker forgets any more.
    """

    def __init__(self, settled: int) -> None:
        self._settled = settled
        self._steps: deque[tuple[float, int]] = deque()

    def note(self, now_s: float, confirmed: int) -> None:
        """Take in that all events up to a number are confirmed."""
        if not self._steps or now_s - self._steps[-1][0] >= _STEP_S:
            self._steps.append((now_s, confirmed))
            self.settled(now_s)

    def settled(self, now_s: float) -> int:
        """Return the newest event that was confirmed ``REPEATED_S`` ago or earlier."""
        while self._steps and now_s - self._steps[0][0] >= REPEATED_S:
            self._settled = self._steps.popleft()[1]
        return self._settled


def repeat_after(connection: sqlite3.Connection, confirmed: int, settled: int) -> int:
    """Return the number after which to publish: the last confirmed, or somewhat before it.

    Args:
        connection: To the store.
        confirmed: The newest event that the broker has confirmed.
        settled: What a ``Trail`` says; after a long absence events that are much older were
            confirmed a moment ago.
    """
    rows = connection.execute(
        "SELECT sequence, type, time FROM events WHERE sequence <= ?"
        " ORDER BY sequence DESC LIMIT ?",
        (confirmed, MOST_REPEATED),
    ).fetchall()
    if not rows or rows[0]["type"] == "holdwatch.service.stopped":
        return confirmed  # the end was in order, and told
    newest = datetime.fromisoformat(rows[0]["time"])
    for row in rows:
        is_old = (newest - datetime.fromisoformat(row["time"])).total_seconds() > REPEATED_S
        if is_old and row["sequence"] <= settled:
            return int(row["sequence"])
    return int(rows[-1]["sequence"]) - 1
