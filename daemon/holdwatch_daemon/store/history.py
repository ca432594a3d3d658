"""What channels read over any span of time, by the tier that fits: bands, or readings themselves.

A month is drawn from summaries, a quarter of an hour from what was measured. Readings that are
not rolled yet are put to the summaries as the question is answered; where readings were thinned,
the finest summary that is kept takes their place.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.store.rolling import WIDTHS_S, WORST, WORST_SQL, Summary

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Iterator, Sequence

NEWEST_S: Final = 3600
"""So much of what is not rolled yet is put to an answer, s; more is being rolled just now."""
_FINE_S: Final = (2, 5)
"""Widths between single readings and the finest tier, s; each divides it."""
_NS: Final = 1_000_000_000

Band = dict[int, Summary]
"""Summaries by their start, ns since 1970 UTC."""


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel as the store numbers it."""

    id: int
    name: str
    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class Asked:
    """A span of time, ns since 1970 UTC, the end not in it; and the width of what is drawn, s.

    ``width_s`` 0 asks for single readings.
    """

    from_ns: int
    to_ns: int
    width_s: int


def width_for(span_s: float, points: int) -> int:
    """Return the width that gives a span about ``points`` a channel, s; 0: single readings."""
    wanted = span_s / points
    if wanted <= 1.0:
        return 0
    for width in _FINE_S:
        if wanted <= width:
            return width
    tier = _tier_of(wanted)
    return math.ceil(wanted / tier) * tier


def channels(connection: sqlite3.Connection, names: Iterable[str] | None = None) -> list[Channel]:
    """Return the channels of these names, or all, in the order of their names."""
    rows = connection.execute("SELECT id, name, quantity, unit FROM channels ORDER BY name, id")
    wanted = None if names is None else set(names)
    return [Channel(*row) for row in rows if wanted is None or row[1] in wanted]


