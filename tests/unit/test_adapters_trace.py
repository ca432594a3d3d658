"""Traces: every form that the contract allows, and every error with its line."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwatch_adapters.replay import TraceAdapter
from holdwatch_adapters.trace import TraceError, TraceRow, read_trace
from holdwatch_physics.reading import Quality, Quantity, Reading
from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_line

if TYPE_CHECKING:
    from pathlib import Path

HEADER = "time,channel,value,unit"
QUALITY_HEADER = HEADER + ",quality"
NS = 1_000_000_000


def rows(*lines: str, header: str = HEADER) -> list[TraceRow]:
    return list(read_trace([header, *lines]))


def test_a_plain_trace_comes_out_in_si() -> None:
    found = rows(
        "0,low_side,1500,kPag",
        "0.5,pipe_temperature.2,21.37,degC",
        "1,vacuum,500,micron",
        "1.000000001,barometer,29.92,inHga",
    )
    # 500 micron = 0.5 Torr; 1 Torr = 101325/760 Pa: NIST SP 811 B.8. inHg from the same.
    assert [row.value for row in found] == pytest.approx([1.5e6, 294.52, 66.661184, 101_320.75])
    assert [row.t_ns for row in found] == [0, NS // 2, NS, NS + 1]
    assert [row.quantity for row in found] == [
        Quantity.PRESSURE_GAUGE,
        Quantity.TEMPERATURE,
        Quantity.PRESSURE_ABSOLUTE,
        Quantity.PRESSURE_ABSOLUTE,
    ]
    assert all(row.quality is Quality.GOOD and row.word == "" for row in found)


def test_the_quality_column_is_optional_and_may_be_empty() -> None:
    found = rows(
        "0,vacuum,1,Pa,saturated", "1,vacuum,1,Pa,", "2,vacuum,1,Pa,good", header=QUALITY_HEADER
    )
    assert [row.quality for row in found] == [Quality.SATURATED, Quality.GOOD, Quality.GOOD]


def test_marks_are_words() -> None:
    found = rows("0,vacuum,1,Pa", "3,mark,isolated,", '4,mark,"note hose moved, twice",')
    assert [row.word for row in found] == ["", "isolated", "note hose moved, twice"]
    assert found[1].quantity is None
    assert math.isnan(found[1].value)


def test_time_of_day_counts_from_the_first_reading() -> None:
    found = rows(
        "2026-03-01T23:59:59Z,mark,valve_closed,",
        "2026-03-01T23:59:59.25Z,low_side,15,barg",
        "2026-03-02T00:00:00.000000001+00:00,low_side,15,barg",
        "2026-03-01T23:59:59.5Z,low_side,14,barg",
    )
    assert [row.t_ns for row in found] == [-NS // 4, 0, 3 * NS // 4 + 1, NS // 4]


def test_file_order_is_kept() -> None:
    assert [row.t_ns for row in rows("2,vacuum,1,Pa", "1,vacuum,1,Pa")] == [2 * NS, NS]


@pytest.mark.parametrize(
    ("lines", "number", "words"),
    [
        (["0,low_side,1500,kPa"], 2, "write kPag or kPaa"),
        (["0,low_side,1500,"], 2, "unknown unit ''"),
        (["0,low_side,15oo,kPag"], 2, "'15oo' is not a number"),
        (["0,low_side,,kPag"], 2, "'' is not a number"),
        (["0,low_side,1_500,kPag"], 2, "'1_500' is not a number"),
        (["0,vacuum,1,Pa", "1,vacuum,1_500,Pa"], 3, "'1_500' is not a number"),
        (["0,vacuum,1,Pa", "1,vacuum,nan,Pa"], 3, "'nan' is not a finite number"),
        (["0,vacuum,1,Pa", "1,vacuum,inf,Pa"], 3, "'inf' is not a finite number"),
        (["0,vacuum,1,Pa", "1,vacuum,-1,Pa"], 3, "an absolute pressure of -1 Pa is below zero"),
        (["0,pipe_temperature,-274,degC"], 2, "below absolute zero"),
        (["0,pipe_temperature,-0.1,K"], 2, "below absolute zero"),
        (["x,vacuum,1,Pa"], 2, "time 'x' is not a decimal number"),
        (["nan,vacuum,1,Pa"], 2, "time 'nan' is not a decimal number"),
        (["0,vacuum,1,Pa", "2026-03-01T00:00:00Z,vacuum,1,Pa"], 3, "not both"),
        (["2026-03-01T00:00:00Z,vacuum,1,Pa", "1,vacuum,1,Pa"], 3, "not both"),
        (["2026-03-01T00:00:00,vacuum,1,Pa"], 2, "is not RFC 3339"),
        (["2026-03-01T00:00:00+01:00,vacuum,1,Pa"], 2, "not in UTC"),
        (["2026-02-30T00:00:00Z,vacuum,1,Pa"], 2, "on no calendar"),
        (["0,vacuum,1"], 2, "has 3 fields where the header has 4"),
        (["0,vacuum,1,Pa,good"], 2, "has 5 fields where the header has 4"),
        (["0,mark,note one, two,"], 2, "needs quotation marks"),
        (["0,mark,isolated,Pa"], 2, "a mark has no unit"),
        (["0,mark,,"], 2, "a mark has no word"),
        (["0,,1,Pa"], 2, "the channel has no name"),
        (["0,vacuum,20,degC"], 2, "'vacuum' needs a pressure, not temperature"),
        (["0,pipe_temperature,1,Pa"], 2, "needs a temperature, not pressure absolute"),
        (["0,mine,1,kPaa", "1,mine,1,kPag"], 3, "measured pressure absolute before"),
        (["0,vacuum,1,Pa", "", "1,vacuum,1,Pa"], 3, "is empty"),
        (["0,vacuum,1,Pa\r"], 2, "ends in CR LF"),
        (['0,mark,"note', "no end,"], 2, "never closes"),
        (['0,"vacuum"x,1,Pa'], 2, "misplaced quotation marks"),
    ],
)
def test_an_unreadable_line_is_one_sentence_with_its_number(
    lines: list[str], number: int, words: str
) -> None:
    with pytest.raises(TraceError) as refused:
        rows(*lines)
    assert refused.value.line == number
    assert f"line {number}: " in str(refused.value)
    assert words in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("quality", ["fine", "GOOD"])
def test_an_unknown_quality_is_an_error(quality: str) -> None:
    with pytest.raises(TraceError, match="is none of good, suspect, saturated, stale"):
        rows("0,vacuum,1,Pa,good", f"1,vacuum,1,Pa,{quality}", header=QUALITY_HEADER)


@pytest.mark.parametrize("header", ["", "time,channel,value", "Time,channel,value,unit", "0,a,1,K"])
def test_a_wrong_header_is_an_error_in_line_1(header: str) -> None:
    with pytest.raises(TraceError, match=r"line 1: the header is"):
        rows("0,vacuum,1,Pa", header=header)


def test_a_file_names_itself_and_its_undecodable_line(tmp_path: Path) -> None:
    path = tmp_path / "night.csv"
    path.write_bytes(f"{HEADER}\n0,vacuum,1,Pa\n1,vacuum\xb5,1,Pa\n".encode("latin-1"))
    with pytest.raises(TraceError, match=r"^night\.csv, line 3: is not UTF-8"):
        list(read_trace(path))


def test_line_numbers_count_the_lines_inside_quotation_marks() -> None:
    with pytest.raises(TraceError, match="line 4: value"):
        rows('0,mark,"note two', 'lines",', "1,vacuum,x,Pa")


def test_empty_lines_at_the_end_and_a_byte_order_mark_harm_nothing() -> None:
    assert len(rows("0,vacuum,1,Pa", "", "", header="\ufeff" + HEADER)) == 1
    assert rows() == []


READING = st.tuples(
    st.integers(-(10**15), 10**18),
    st.sampled_from(["low_side", "a, b", 'say "x"', "two\nlines", "é"]),
    st.floats(0.0, 5e7),  # up to the highest pressure that can be
    st.sampled_from(Quality),
)


@settings(deadline=None)
@given(st.lists(READING, max_size=8), st.text("isolated, \"\n'x", min_size=1).map(str.strip))
def test_what_export_writes_is_read_back_bit_for_bit(
    readings: list[tuple[int, str, float, Quality]], word: str
) -> None:
    gauge = Quantity.PRESSURE_GAUGE
    written = [trace_line(t, name, value, gauge, how) for t, name, value, how in readings]
    lines = [TRACE_HEADER, *written]
    if word:
        lines.append(mark_line(5, f"note {word}x"))
    text = b"".join(lines).decode().splitlines(keepends=True)
    found = list(read_trace(text))
    if word:
        assert found.pop().word == f"note {word}x"
    assert [(row.t_ns, row.channel, row.value, row.quality) for row in found] == readings


def test_random_bytes_never_crash_the_reader() -> None:
    source = random.Random(7)
    alphabet = '0123456789.,:"TZ+-eKPag \r\n' + "vacuum\u0663"
    for _ in range(2_000):
        text = "".join(source.choices(alphabet, k=source.randrange(60)))
        lines = [HEADER, "0,vacuum,1,Pa", *text.split("\n")]
        try:
            found = list(read_trace(lines))
        except TraceError:
            continue
        assert all(row.quantity is None or math.isfinite(row.value) for row in found)


class StepClock:
    """A clock that stands still but for its own sleeps."""

    def __init__(self) -> None:
        self.now = 5 * NS

    def utc_ns(self) -> int:
        return self.now + 1_700_000_000 * NS

    def mono_ns(self) -> int:
        return self.now

    async def sleep(self, seconds: float) -> None:
        self.now += round(seconds * NS)


async def test_a_replay_keeps_the_recorded_times_and_quality() -> None:
    clock = StepClock()
    marks: list[tuple[int, str]] = []
    lines = [
        QUALITY_HEADER,
        "0,low_side,1,barg,good",
        "1.5,mark,valve_closed,,",
        "2,low_side,1.1,barg,suspect",
        "1.75,low_side,1.05,barg,good",
    ]
    adapter = TraceAdapter(lines, clock, lambda mono_ns, word: marks.append((mono_ns, word)))
    heard = [item async for item in adapter.stream()]
    assert all(isinstance(item, Reading) for item in heard)
    readings = [item for item in heard if isinstance(item, Reading)]
    assert [reading.mono_ns - 5 * NS for reading in readings] == [0, 2 * NS, 7 * NS // 4]
    assert [reading.quality.value for reading in readings] == ["good", "suspect", "good"]
    assert {reading.utc_ns - reading.mono_ns for reading in readings} == {1_700_000_000 * NS}
    assert marks == [(5 * NS + 3 * NS // 2, "valve_closed")]
    assert clock.now == 7 * NS
