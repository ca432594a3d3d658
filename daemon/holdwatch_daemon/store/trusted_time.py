"""The time of day that deleting goes by: the wall clock's, for as long as it can be believed.

A clock that is set years ahead would make everything old at once. What went before is known: the
time that the store was kept in order last, and the monotonic clock since.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    import sqlite3

    from holdwatch_daemon.clock import ServiceClock

LEAP_NS: Final = 30 * 86_400 * 10**9
"""A wall clock this far ahead of what is known is doubted: longer than shops are closed, ns."""
_NEVER_BEFORE_NS: Final = 1_735_689_600 * 10**9
"""No clock that is right shows a time before 2025, ns since 1970 UTC."""
_KNOWN: Final = "known_utc_ns"


class TrustedTime:
    """The wall clock's time, or a lower one while the wall clock is doubted.

    May be asked from any thread.

    Args:
        clock: The one that stamps readings.
        known_ns: The newest time that the store knows, ns since 1970 UTC; None where it is new.

    Attributes:
        is_doubtful: Whether the wall clock is doubted, as of the last question.
    """

    def __init__(self, clock: ServiceClock, known_ns: int | None) -> None:
        self._clock = clock
        wall_ns, mono_ns = clock.utc_ns(), clock.mono_ns()
        self._known = (wall_ns if known_ns is None else known_ns, mono_ns)
        self.is_doubtful = False

    def known_ns(self) -> int:
        """Return the newest time that was believed, and what has passed since, ns since 1970."""
        utc_ns, mono_ns = self._known
        return utc_ns + max(self._clock.mono_ns() - mono_ns, 0)

    def utc_ns(self) -> int:
        """Return the time to delete by, ns since 1970 UTC."""
        wall_ns, mono_ns, known_ns = self._clock.utc_ns(), self._clock.mono_ns(), self.known_ns()
        # What began in 1970 is no measure: that clock was not set yet.
        self.is_doubtful = known_ns >= _NEVER_BEFORE_NS and wall_ns - known_ns > LEAP_NS
        if self.is_doubtful:
            return known_ns
        # A clock that fell back to 1970 is not set yet; any other was set back by someone.
        if wall_ns >= min(known_ns, _NEVER_BEFORE_NS):
            self._known = (wall_ns, mono_ns)
        return wall_ns

    def believe(self) -> None:
        """Believe the wall clock as it stands."""
        self._known = (self._clock.utc_ns(), self._clock.mono_ns())
        self.is_doubtful = False

    def doubt(self) -> str:
        """Return what is doubted and what to do, in sentences."""
        return (
            f"The computer's clock shows {rfc3339(self._clock.utc_ns())}, more than 30 days after "
            f"{rfc3339(self.known_ns())}, the latest time that is known. Set it; or, where it is "
            "right, acknowledge this. Until then nothing is deleted because of its age by it."
        )


def last_known(connection: sqlite3.Connection) -> int | None:
    """Return the newest time that a store knows, ns since 1970 UTC; None where it knows none."""
    row = connection.execute("SELECT value FROM about WHERE key = ?", (_KNOWN,)).fetchone()
    if row is not None:
        return int(row[0])
    # A store of an older version: the newest reading of each channel and boot.
    (newest,) = connection.execute(
        "SELECT MAX((SELECT utc_ns FROM readings WHERE channel_id = channels.id"
        " AND boot_id = boots.id ORDER BY mono_ns DESC LIMIT 1)) FROM channels, boots"
    ).fetchone()
    return None if newest is None else int(newest)


def note_known(connection: sqlite3.Connection, known_ns: int) -> None:
    """Keep the newest time that was believed, for the next start."""
    connection.execute(
        "INSERT OR REPLACE INTO about (key, value) VALUES (?, ?)", (_KNOWN, str(known_ns))
    )
