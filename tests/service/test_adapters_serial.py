"""Serial lines through real pseudo-terminals."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

import pytest
from adapter_rig import Ear, Terminal, WallClock
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_adapters.decoding import PayloadError
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.serial_line import (
    FieldSettings,
    Lines,
    LineSettings,
    SerialAdapter,
    SerialSettings,
    values_in,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

PATTERN = r"P=(?P<pressure>\S+)(?: T=(?P<temperature>\S+))?"


def probe(port: str, request: str = "", interval_s: float = 0.5) -> SerialSettings:
    return SerialSettings(
        name="BM-bay1-vacuum",
        pressure_reference="absolute",
        serial=LineSettings(port=port, pattern=PATTERN, request=request),
        field=(
            FieldSettings(group="pressure", channel="pressure", unit="micron"),
            FieldSettings(group="temperature", channel="temperature", unit="degC"),
        ),
        interval_s=interval_s,
        stale_s=0.8,
    )


PROBE = probe("/dev/none")


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    terminal = Terminal()
    yield terminal
    terminal.unplug()


def adapter(terminal: Terminal) -> SerialAdapter:
    return SerialAdapter(probe(terminal.port), WallClock())


async def spoken(
    ear: Ear[SerialAdapter], terminal: Terminal, line: bytes, channel: str, count: int = 3
) -> None:
    """Say a line until it is heard."""
    wanted = len(ear.values(channel)) + count
    async with asyncio.timeout(10.0):
        while len(ear.values(channel)) < wanted:
            terminal.send(line)
            await asyncio.sleep(0.02)
            if ear.task.done():
                ear.task.result()


async def test_lines_become_readings(terminal: Terminal) -> None:
    async with Ear(adapter(terminal)) as ear:
        await spoken(ear, terminal, b"P=500 T=21.5\r\n", "BM-bay1-vacuum/temperature")
        quantity, value = ear.values("BM-bay1-vacuum/pressure")[0]
        assert quantity == "pressure_absolute"
        assert value == pytest.approx(66.661, abs=0.001)  # 0.5 Torr
        assert ear.values("BM-bay1-vacuum/temperature")[0] == ("temperature", 294.65)
        assert len(ear.notices("BM-bay1-vacuum", "connected")) == 1


async def test_a_line_of_another_form_is_told_once(terminal: Terminal) -> None:
    async with Ear(adapter(terminal)) as ear:
        await spoken(ear, terminal, b"P=500 \r\n", "BM-bay1-vacuum/pressure")
        before = len(ear.values("BM-bay1-vacuum/pressure"))
        terminal.send(b"OVERRANGE\r\nOVERRANGE\r\nP=--- \r\nP=nan \r\nP=-9e5 \r\n\xff\xfe\r\n")
        await ear.until_told("BM-bay1-vacuum", "malformed")
        await asyncio.sleep(0.2)
        assert len(ear.notices("BM-bay1-vacuum", "malformed")) == 1
        assert "'OVERRANGE' does not match" in ear.notices("BM-bay1-vacuum", "malformed")[0].detail
        heard = ear.values("BM-bay1-vacuum/pressure")
        assert {value for _, value in heard[before:]} <= {heard[0][1]}


async def test_silence_is_told_and_its_end(terminal: Terminal) -> None:
    async with Ear(adapter(terminal)) as ear:
        await spoken(ear, terminal, b"P=500 \n", "BM-bay1-vacuum/pressure")
        await ear.until_told("BM-bay1-vacuum", "lost")
        await spoken(ear, terminal, b"P=510 \n", "BM-bay1-vacuum/pressure")
        assert len(ear.notices("BM-bay1-vacuum", "connected")) == 2


async def test_an_unplugged_line_ends_the_stream_with_advice(terminal: Terminal) -> None:
    async with Ear(adapter(terminal)) as ear:
        await spoken(ear, terminal, b"P=500 \n", "BM-bay1-vacuum/pressure")
        terminal.unplug()
        with pytest.raises(AdapterError, match="is it unplugged"):
            await asyncio.wait_for(ear.task, 5.0)


async def test_no_line_is_one_clear_error() -> None:
    stream = SerialAdapter(PROBE, WallClock()).stream()
    with pytest.raises(AdapterError, match=r"/dev/none cannot be opened.*group dialout"):
        await anext(stream)


async def test_a_device_that_speaks_when_asked_is_asked(terminal: Terminal) -> None:
    asked = probe(terminal.port, "READ?\r", 0.05)
    async with Ear(SerialAdapter(asked, WallClock())) as ear:
        async with asyncio.timeout(10.0):
            while len(ear.values("BM-bay1-vacuum/pressure")) < 3:
                for _ in range(terminal.received().count(b"READ?\r")):
                    terminal.send(b"\nP=500 \n")
                await asyncio.sleep(0.01)
        assert len(ear.notices("BM-bay1-vacuum", "connected")) == 1


def test_the_end_of_a_line_is_not_taken_for_the_line() -> None:
    lines = Lines()
    assert lines.feed(b"01.3\r") == []
    assert lines.feed(b"\n101.3\r\n10") == [b"101.3"]
    assert lines.feed(b"1.4\n") == [b"101.4"]


def test_a_line_without_an_end_is_dropped_whole() -> None:
    lines = Lines()
    lines.feed(b"\n")
    assert lines.feed(b"9" * 600) == []
    assert lines.too_long
    assert lines.feed(b"77\n") == [], "the rest of it is no line either"
    assert lines.feed(b"101.3\n") == [b"101.3"]


@given(st.lists(st.binary(max_size=30), max_size=30))
def test_lines_do_not_depend_on_how_the_bytes_arrive(chunks: list[bytes]) -> None:
    parts, whole = Lines(), Lines()
    apart = [line for chunk in chunks for line in parts.feed(chunk)]
    assert apart == whole.feed(b"".join(chunks))


@given(st.binary(max_size=60))
def test_no_line_crashes_or_yields_what_cannot_be(line: bytes) -> None:
    for data in (line, b"P=" + line, b"P=500 T=" + line):
        try:
            values = values_in(data, PROBE)
        except PayloadError:
            continue
        assert values["pressure"] >= -5_000.0
        assert values.get("temperature", 0.0) >= 0.0
