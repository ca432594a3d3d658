"""The canonical line of a trace: exact, stable, readable by any CSV reader."""

from __future__ import annotations

import csv
import io
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_physics.reading import SI_UNIT, Quality, Quantity
from holdwatch_physics.trace_line import (
    TRACE_HEADER,
    TraceValueError,
    format_seconds,
    mark_line,
    parse_seconds,
    trace_line,
)

CHANNELS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1)


def _read(line: bytes) -> list[str]:
    (row,) = csv.reader(io.StringIO(line.decode(), newline=""))
    return row


def test_the_bytes_that_are_hashed_never_change() -> None:
    line = trace_line(
        1_834_000_000_001, "pipe_temperature.2", 296.2, Quantity.TEMPERATURE, Quality.SUSPECT
    )
    assert line == b"1834.000000001,pipe_temperature.2,296.2,K,suspect\n"
    assert TRACE_HEADER == b"time,channel,value,unit,quality\n"
    assert mark_line(12_500_000_000, "valve_closed") == b"12.5,mark,valve_closed,,good\n"


def test_only_names_that_need_it_are_quoted() -> None:
    line = trace_line(0, 'bay "1", low', 1.0, Quantity.PRESSURE_GAUGE, Quality.GOOD)
    assert line == b'0,"bay ""1"", low",1.0,Pag,good\n'
    assert mark_line(0, "note hose, warm") == b'0,mark,"note hose, warm",,good\n'
    plain = trace_line(0, "BM-01/low side", 1.0, Quantity.PRESSURE_GAUGE, Quality.GOOD)
    assert plain == b"0,BM-01/low side,1.0,Pag,good\n"


@given(
    st.integers(-(10**21), 10**21),
    CHANNELS,
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(Quantity),
    st.sampled_from(Quality),
)
def test_a_csv_reader_gets_every_field_back_bit_for_bit(
    t_ns: int, channel: str, value: float, quantity: Quantity, quality: Quality
) -> None:
    time, name, number, unit, word = _read(trace_line(t_ns, channel, value, quantity, quality))
    assert parse_seconds(time) == t_ns
    assert name == channel
    assert repr(float(number)) == repr(value)
    assert (unit, word) == (SI_UNIT[quantity], quality.value)


@given(CHANNELS)
def test_a_mark_s_words_come_back(word: str) -> None:
    assert _read(mark_line(7, word)) == ["0.000000007", "mark", word, "", "good"]


@given(st.integers(-(10**21), 10**21))
def test_seconds_are_exact_and_shortest(t_ns: int) -> None:
    text = format_seconds(t_ns)
    assert parse_seconds(text) == t_ns
    assert "." not in text or not text.endswith(("0", "."))


@pytest.mark.parametrize(
    ("text", "t_ns"),
    [
        ("0", 0),
        ("12.5", 12_500_000_000),
        ("12.", 12_000_000_000),
        ("007.10", 7_100_000_000),
        ("-0.25", -250_000_000),
        ("+3", 3_000_000_000),
        (".5", 500_000_000),
        ("1.5e3", 1_500_000_000_000),
        ("0.1234567894", 123_456_789),  # finer than a nanosecond: rounded
        ("0.1234567896", 123_456_790),
        ("1e-999999999", 0),
        ("1790000000.123456789", 1_790_000_000_123_456_789),  # a float would lose 5 digits
    ],
)
def test_seconds_as_written(text: str, t_ns: int) -> None:
    assert parse_seconds(text) == t_ns


@pytest.mark.parametrize(
    "text", ["", ".", "x", "nan", "inf", "-", "1_000", "1,5", "٣", "1e999999999", "1.²"]
)
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(TraceValueError, match="not a decimal number of seconds"):
        parse_seconds(text)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_trace_carries_no_number_that_is_none(value: float) -> None:
    with pytest.raises(TraceValueError, match="low_side"):
        trace_line(0, "low_side", value, Quantity.PRESSURE_GAUGE, Quality.GOOD)