def covered(connection: sqlite3.Connection) -> tuple[int, int] | None:
    """Return the first and last second of what is kept, since 1970 UTC; None for nothing."""
    first, last = None, None
    for channel in channels(connection):
        for width in WIDTHS_S:
            low, high = _ends(connection, channel.id, width)
            if low is not None and high is not None:
                first = low if first is None else min(first, low)
                last = high + width if last is None else max(last, high + width)
        newest = _newest_utc_ns(connection, channel.id)
        if newest is not None:
            last = max(newest // _NS + 1, last or 0)
            first = newest // _NS if first is None else first
    return None if first is None or last is None else (first, last)


def history(
    connection: sqlite3.Connection,
    asked: Sequence[Channel],
    from_ns: int,
    to_ns: int,
    points: int = 1000,
) -> dict[str, Any]:
    """Return what channels read, with about ``points`` a channel.

    Args:
        connection: It reads only.
        asked: The channels.
        from_ns: Start, ns since 1970 UTC; widened to whole stretches of the width.
        to_ns: End.
        points: How many are wanted; single readings may be some more.

    Returns:
        ``width_s`` (0: single readings), ``from_s`` and ``to_s`` since 1970 UTC, ``whole``
        (false while older readings are still being rolled) and for each channel columns of
        equal length: ``t_s`` (the start of each stretch), ``low``, ``mean``, ``high``,
        ``count`` and ``worst`` (a quality).
    """
    width = width_for((to_ns - from_ns) / 1e9, points)
    # Whole stretches of the finest tier at least: its summaries may have to fill in.
    grid = max(width, WIDTHS_S[0]) * _NS
    span = Asked(from_ns // grid * grid, -(-to_ns // grid) * grid, width)
    whole = True
    series = []
    for channel in asked:
        band, is_whole = _channel(connection, channel.id, span)
        whole = whole and is_whole
        series.append(_columns(channel, band))
    return {
        "from_s": span.from_ns / 1e9,
        "to_s": span.to_ns / 1e9,
        "width_s": width,
        "whole": whole,
        "series": series,
    }


def _tier_of(width_s: float) -> int:
    return max((tier for tier in WIDTHS_S if tier <= width_s), default=WIDTHS_S[0])


def _channel(connection: sqlite3.Connection, channel: int, span: Asked) -> tuple[Band, bool]:
    tails, whole = _tails(connection, channel)
    if span.width_s >= WIDTHS_S[0]:
        band = _from_tiers(connection, channel, span, WIDTHS_S.index(_tier_of(span.width_s)))
        for pair, after in tails:
            _put(band, _raw(connection, pair, (after + 1, 2**62), span))
        return band, whole
    band = {}
    for pair, low, high in _places(connection, channel, span):
        _put(band, _raw(connection, pair, (low, high), span))
    for pair, after in tails:
        _put(band, _raw(connection, pair, (after + 1, 2**62), span))
    _fill(band, _from_tiers(connection, channel, span, 0))
    return band, whole


def _columns(channel: Channel, band: Band) -> dict[str, Any]:
    ordered = sorted(band.items())
    return {
        "channel": channel.name,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "t_s": [start / 1e9 for start, _ in ordered],
        "low": [one.low for _, one in ordered],
        "mean": [one.total / one.count for _, one in ordered],
        "high": [one.high for _, one in ordered],
        "count": [one.count for _, one in ordered],
        "worst": [str(WORST[one.worst]) for _, one in ordered],
    }


def _put(band: Band, found: Iterable[tuple[int, Summary]]) -> None:
    for start, one in found:
        known = band.get(start)
        if known is None:
            band[start] = one
        else:
            known.add(one)


def _fill(band: Band, tier: Band) -> None:
    """Put a summary in the place of readings wherever it counts more than are left."""
    left: dict[int, list[int]] = {}
    grid = WIDTHS_S[0] * _NS
    for start in band:
        left.setdefault(start // grid * grid, []).append(start)
    for start, one in tier.items():
        known = left.get(start, [])
        if one.count > sum(band[each].count for each in known):
            for each in known:
                del band[each]
            band[start] = one


def _from_tiers(connection: sqlite3.Connection, channel: int, span: Asked, tier: int) -> Band:
    """Return the summaries of a tier, or of the next one where that was thinned."""
    width = WIDTHS_S[tier]
    grid = max(span.width_s, width)
    from_s, to_s = span.from_ns // _NS // width * width, -(-span.to_ns // _NS)
    band: Band = {}
    first, _ = _ends(connection, channel, width)
    # Tiers are thinned by whole stretches of the widest one.
    kept = to_s if first is None else first // WIDTHS_S[-1] * WIDTHS_S[-1]
    coarser = (_ends(connection, channel, each)[0] for each in WIDTHS_S[tier + 1 :])
    if from_s < kept and any(each is not None and each < kept for each in coarser):
        until = min(to_s, kept)
        part = Asked(from_s * _NS, until * _NS, span.width_s)
        band = _from_tiers(connection, channel, part, tier + 1)
        from_s = until
    rows = connection.execute(
        "SELECT start_s / ?1 * ?1, MIN(low), MAX(high), SUM(total), SUM(count), MAX(worst)"
        " FROM tiers WHERE channel_id = ?2 AND width_s = ?3 AND start_s >= ?4 AND start_s < ?5"
        " GROUP BY 1",
        (grid, channel, width, from_s, to_s),
    )
    _put(band, ((row[0] * _NS, Summary(*row[1:])) for row in rows))
    return band


def _raw(
    connection: sqlite3.Connection, pair: tuple[int, int], mono_ns: tuple[int, int], span: Asked
) -> Iterator[tuple[int, Summary]]:
    """Yield readings of a channel and boot within monotonic bounds, put together by the width."""
    bounds = (*pair, *mono_ns, span.from_ns, span.to_ns)
    where = (
        "FROM readings WHERE channel_id = ? AND boot_id = ? AND mono_ns BETWEEN ? AND ?"
        " AND utc_ns >= ? AND utc_ns < ? AND flag IS NOT 'future'"
    )
    if not span.width_s:
        sql = f"SELECT utc_ns, value, {WORST_SQL} {where}"
        for utc_ns, value, worst in connection.execute(sql, bounds):
            yield utc_ns, Summary(value, value, value, 1, worst)
        return
    grid = span.width_s * _NS
    sql = (
        f"SELECT utc_ns / {grid} * {grid} AS place, MIN(value), MAX(value), TOTAL(value),"
        f" COUNT(*), MAX({WORST_SQL}) {where} GROUP BY place"
    )
    for row in connection.execute(sql, bounds):
        yield row[0], Summary(*row[1:])


def _tails(
    connection: sqlite3.Connection, channel: int
) -> tuple[list[tuple[tuple[int, int], int]], bool]:
    """Return where a channel's readings are not rolled yet: boot, and after which time.

    Of a boot that is far behind only the newest part is named; the second result is then false.
    """
    tails = []
    whole = True
    for boot, mark in connection.execute(
        "SELECT boots.id, upto_mono_ns FROM boots LEFT JOIN rolled"
        " ON rolled.boot_id = boots.id AND rolled.channel_id = ?",
        (channel,),
    ).fetchall():
        pair = (channel, int(boot))
        (newest,) = connection.execute(
            "SELECT MAX(mono_ns) FROM readings WHERE channel_id = ? AND boot_id = ?", pair
        ).fetchone()
        if newest is None or (mark is not None and newest <= mark):
            continue
        after = newest - NEWEST_S * _NS
        (first,) = connection.execute(
            "SELECT MIN(mono_ns) FROM readings"
            " WHERE channel_id = ? AND boot_id = ? AND mono_ns > ?",
            (*pair, -(2**62) if mark is None else mark),
        ).fetchone()
        whole = whole and first > after
        tails.append((pair, max(after, first - 1)))
    return tails, whole


def _places(
    connection: sqlite3.Connection, channel: int, span: Asked
) -> list[tuple[tuple[int, int], int, int]]:
    """Return boot and monotonic bounds, without overlap, of what may lie in a span and is rolled.

    A stretch reaches only as far as its channel is rolled: the rest is a tail.
    """
    rows = connection.execute(
        "SELECT boot_id, MAX(first_mono_ns, ?2 - high_offset_ns) AS low,"
        " MIN(last_mono_ns, ?3 - low_offset_ns) AS high FROM stretches"
        " WHERE channel_id = ?1 AND low <= high ORDER BY boot_id, low",
        (channel, span.from_ns, span.to_ns),
    )
    places: list[tuple[tuple[int, int], int, int]] = []
    for boot, low, high in rows:
        if places and places[-1][0] == (channel, boot) and low <= places[-1][2]:
            pair, first, last = places[-1]
            places[-1] = (pair, first, max(last, high))
        else:
            places.append(((channel, boot), low, high))
    return places


def _ends(
    connection: sqlite3.Connection, channel: int, width: int
) -> tuple[int | None, int | None]:
    ends = []
    for order in ("ASC", "DESC"):
        row = connection.execute(
            "SELECT start_s FROM tiers WHERE channel_id = ? AND width_s = ?"  # noqa: S608 - our own words
            f" ORDER BY start_s {order} LIMIT 1",
            (channel, width),
        ).fetchone()
        ends.append(None if row is None else int(row[0]))
    return ends[0], ends[1]


def _newest_utc_ns(connection: sqlite3.Connection, channel: int) -> int | None:
    """Return the time of a channel's newest reading under the boot seen last."""
    row = connection.execute(
        "SELECT utc_ns FROM readings WHERE channel_id = ?1 AND boot_id ="
        " (SELECT MAX(boot_id) FROM readings WHERE channel_id = ?1)"
        " ORDER BY mono_ns DESC LIMIT 1",
        (channel,),
    ).fetchone()
    return None if row is None else int(row[0])
