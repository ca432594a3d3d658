"""Recorded readings as a CSV file, read line by line.

The form is the one that ``holdwatch export`` writes: header ``time,channel,value,unit`` and
optionally ``quality``, UTF-8, LF line ends, one reading a line.
"""

from __future__ import annotations

import csv
import math
import re
from datetime import UTC, datetime
from functools import partial
from itertools import chain, compress, islice
from operator import add, le, length_hint, mul
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple, cast

from holdwatch_physics.reading import POSSIBLE, Quality, Quantity, impossible, role_of
from holdwatch_physics.trace_line import MARK_CHANNEL, TraceValueError, parse_seconds
from holdwatch_physics.units import Unit, UnitError, parse_unit

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

__all__ = ["TraceColumns", "TraceError", "TraceRow", "read_trace", "read_trace_columns"]


_HEADER: Final = ["time", "channel", "value", "unit"]
_HEADER_WITH_QUALITY: Final = [*_HEADER, "quality"]
_WITH_QUALITY: Final = len(_HEADER_WITH_QUALITY)
_NS_PER_S: Final = 1_000_000_000
_NS_DIGITS: Final = 9
_TO_THE_SECOND: Final = len("2026-03-01T08:30:00")
_RFC3339: Final = re.compile(
    r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d:\d\d)(?:\.(\d{1,9})\d*)?([Zz]|[+-]\d\d:\d\d)",
    re.ASCII,
)
_CHUNK: Final = 512
"""Lines of a file that are read ahead; of any other source, none are."""
_QUALITIES: Final = {"": Quality.GOOD, **{quality.value: quality for quality in Quality}}


class TraceError(ValueError):
    """A trace cannot be read; the message is one sentence with the line's number.

    Attributes:
        line: The line's number, counted from 1, the header being 1.
    """

    def __init__(self, name: str, line: int, problem: str) -> None:
        super().__init__(f"{name}, line {line}: {problem}")
        self.line = line


class TraceRow(NamedTuple):
    """One line of a trace; a tuple, since a long trace has millions.

    Attributes:
        t_ns: Time since the trace's zero, ns: the file's own zero where it counts seconds, the
            first reading where it tells the time of day. Lines keep the file's order.
        channel: The channel's name; ``mark`` for an event.
        quantity: What the value measures; None for a mark.
        value: Pa or K; NaN for a mark.
        quality: As recorded.
        word: A mark's word, for example ``isolated``; empty for a reading.
    """

    t_ns: int
    channel: str
    quantity: Quantity | None
    value: float
    quality: Quality
    word: str


class TraceColumns(NamedTuple):
    """Rows that follow one another, one or more, column by column; each as in `TraceRow`."""

    times_ns: Sequence[int]
    channels: Sequence[str]
    quantities: Sequence[Quantity | None]
    values: Sequence[float]
    qualities: Sequence[Quality]
    words: Sequence[str]


_NEW_ROW: Final = partial(tuple.__new__, TraceRow)
"""Makes a row of a tuple; twice as fast as calling the class."""


class _Known(NamedTuple):
    """What is known of a channel's readings in one unit: factor and offset to SI, and the ends."""

    channel: str
    quantity: Quantity
    factor: float
    offset: float
    lowest: float
    highest: float


def read_trace(source: Path | str | Iterable[str]) -> Iterator[TraceRow]:
    """Yield a trace's rows in the file's order.

    Args:
        source: A file's path, or lines of text, with or without their line ends.

    Raises:
        TraceError: A line cannot be read. Rows before it have been yielded by then.
        OSError: The file cannot be opened.

    >>> rows = list(read_trace(["time,channel,value,unit", "0.5,low_side,1500,kPag"]))
    >>> rows[0].t_ns, rows[0].quantity.value, rows[0].value
    (500000000, 'pressure_gauge', 1500000.0)
    """
    for columns in read_trace_columns(source):
        yield from map(_NEW_ROW, zip(*columns, strict=True))


def read_trace_columns(source: Path | str | Iterable[str]) -> Iterator[TraceColumns]:
    """Yield a trace's rows as `read_trace` does, many at once, for who takes them so."""
    if isinstance(source, (Path, str)):
        path = Path(source)
        with path.open("rb") as file:
            yield from _Reader(path.name, _CHUNK).columns(file)
    else:
        yield from _Reader("trace").columns(source)


