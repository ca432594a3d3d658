"""Rolls readings into tiers: lowest, highest, mean and worst quality of every stretch of time.

A reading is merged into every tier exactly once. Either it lies beyond the mark up to which its
channel and boot are rolled (``rolled``), and a later step takes it; or it comes so late that the
mark has passed it, and the transaction that stores it merges it at once. Both move together with
what they merged, so a process may be killed anywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Protocol

from holdwatch_physics.reading import Quality

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Sequence

WIDTHS_S: Final = (10, 60, 600, 3600)
"""Widths of the tiers, s; each divides the next."""
WORST: Final = (Quality.GOOD, Quality.SUSPECT, Quality.SATURATED, Quality.STALE)
"""Qualities in the order of the column ``worst``."""
STEP_ROWS: Final = 2_000
"""Most readings merged in one transaction: some milliseconds, which a verdict may have to wait."""
SAME_CLOCK_NS: Final = 5_000_000_000
"""Wall and monotonic clock may drift so far apart before another stretch begins, ns."""
_EVER_NS: Final = 2**62

WORST_SQL: Final = (
    "CASE quality WHEN 'good' THEN 0 WHEN 'suspect' THEN 1 WHEN 'saturated' THEN 2 ELSE 3 END"
)
"""A reading's quality as a number; the larger the worse."""
_GROUPED: Final = (
    "SELECT utc_ns / 10000000000 AS place, MIN(value), MAX(value), TOTAL(value), COUNT(*),"  # noqa: S608 - our own text
    f" MAX({WORST_SQL}), MIN(mono_ns), MAX(mono_ns), MIN(utc_ns - mono_ns), MAX(utc_ns - mono_ns)"
    " FROM readings WHERE channel_id = ? AND boot_id = ? AND mono_ns > ? AND mono_ns <= ?"
    " AND flag IS NOT 'future' GROUP BY place ORDER BY MIN(mono_ns)"
)
_MERGE: Final = (
    "INSERT INTO tiers (channel_id, width_s, start_s, low, high, total, count, worst)"
    " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO UPDATE SET"
    " low = min(low, excluded.low), high = max(high, excluded.high),"
    " total = total + excluded.total, count = count + excluded.count,"
    " worst = max(worst, excluded.worst)"
)


@dataclass(slots=True)
class Summary:
    """Readings of one channel put together.

    Attributes:
        low: The lowest, Pa or K.
        high: The highest.
        total: Their sum.
        count: How many.
        worst: Their worst quality, a place in ``WORST``.
    """

    low: float
    high: float
    total: float
    count: int
    worst: int

    def add(self, other: Summary) -> None:
        """Put others to them."""
        self.low = min(self.low, other.low)
        self.high = max(self.high, other.high)
        self.total += other.total
        self.count += other.count
        self.worst = max(self.worst, other.worst)


class HasMark(Protocol):
    """What tells the writer which readings may come late; see ``statements.Ids``."""

    rolled_ns: int | None


class Roller:
    """Rolls what is new, a bounded piece at a time; a store's writer runs each step.

    Args:
        ids: The store's numbers; they tell the writer which readings may come late.
        boot: The boot under which readings still come.
    """

    def __init__(self, ids: HasMark, boot: str) -> None:
        self._ids = ids
        self._boot = boot
        self._older: list[tuple[int, int]] = []
        self._swept = False

    def step(self, connection: sqlite3.Connection, upto_mono_ns: int, most: int = STEP_ROWS) -> int:
        """Roll up to ``most`` readings; call it again at once where that many were there.

        Args:
            connection: Inside a transaction of the writer.
            upto_mono_ns: Of the present boot only readings up to this time, ns.
            most: Bound of the work.

        Returns:
            How many readings were rolled.
        """
        # Raised before anything is rolled: too high costs a look, too low would lose a reading.
        self._ids.rolled_ns = max(self._ids.rolled_ns or upto_mono_ns, upto_mono_ns)
        row = connection.execute("SELECT id FROM boots WHERE boot = ?", (self._boot,)).fetchone()
        present = None if row is None else int(row[0])
        done = 0
        if present is not None:
            for (channel,) in connection.execute("SELECT id FROM channels").fetchall():
                if done < most:
                    done += _roll(connection, (channel, present), upto_mono_ns, most - done)
        if not self._older and not self._swept:
            # Asked until there is none: a step that the disk undid may have taken some off.
            self._older = _pairs(connection, except_boot=present)
            self._swept = not self._older
        older = self._older
        while older and done < most:
            rolled = _roll(connection, older[-1], _EVER_NS, most - done)
            done += rolled
            if done < most:
                older.pop()  # nothing is written under a boot that is over
        return done

    def undone(self) -> None:
        """Look at older boots again, because the transaction of a step was undone."""
        self._older, self._swept = [], False


def roll_all(connection: sqlite3.Connection, ids: HasMark, boot: str = "") -> int:
    """Roll everything that is there, in transactions of its own; return how many readings."""
    roller = Roller(ids, boot)
    total = 0
    while True:
        connection.execute("BEGIN IMMEDIATE")
        done = roller.step(connection, _EVER_NS, 200_000)
        connection.execute("COMMIT")
        total += done
        if done < 200_000:
            return total


