"""The canonical bytes of a reading in a trace: what is exported, and what is hashed."""

from __future__ import annotations

import math
from decimal import ROUND_HALF_EVEN, Decimal, InvalidOperation
from typing import TYPE_CHECKING, Final

from holdwatch_physics.reading import SI_UNIT, Quality, Quantity

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

__all__ = [
    "MARK_CHANNEL",
    "TRACE_HEADER",
    "TraceValueError",
    "check_finite",
    "format_seconds",
    "mark_line",
    "parse_seconds",
    "trace_line",
    "trace_lines",
]

TRACE_HEADER: Final = b"time,channel,value,unit,quality\n"
"""First line of an exported trace."""
MARK_CHANNEL: Final = "mark"
"""Channel whose values are events, in words."""

_NS_PER_S: Final = 1_000_000_000
_NS_DIGITS: Final = 9
_LONGEST_EXPONENT: Final = 12
"""Times of 10¹³ s (300 000 years) and more are refused before they cost memory."""
_MUST_QUOTE: Final = frozenset(',"\r\n')
_ENDS: Final = {
    quality: {quantity: f",{unit},{quality.value}\n" for quantity, unit in SI_UNIT.items()}
    for quality in Quality
}
"""How a line ends after the value, by how far it may be believed and what it measures."""


class TraceValueError(ValueError):
    """A time or value that a trace cannot carry."""


def format_seconds(t_ns: int) -> str:
    """Return nanoseconds as the shortest exact decimal number of seconds.

    >>> [format_seconds(t) for t in (0, 12_500_000_000, 1_834_000_000_001, -500_000_000)]
    ['0', '12.5', '1834.000000001', '-0.5']
    """
    whole, rest = divmod(abs(t_ns), _NS_PER_S)
    sign = "-" if t_ns < 0 else ""
    if not rest:
        return f"{sign}{whole}"
    return f"{sign}{whole}.{rest:09d}".rstrip("0")


def parse_seconds(text: str) -> int:
    """Return decimal seconds as nanoseconds: exact to the nanosecond, finer digits rounded.

    Raises:
        TraceValueError: not a decimal number, or absurdly large.

    >>> parse_seconds("1834.000000001")
    1834000000001
    """
    whole, _, rest = text.partition(".")
    # Most lines of a trace: plain digits, which need no decimal arithmetic to be exact.
    if text.isascii() and whole.isdigit() and len(whole) <= _LONGEST_EXPONENT:
        if not rest:
            return int(whole) * _NS_PER_S
        if rest.isdigit() and len(rest) <= _NS_DIGITS:
            return int(whole) * _NS_PER_S + int(rest.ljust(_NS_DIGITS, "0"))
    return _parse_any_seconds(text)


def _parse_any_seconds(text: str) -> int:
    """Parse signs, exponents and long fractions by decimal arithmetic."""
    try:
        # Underscores and foreign digits are Python's habit, not a trace's.
        seconds = Decimal(text) if text.isascii() and "_" not in text else Decimal("nan")
    except InvalidOperation:
        seconds = Decimal("nan")
    if not seconds.is_finite() or seconds.adjusted() > _LONGEST_EXPONENT:
        raise TraceValueError(f"time {text!r} is not a decimal number of seconds")
    if seconds.adjusted() < -_NS_DIGITS - 1:
        return 0
    return int((seconds * _NS_PER_S).to_integral_value(rounding=ROUND_HALF_EVEN))


def trace_lines(
    times_ns: Sequence[int],
    channels: Sequence[str],
    values: Sequence[float],
    quantities: Sequence[Quantity],
    qualities: Sequence[Quality],
) -> bytes:
    r"""Return the lines of many readings, column by column: those of `trace_line`, joined.

    Raises:
        TraceValueError: a value is not a finite number.

    >>> trace_lines([0], ["low_side"], [1.5], [Quantity.PRESSURE_ABSOLUTE], [Quality.GOOD])
    b'0,low_side,1.5,Paa,good\n'
    """
    check_finite(channels, values)
    count = len(times_ns)
    seconds = {t_ns: format_seconds(t_ns) for t_ns in dict.fromkeys(times_ns)}
    fields = {channel: f",{_field(channel)}," for channel in dict.fromkeys(channels)}
    # Column by column: nothing is done for a single line, which is what takes long.
    parts = [""] * (4 * count)
    parts[0::4] = map(seconds.__getitem__, times_ns)
    parts[1::4] = map(fields.__getitem__, channels)
    parts[2::4] = _numbers(values)
    if count and qualities.count(qualities[0]) == count:
        parts[3::4] = map(_ENDS[qualities[0]].__getitem__, quantities)
    else:
        ends = zip(qualities, quantities, strict=True)
        parts[3::4] = [_ENDS[quality][quantity] for quality, quantity in ends]
    return "".join(parts).encode()


def check_finite(channels: Sequence[str], values: Sequence[float]) -> None:
    """Refuse values that a trace cannot carry.

    Raises:
        TraceValueError: a value is not a finite number.
    """
    if math.isfinite(sum(values)):  # a sum too large of finite values passes below
        return
    for channel, value in zip(channels, values, strict=True):
        if not math.isfinite(value):
            raise TraceValueError(
                f"channel {channel!r}: {value} is not a value that a trace can carry"
            )


def _numbers(values: Sequence[float]) -> Iterable[str]:
    """Return the shortest texts that read back to the same numbers."""
    different = set(values)
    # An instrument repeats itself. The two zeros are equal and are written differently.
    if 2 * len(different) > len(values) or 0.0 in different:
        return map(repr, map(float, values))  # float() because numpy's own print their type
    texts = {value: repr(float(value)) for value in different}
    return map(texts.__getitem__, values)


def trace_line(
    t_ns: int, channel: str, value: float, quantity: Quantity, quality: Quality
) -> bytes:
    r"""Return the line of one reading: ``time,channel,value,unit,quality`` and a line feed.

    Time is exact; the value is the shortest text that reads back to the same number; the unit is
    the SI word of the quantity. The same reading gives the same bytes, wherever it is written.

    Raises:
        TraceValueError: the value is not a finite number.

    >>> trace_line(12_500_000_000, "low_side", 1601325.0, Quantity.PRESSURE_ABSOLUTE, Quality.GOOD)
    b'12.5,low_side,1601325.0,Paa,good\n'
    """
    return trace_lines((t_ns,), (channel,), (value,), (quantity,), (quality,))


def mark_line(t_ns: int, word: str) -> bytes:
    r"""Return the line of a mark: channel ``mark``, the word as value, no unit.

    >>> mark_line(0, "isolated")
    b'0,mark,isolated,,good\n'
    """
    line = f"{format_seconds(t_ns)},{MARK_CHANNEL},{_field(word)},,{Quality.GOOD.value}\n"
    return line.encode()


def _field(text: str) -> str:
    """Quote a CSV field (RFC 4180), only where it must be."""
    if _MUST_QUOTE.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'