class _Reader:
    """The state of one pass over a trace."""

    def __init__(self, name: str, chunk: int = 1) -> None:
        self._name = name
        self._chunk = chunk
        self._line = 0
        self._known: dict[tuple[str, str], _Known] = {}
        """By channel and unit word."""
        self._quantities: dict[str, Quantity] = {}
        self._of_day: bool | None = None  # whether times are RFC 3339; None before the first
        self._second: tuple[str, int] = ("", 0)  # the last second seen and its ns

    def _error(self, problem: str) -> TraceError:
        return TraceError(self._name, self._line, problem)

    def columns(self, lines: Iterable[str | bytes]) -> Iterator[TraceColumns]:
        """Yield the rows, counted from the trace's zero."""
        parsed = self._parsed(iter(lines))
        early: list[TraceColumns] = []  # marks ahead of the first reading, and what holds that
        zero = 0
        for columns in parsed:
            early.append(columns)
            if not self._of_day:
                break
            zero = columns.times_ns[-1]
            readings = (quantity is not None for quantity in columns.quantities)
            first = next(compress(columns.times_ns, readings), None)
            if first is not None:
                zero = first
                break
        for columns in chain(early, parsed):
            if zero:
                yield columns._replace(times_ns=[t_ns - zero for t_ns in columns.times_ns])
            else:
                yield columns

    def _parsed(self, lines: Iterator[str | bytes]) -> Iterator[TraceColumns]:
        width = self._header(next(self._decoded(lines), ""))
        while chunk := list(islice(lines, self._chunk)):
            plain = self._plain(chunk, width)
            if plain is not None:
                yield plain
                continue
            rows: list[TraceRow] = []
            error: TraceError | None = None
            try:
                rows.extend(self._one_by_one(chunk, width, lines))
            except TraceError as failed:
                error = failed  # the rows before it come first
            if rows:
                yield TraceColumns(*zip(*rows, strict=True))
            if error is not None:
                raise error

    def _one_by_one(
        self, chunk: list[str | bytes], width: int, lines: Iterator[str | bytes]
    ) -> Iterator[TraceRow]:
        """Yield the rows of lines, which may reach into those that follow."""
        pending = iter(chunk)
        decoded = self._decoded(chain(pending, lines))
        while length_hint(pending):
            row = self._one(next(decoded), width, decoded)
            if row is not None:
                yield row

    def _decoded(self, lines: Iterable[str | bytes]) -> Iterator[str]:
        """Give out, as text, the lines that follow."""
        for number, line in enumerate(lines, start=self._line + 1):
            try:
                yield line if isinstance(line, str) else line.decode()
            except UnicodeDecodeError:
                problem = "is not UTF-8 text: save the file as UTF-8"
                raise TraceError(self._name, number, problem) from None

    def _plain(self, lines: list[str | bytes], width: int) -> TraceColumns | None:
        """Return the rows of lines of which none needs a look of its own, else None.

        Nearly all lines of a long trace are such. Nothing has happened where it returns None.
        They are taken column by column, so that nothing is done for a single line.
        """
        text, count = _joined(lines), len(lines)
        if self._of_day is None or not text.isascii():
            return None
        # The line ends become fields of their own, which show that every line has all of its.
        fields = text.replace("\n", ",\n,").split(",")
        step = width + 1
        ends = fields[width::step]
        if fields.pop() or len(fields) != count * step or ends.count("\n") != count:
            return None
        texts, numbers = fields[0::step], fields[2::step]
        try:
            found = map(self._known.__getitem__, zip(fields[1::step], fields[3::step], strict=True))
            channels, quantities, factors, offsets, lowest, highest = zip(*found, strict=True)
            # As Unit.to_si does it; adding an offset of -0.0 changes nothing, not even a -0.0.
            values = list(map(add, map(mul, _floats(numbers), factors), offsets))
            qualities = [Quality.GOOD] * count
            if width == _WITH_QUALITY:
                qualities = [_QUALITIES[word] for word in fields[4::step]]
            times = self._times(dict.fromkeys(texts))
        except (KeyError, ValueError):  # a TraceError is a ValueError too
            return None
        possible = all(map(le, lowest, values)) and all(map(le, values, highest))
        if not possible or "_" in "".join(numbers):
            return None
        self._line += count
        times_ns = [times[text] for text in texts]
        return TraceColumns(times_ns, channels, quantities, values, qualities, [""] * count)

    def _times(self, texts: Iterable[str]) -> dict[str, int]:
        """Return each text's time, ns."""
        if self._of_day:
            return {text: self._time(text) for text in texts}
        if "".join(texts).isdigit() and max(map(len, texts)) < _NS_DIGITS:
            return {text: int(text) * _NS_PER_S for text in texts}
        return {text: self._seconds(text) for text in texts}

    def _one(self, raw: str, columns: int, lines: Iterator[str]) -> TraceRow | None:
        """Return the row of a line, by the short way where it is plain and right."""
        self._line += 1
        fields = raw.removesuffix("\n").split(",")
        quality = Quality.GOOD
        try:
            _, quantity, factor, offset, lowest, highest = self._known[fields[1], fields[3]]
            value = float(fields[2]) * factor
            if offset:
                value += offset
            if columns == _WITH_QUALITY:
                quality = _QUALITIES[fields[4]]
            plain = lowest <= value <= highest and "_" not in fields[2] and raw.isascii()
        except (IndexError, KeyError, ValueError):
            plain = False
        if not plain or len(fields) != columns:
            return self._careful(raw, columns, lines)
        t_ns = self._seconds(fields[0]) if self._of_day is False else self._time(fields[0])
        return TraceRow(t_ns, fields[1], quantity, value, quality, "")

    def _careful(self, raw: str, columns: int, lines: Iterator[str]) -> TraceRow | None:
        """Return the row of any one line, None for empty lines at the end."""
        line = raw.removesuffix("\n")
        if not line:
            first = self._line
            if any(more.strip("\n") for more in lines):
                raise TraceError(self._name, first, "is empty: remove it")
            return None
        if '"' in line:
            fields = self._quoted(raw, lines)
        elif "\r" in line:
            raise self._error("ends in CR LF: write LF line ends")
        else:
            fields = [field.strip() for field in line.split(",")]
        if len(fields) != columns:
            raise self._error(
                f"has {len(fields)} fields where the header has {columns}: "
                "a value with commas in it needs quotation marks"
            )
        return self._row(fields)

    def _header(self, line: str) -> int:
        self._line = 1
        names = line.removeprefix("\ufeff").removesuffix("\n").split(",")
        if names not in (_HEADER, _HEADER_WITH_QUALITY):
            shown = line.strip()[:60]
            raise self._error(
                f"the header is {shown!r}: write {','.join(_HEADER)!r}, "
                "with ',quality' after it where there is that column, and LF line ends"
            )
        return len(names)

    def _quoted(self, raw: str, lines: Iterator[str]) -> list[str]:
        """Split a line with quotation marks, taking in the next ones that they reach over."""
        first = self._line
        text = raw
        while text.count('"') % 2:
            more = next(lines, None)
            if more is None:
                raise TraceError(self._name, first, "opens a quotation mark and never closes it")
            self._line += 1
            text = (text if text.endswith("\n") else text + "\n") + more
        try:
            return next(csv.reader([text.removesuffix("\n")], strict=True))
        except csv.Error as error:
            raise TraceError(
                self._name, first, f"has misplaced quotation marks ({error})"
            ) from None

    def _row(self, fields: list[str]) -> TraceRow:
        t_ns = self._time(fields[0])
        channel, number, unit_text = fields[1], fields[2], fields[3]
        quality = Quality.GOOD
        if len(fields) == _WITH_QUALITY:
            try:
                quality = _QUALITIES[fields[4]]
            except KeyError:
                known = ", ".join(q.value for q in Quality)
                raise self._error(f"quality {fields[4]!r} is none of {known}") from None
        if channel == MARK_CHANNEL:
            if unit_text:
                raise self._error(f"a mark has no unit, but {unit_text!r} stands there")
            if not number:
                raise self._error("a mark has no word: write isolated, valve_closed or a note")
            return TraceRow(t_ns, channel, None, math.nan, quality, number)
        try:
            unit = parse_unit(unit_text)
        except UnitError as error:
            raise self._error(str(error)) from None
        quantity = unit.quantity
        if self._quantities.get(channel) is not quantity:
            self._check_channel(channel, quantity)
        value = self._value(number, unit, quality)
        lowest, highest = POSSIBLE[quantity]
        if quantity is Quantity.PRESSURE_ABSOLUTE:
            lowest = 0.0
        self._known[channel, unit_text] = _Known(
            channel, quantity, unit.factor, unit.offset or -0.0, lowest, highest
        )
        return TraceRow(t_ns, channel, quantity, value, quality, "")

    def _value(self, text: str, unit: Unit, quality: Quality) -> float:
        try:
            value = float(text)
        except ValueError:
            raise self._error(f"value {text!r} is not a number") from None
        if "_" in text or not text.isascii():  # Python's habit, not a trace's
            raise self._error(f"value {text!r} is not a number")
        si = unit.to_si(value)
        if not math.isfinite(si):
            raise self._error(f"value {text!r} is not a finite number")
        if si < 0.0 and unit.quantity is Quantity.TEMPERATURE:
            raise self._error(f"{text} {unit.name} is below absolute zero")
        why = impossible(unit.quantity, si)
        if why:
            raise self._error(f"{text} {unit.name} cannot have been measured: {why}")
        # A gauge a little off its zero reads below it; that is kept, and nobody believes it.
        below_nothing = si < 0.0 and unit.quantity is Quantity.PRESSURE_ABSOLUTE
        if below_nothing and quality is Quality.GOOD:
            raise self._error(
                f"an absolute pressure of {text} {unit.name} is below zero: "
                "a gauge pressure takes a unit that ends in g"
            )
        return si

    def _check_channel(self, channel: str, quantity: Quantity) -> None:
        if not channel:
            raise self._error("the channel has no name")
        before = self._quantities.get(channel)
        if before is not None:
            raise self._error(
                f"channel {channel!r} measured {_words(before)} before and {_words(quantity)} here"
            )
        role = role_of(channel)
        if role is not None and role.is_pressure is (quantity is Quantity.TEMPERATURE):
            wanted = "a pressure" if role.is_pressure else "a temperature"
            raise self._error(f"channel {channel!r} needs {wanted}, not {_words(quantity)}")
        self._quantities[channel] = quantity

    def _time(self, text: str) -> int:
        of_day = ":" in text
        if of_day is not self._of_day:
            if self._of_day is not None:
                raise self._other_form(text)
            self._of_day = of_day
        if of_day:
            return self._time_of_day(text)
        return self._seconds(text)

    def _seconds(self, text: str) -> int:
        try:
            return parse_seconds(text)
        except TraceValueError as error:
            if ":" in text:
                raise self._other_form(text) from None
            raise self._error(f"{error} (or RFC 3339 UTC)") from None

    def _other_form(self, text: str) -> TraceError:
        return self._error(
            f"time {text!r} is of another form than the lines before: "
            "write seconds or RFC 3339, not both"
        )

    def _time_of_day(self, text: str) -> int:
        # Most lines lie in the same second as the one before.
        same_second, rest = text[:_TO_THE_SECOND] == self._second[0], text[_TO_THE_SECOND:]
        if same_second and rest.isascii() and rest[:1] == "." and rest[-1] == "Z":
            digits = rest[1:-1]
            if digits.isdigit() and len(digits) <= _NS_DIGITS:
                return self._second[1] + int(digits.ljust(_NS_DIGITS, "0"))
        match = _RFC3339.fullmatch(text)
        if match is None:
            raise self._error(f"time {text!r} is not RFC 3339, like 2026-03-01T08:30:00.25Z")
        day, clock, fraction, zone = match.groups()
        if zone not in {"Z", "z", "+00:00", "-00:00"}:
            raise self._error(f"time {text!r} is not in UTC: write it with Z at its end")
        second = f"{day}T{clock}"
        if second != self._second[0]:
            try:
                moment = datetime.fromisoformat(second).replace(tzinfo=UTC)
            except ValueError:
                raise self._error(f"time {text!r} is on no calendar or clock") from None
            self._second = (second, int(moment.timestamp()) * _NS_PER_S)
        return self._second[1] + (int(fraction.ljust(_NS_DIGITS, "0")) if fraction else 0)


def _floats(texts: list[str]) -> Iterable[float]:
    """Return the numbers; an instrument repeats itself, so that few need to be parsed."""
    different = set(texts)
    if 2 * len(different) > len(texts):
        return map(float, texts)
    known = {text: float(text) for text in different}
    return map(known.__getitem__, texts)


def _joined(lines: list[str | bytes]) -> str:
    """Return lines in one piece; bytes that are no ASCII stay such characters."""
    if isinstance(lines[0], str):
        return "".join(cast("list[str]", lines))
    return b"".join(cast("list[bytes]", lines)).decode("latin-1")


def _words(quantity: Quantity) -> str:
    return quantity.value.replace("_", " ")
