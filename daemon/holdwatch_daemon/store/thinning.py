"""Thinning: older readings that no hold cites are deleted once they are in the tiers.

The rule, whatever calls for it: the oldest first; only what is rolled; never a reading of a hold's
time and channels; events, holds, verdicts, marks and visits are not looked at. What was thinned is
counted in the transaction that deletes it, until an event tells it.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.store.rolling import WIDTHS_S

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterator

STEP_ROWS: Final = 4_000
"""Most rows deleted in one transaction."""
_STEP_PLACES: Final = 400
"""Most places looked at in one transaction."""
_EVER_NS: Final = 2**62
_NS: Final = 1_000_000_000
_TO_TELL: Final = "thinned_to_tell"

# As the view `hold_readings` has it: what a hold is judged by, and would be judged by again.
_CITED: Final = """
SELECT hold_segments.first_mono_ns,
       CASE WHEN holds.end_t_ns IS NULL THEN 4611686018427387904
            ELSE hold_segments.zero_mono_ns + holds.end_t_ns END AS last_mono_ns
FROM hold_segments
JOIN holds ON holds.id = hold_segments.hold_id
JOIN hold_channels ON hold_channels.hold_id = hold_segments.hold_id
JOIN channels ON channels.name = hold_channels.channel
WHERE channels.id = ? AND hold_segments.boot_id = ? ORDER BY 1
"""


@dataclass(frozen=True, slots=True)
class Thinned:
    """What was deleted; times are ns since 1970 UTC, None where no reading was.

    Attributes:
        readings: Readings.
        summaries: Rows of tiers.
        first_utc_ns: Time of the earliest such reading.
        last_utc_ns: Time of the latest.
    """

    readings: int = 0
    summaries: int = 0
    first_utc_ns: int | None = None
    last_utc_ns: int | None = None

    def __add__(self, other: Thinned) -> Thinned:
        """Return both together."""
        firsts = [t for t in (self.first_utc_ns, other.first_utc_ns) if t is not None]
        lasts = [t for t in (self.last_utc_ns, other.last_utc_ns) if t is not None]
        return Thinned(
            self.readings + other.readings,
            self.summaries + other.summaries,
            min(firsts, default=None),
            max(lasts, default=None),
        )

    @property
    def is_nothing(self) -> bool:
        """Whether nothing was deleted."""
        return not self.readings and not self.summaries


@dataclass(frozen=True, slots=True)
class Recent:
    """Readings that stay whatever their time of day says, since the monotonic clock knows better.

    Attributes:
        boot: The present boot.
        mono_ns: Those of it from this monotonic time on, ns.
    """

    boot: str
    mono_ns: int


@dataclass(frozen=True, slots=True)
class Limits:
    """Before which time, ns since 1970 UTC, what is thinned; None for nothing of it.

    Attributes:
        readings_ns: Readings that no hold cites.
        fine_ns: Summaries of ten seconds and of a minute.
        recent: Readings that are left out.
    """

    readings_ns: int | None
    fine_ns: int | None = None
    recent: Recent | None = None


class Thinner:
    """One pass over the store, a bounded piece at a time; a store's writer runs each step.

    Args:
        limits: What may go.
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.done = Thinned()
        self._places: Iterator[Thinned] | None = None
        self._connection: sqlite3.Connection | None = None

    def step(self, connection: sqlite3.Connection) -> bool:
        """Thin up to ``STEP_ROWS`` rows inside a transaction; return whether there may be more."""
        if self._places is None:
            self._places = self._pass(connection)
        piece = Thinned()
        more = False
        for looked, found in enumerate(self._places):
            piece += found
            if piece.readings + piece.summaries >= STEP_ROWS or looked >= _STEP_PLACES:
                more = True
                break
        if not piece.is_nothing:
            _note(connection, piece)
            self.done += piece
        return more

    def _pass(self, connection: sqlite3.Connection) -> Iterator[Thinned]:
        """Yield after each place what was deleted there, at most ``STEP_ROWS`` rows at once."""
        if self.limits.readings_ns is not None:
            for channel, boot, mark in _marks(connection, self.limits.recent):
                # A hold that begins after this look begins after the mark.
                for first, last in _free(connection, (channel, boot), mark):
                    yield from _thin(
                        connection, (channel, boot), (first, last), self.limits.readings_ns
                    )
        if self.limits.fine_ns is not None:
            before_s = self.limits.fine_ns // _NS // WIDTHS_S[-1] * WIDTHS_S[-1]
            channels = connection.execute("SELECT id FROM channels ORDER BY id").fetchall()
            for (channel,) in channels:
                for width in WIDTHS_S[:2]:
                    yield from _thin_tier(connection, channel, width, before_s)