def store_late(
    connection: sqlite3.Connection, insert: str, rows: Sequence[tuple[Any, ...]]
) -> list[tuple[Any, ...]]:
    """Store the readings that their channel's mark has passed, merging each; return the others.

    Args:
        connection: Inside the transaction that stores the readings.
        insert: The statement that stores one row and leaves a known one alone.
        rows: Columns of ``readings``, all of one boot.
    """
    boot = rows[0][1]
    marks = dict(
        connection.execute("SELECT channel_id, upto_mono_ns FROM rolled WHERE boot_id = ?", (boot,))
    )
    others = []
    for row in rows:
        channel, _, mono_ns, utc_ns, value, quality, flag = row
        mark = marks.get(channel)
        if mark is None or mono_ns > mark:
            others.append(row)
            continue
        is_new = connection.execute(insert, row).rowcount == 1
        if is_new and flag != "future":
            offset = utc_ns - mono_ns
            one = Summary(value, value, value, 1, WORST.index(Quality(quality)))
            _merge(connection, channel, [(utc_ns // 10**10, one)])
            _note_stretch(connection, (channel, boot), (mono_ns, mono_ns), (offset, offset))
    return others


def _pairs(connection: sqlite3.Connection, *, except_boot: int | None) -> list[tuple[int, int]]:
    """Return channel and boot of everything that may not be rolled yet, the newest boot last."""
    return [
        (int(channel), int(boot))
        for channel, boot in connection.execute(
            "SELECT channels.id, boots.id FROM boots CROSS JOIN channels"
            " LEFT JOIN rolled ON rolled.channel_id = channels.id AND rolled.boot_id = boots.id"
            " WHERE boots.id IS NOT ?1 AND EXISTS (SELECT 1 FROM readings"
            " WHERE readings.channel_id = channels.id AND readings.boot_id = boots.id"
            " AND readings.mono_ns > COALESCE(rolled.upto_mono_ns, -9223372036854775808))"
            " ORDER BY boots.id, channels.id",
            (except_boot,),
        )
    ]


def _roll(connection: sqlite3.Connection, pair: tuple[int, int], upto_ns: int, most: int) -> int:
    """Roll up to ``most`` readings of a channel and boot beyond its mark; return how many."""
    row = connection.execute(
        "SELECT upto_mono_ns FROM rolled WHERE channel_id = ? AND boot_id = ?", pair
    ).fetchone()
    mark = -_EVER_NS if row is None else int(row[0])
    last, count = connection.execute(
        "SELECT MAX(mono_ns), COUNT(*) FROM (SELECT mono_ns FROM readings WHERE channel_id = ?"
        " AND boot_id = ? AND mono_ns > ? AND mono_ns <= ? ORDER BY mono_ns LIMIT ?)",
        (*pair, mark, upto_ns, most),
    ).fetchone()
    if not count:
        return 0
    places: list[tuple[int, Summary]] = []
    for found in connection.execute(_GROUPED, (*pair, mark, last)).fetchall():
        places.append((found[0], Summary(*found[1:6])))
        _note_stretch(connection, pair, (found[6], found[7]), (found[8], found[9]))
    _merge(connection, pair[0], places)
    connection.execute(
        "INSERT INTO rolled VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET"
        " upto_mono_ns = excluded.upto_mono_ns",
        (*pair, last),
    )
    return int(count)


def _merge(
    connection: sqlite3.Connection, channel: int, places: Iterable[tuple[int, Summary]]
) -> None:
    """Merge summaries of ten seconds, numbered since 1970, into every tier."""
    rows: dict[tuple[int, int], Summary] = {}
    for place, one in places:
        for width in WIDTHS_S:
            start = place * 10 // width * width
            known = rows.get((width, start))
            if known is None:
                rows[width, start] = Summary(one.low, one.high, one.total, one.count, one.worst)
            else:
                known.add(one)
    connection.executemany(
        _MERGE,
        [
            (channel, width, start, one.low, one.high, one.total, one.count, one.worst)
            for (width, start), one in rows.items()
        ],
    )


def _note_stretch(
    connection: sqlite3.Connection,
    pair: tuple[int, int],
    mono_ns: tuple[int, int],
    offset_ns: tuple[int, int],
) -> None:
    """Widen the stretch that readings belong to, or begin another where the clock was set."""
    first, last = mono_ns
    row = connection.execute(
        "SELECT first_mono_ns, last_mono_ns, low_offset_ns, high_offset_ns FROM stretches"
        " WHERE channel_id = ? AND boot_id = ? AND first_mono_ns <= ?"
        " ORDER BY first_mono_ns DESC LIMIT 1",
        (*pair, first),
    ).fetchone()
    if row is not None:
        low, high = min(row[2], offset_ns[0]), max(row[3], offset_ns[1])
        if first == row[0] or high - low <= SAME_CLOCK_NS:
            connection.execute(
                "UPDATE stretches SET last_mono_ns = ?, low_offset_ns = ?, high_offset_ns = ?"
                " WHERE channel_id = ? AND boot_id = ? AND first_mono_ns = ?",
                (max(row[1], last), low, high, *pair, row[0]),
            )
            return
    connection.execute(
        "INSERT INTO stretches VALUES (?, ?, ?, ?, ?, ?)", (*pair, first, last, *offset_ns)
    )