def oldest_free_ns(connection: sqlite3.Connection, recent: Recent | None = None) -> int | None:
    """Return the time of the oldest reading that may be thinned, ns since 1970 UTC, or None."""
    oldest: int | None = None
    for channel, boot, mark in _marks(connection, recent):
        for first, last in _free(connection, (channel, boot), mark):
            row = connection.execute(
                "SELECT utc_ns FROM readings WHERE channel_id = ? AND boot_id = ?"
                " AND mono_ns >= ? AND mono_ns <= ? ORDER BY mono_ns LIMIT 1",
                (channel, boot, first, last),
            ).fetchone()
            if row is not None:
                oldest = int(row[0]) if oldest is None else min(oldest, int(row[0]))
    return oldest


def to_tell(connection: sqlite3.Connection) -> Thinned:
    """Return what was thinned and is not told yet."""
    row = connection.execute("SELECT value FROM about WHERE key = ?", (_TO_TELL,)).fetchone()
    return Thinned() if row is None else Thinned(**json.loads(row[0]))


def told(connection: sqlite3.Connection) -> None:
    """Note that all of it is told, in the transaction of the event that tells it."""
    connection.execute("DELETE FROM about WHERE key = ?", (_TO_TELL,))


def _note(connection: sqlite3.Connection, piece: Thinned) -> None:
    connection.execute(
        "INSERT OR REPLACE INTO about (key, value) VALUES (?, ?)",
        (_TO_TELL, json.dumps(asdict(to_tell(connection) + piece))),
    )


def _marks(connection: sqlite3.Connection, recent: Recent | None) -> list[tuple[int, int, int]]:
    """Return up to which monotonic time the readings of a channel and boot may be thinned."""
    present, before_ns = None, _EVER_NS
    if recent is not None:
        row = connection.execute("SELECT id FROM boots WHERE boot = ?", (recent.boot,)).fetchone()
        present, before_ns = None if row is None else row[0], recent.mono_ns - 1
    rows = connection.execute(
        "SELECT channel_id, boot_id, upto_mono_ns FROM rolled ORDER BY boot_id, channel_id"
    ).fetchall()
    return [
        (channel, boot, min(mark, before_ns) if boot == present else mark)
        for channel, boot, mark in rows
    ]


def _free(
    connection: sqlite3.Connection, pair: tuple[int, int], mark: int
) -> list[tuple[int, int]]:
    """Return the monotonic spans of a channel and boot, up to its mark, that no hold cites."""
    free = []
    at = -_EVER_NS
    for first, last in connection.execute(_CITED, pair):
        if first > at:
            free.append((at, min(first - 1, mark)))
        at = max(at, last + 1)
    if at <= mark:
        free.append((at, mark))
    return [(first, last) for first, last in free if first <= last]


def _thin(
    connection: sqlite3.Connection, pair: tuple[int, int], span: tuple[int, int], before_ns: int
) -> Iterator[Thinned]:
    first, last = span
    while True:
        rows = connection.execute(
            "SELECT mono_ns, utc_ns FROM readings WHERE channel_id = ? AND boot_id = ?"
            " AND mono_ns >= ? AND mono_ns <= ? ORDER BY mono_ns LIMIT ?",
            (*pair, first, last, STEP_ROWS),
        ).fetchall()
        times = [utc_ns for _, utc_ns in rows if utc_ns < before_ns]
        if not times:
            yield Thinned()
            return
        upto = rows[-1][0]
        connection.execute(
            "DELETE FROM readings WHERE channel_id = ? AND boot_id = ? AND mono_ns >= ?"
            " AND mono_ns <= ? AND utc_ns < ?",
            (*pair, first, upto, before_ns),
        )
        yield Thinned(len(times), 0, min(times), max(times))
        if len(rows) < STEP_ROWS or len(times) < len(rows):
            return
        first = upto + 1


def _thin_tier(
    connection: sqlite3.Connection, channel: int, width: int, before_s: int
) -> Iterator[Thinned]:
    while True:
        row = connection.execute(
            "SELECT MAX(start_s), COUNT(*) FROM (SELECT start_s FROM tiers WHERE channel_id = ?"
            " AND width_s = ? AND start_s < ? ORDER BY start_s LIMIT ?)",
            (channel, width, before_s, STEP_ROWS),
        ).fetchone()
        if not row[1]:
            yield Thinned()
            return
        connection.execute(
            "DELETE FROM tiers WHERE channel_id = ? AND width_s = ? AND start_s <= ?",
            (channel, width, row[0]),
        )
        yield Thinned(summaries=int(row[1]))
