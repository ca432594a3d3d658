"""Modbus against pymodbus's own server in process, over TCP and over a pseudo-terminal.

Source of the layouts' truth: pymodbus's own client, which converts the same registers by its
own code.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import time
import tty
from typing import TYPE_CHECKING, Any, Self

import pytest
from adapter_rig import Ear, WallClock
from mosquitto_fixture import free_port
from pymodbus.client import AsyncModbusTcpClient
from pymodbus.client.mixin import ModbusClientMixin
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from holdwatch_adapters.decoding import PayloadError
from holdwatch_adapters.modbus import (
    ConnectionSettings,
    ModbusAdapter,
    ModbusSettings,
    RegisterSettings,
    SerialWay,
    TcpWay,
)
from holdwatch_adapters.ports import AdapterError

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_adapters.decoding import Order


def kpa(address: int) -> RegisterSettings:
    return RegisterSettings(address=address, channel="pressure", unit="kPag", type="f32")


def tenths(address: int, unknown: tuple[int, ...] = ()) -> RegisterSettings:
    return RegisterSettings(
        address=address,
        channel="temperature",
        unit="degC",
        factor=0.1,
        type="s16",
        unknown=unknown,
    )


def probe(
    name: str,
    *points: RegisterSettings,
    device_id: int = 1,
    interval_s: float = 0.05,
    stale_s: float = 0.6,
) -> ModbusSettings:
    connection = ConnectionSettings(host="127.0.0.1", device_id=device_id)
    return ModbusSettings(
        name=name, modbus=connection, point=points, interval_s=interval_s, stale_s=stale_s
    )


GAUGE = probe("BM-bay1-gauge", kpa(0), tenths(10, unknown=(-32768,)))
CLAMP = probe("BM-bay1-clamp", tenths(0), device_id=7)


class Devices:
    """A Modbus server whose registers a test sets."""

    def __init__(self) -> None:
        self.registers = {1: [0] * 20, 7: [0] * 20}
        self.silent: set[int] = set()  # these never answer
        self.free = {device: asyncio.Event() for device in self.registers}  # answers wait for it
        for free in self.free.values():
            free.set()

    def set(self, device: int, address: int, value: float, kind: Any) -> None:
        words = ModbusClientMixin.convert_to_registers(value, kind)
        self.registers[device][address : address + len(words)] = words

    def trace(self, sending: bool, packet: bytes) -> bytes:
        return b"" if sending and packet[6] in self.silent else packet

    def sim(self) -> list[SimDevice]:
        return [
            SimDevice(
                device,
                simdata=[SimData(0, values=0, count=20, datatype=DataType.REGISTERS)],
                action=self._action(device),
            )
            for device in self.registers
        ]

    def _action(self, device: int) -> Any:
        async def act(
            _function: int, _start: int, address: int, count: int, current: list[int], _set: Any
        ) -> None:
            await self.free[device].wait()
            known = self.registers[device]
            for place in range(len(current)):
                if place < len(known):
                    current[place] = known[place]

        return act


FLOAT, SHORT = ModbusClientMixin.DATATYPE.FLOAT32, ModbusClientMixin.DATATYPE.INT16


@pytest.fixture
def devices() -> Devices:
    devices = Devices()
    devices.set(1, 0, 1000.5, FLOAT)
    devices.set(1, 10, 214, SHORT)
    devices.set(7, 0, -55, SHORT)
    return devices


@contextlib.asynccontextmanager
async def tcp_server(devices: Devices, port: int) -> AsyncIterator[ModbusTcpServer]:
    server = ModbusTcpServer(devices.sim(), address=("127.0.0.1", port), trace_packet=devices.trace)
    await server.serve_forever(background=True)
    try:
        yield server
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


@pytest.fixture
async def way(devices: Devices) -> AsyncIterator[TcpWay]:
    port = free_port()
    async with tcp_server(devices, port):
        yield TcpWay("127.0.0.1", port)


def adapter(way: TcpWay | SerialWay, *probes: ModbusSettings) -> ModbusAdapter:
    return ModbusAdapter(way, probes, WallClock(), answer_s=0.3)


async def test_registers_become_readings_in_si(way: TcpWay) -> None:
    async with Ear(adapter(way, GAUGE, CLAMP)) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        await ear.until_more("BM-bay1-gauge/temperature")
        await ear.until_more("BM-bay1-clamp/temperature")
        assert set(ear.values("BM-bay1-gauge/pressure")) == {("pressure_gauge", 1_000_500.0)}
        assert ear.values("BM-bay1-gauge/temperature")[0][1] == pytest.approx(294.55)
        assert ear.values("BM-bay1-clamp/temperature")[0][1] == pytest.approx(267.65)
        assert len(ear.notices("BM-bay1-gauge", "connected")) == 1


@pytest.mark.parametrize("words", ["big", "little"])
@pytest.mark.parametrize(
    ("word", "value"),
    [
        ("u16", 40_000),
        ("s16", -5),
        ("u32", 3_000_000),
        ("s32", -70_000),
        ("u64", 1 << 20),
        ("s64", -7),
        ("f32", 101.325),
        ("f64", -14.695),
    ],
)
async def test_pymodbus_reads_the_same_from_the_same_registers(
    devices: Devices, way: TcpWay, word: str, value: float, words: Order
) -> None:
    name = {"u": "UINT", "s": "INT", "f": "FLOAT"}[word[0]] + word[1:]
    kind = ModbusClientMixin.DATATYPE[name]
    sent = ModbusClientMixin.convert_to_registers(value, kind, word_order=words)
    devices.registers[1][0 : len(sent)] = sent
    async with AsyncModbusTcpClient(way.host, port=way.port) as client:
        answer = await client.read_holding_registers(0, count=len(sent), device_id=1)
    theirs = client.convert_from_registers(answer.registers, kind, word_order=words)
    register = RegisterSettings(address=0, channel="pressure", unit="Pag", type=word, words=words)
    assert register.count == len(sent)
    assert register.read(answer.registers) == theirs


def test_an_answer_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(PayloadError, match="4 bytes, not 2"):
        kpa(0).read([1])


async def test_a_declared_word_for_not_known_is_told_and_not_read(
    devices: Devices, way: TcpWay
) -> None:
    devices.set(1, 10, -32768, SHORT)
    async with Ear(adapter(way, GAUGE)) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        assert ear.values("BM-bay1-gauge/temperature") == []
        (notice,) = ear.notices("BM-bay1-gauge", "malformed")
        assert "value is not known" in notice.detail


async def test_a_value_that_cannot_be_is_told_and_not_read(devices: Devices, way: TcpWay) -> None:
    devices.set(1, 0, float("nan"), FLOAT)
    devices.set(1, 10, -30_000, SHORT)
    async with Ear(adapter(way, GAUGE, CLAMP)) as ear:
        await ear.until_more("BM-bay1-clamp/temperature")
        details = [notice.detail for notice in ear.notices("BM-bay1-gauge", "malformed")]
        assert any("nan" in detail for detail in details)
        assert any("below absolute zero" in detail for detail in details)
        assert ear.values("BM-bay1-gauge/pressure") == []
        assert ear.notices("BM-bay1-gauge", "connected") == []


async def test_a_register_that_is_not_there_is_told_with_what_may_mend_it(way: TcpWay) -> None:
    wrong = probe("BM-bay2-gauge", kpa(500))
    async with Ear(adapter(way, wrong, CLAMP)) as ear:
        await ear.until_more("BM-bay1-clamp/temperature")
        (notice,) = ear.notices("BM-bay2-gauge", "malformed")
        assert "code 2: it has no such register: is the address counted from 0?" in notice.detail


async def test_a_device_that_is_silent_does_not_stop_its_neighbour(
    devices: Devices, way: TcpWay
) -> None:
    async with Ear(adapter(way, GAUGE, CLAMP)) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        devices.silent.add(1)
        await ear.until_told("BM-bay1-gauge", "lost")
        assert ear.notices("BM-bay1-gauge", "lost")[0].detail == "it does not answer"
        await ear.until_more("BM-bay1-clamp/temperature")
        devices.silent.clear()
        await ear.until_told("BM-bay1-gauge", "connected", 2)
        assert ear.notices("BM-bay1-clamp", "lost") == []


async def test_a_server_that_ends_ends_the_stream_with_advice(devices: Devices) -> None:
    port = free_port()
    async with tcp_server(devices, port):
        ear = Ear(adapter(TcpWay("127.0.0.1", port), CLAMP))
        await ear.__aenter__()
        await ear.until_more("BM-bay1-clamp/temperature")
    with pytest.raises(AdapterError, match=r"are address and port right\?|was lost"):
        await asyncio.wait_for(ear.task, 10.0)


async def test_nobody_there_is_one_clear_error() -> None:
    stream = adapter(TcpWay("127.0.0.1", free_port()), CLAMP).stream()
    with pytest.raises(AdapterError, match="cannot be reached"):
        await anext(stream)
    stream = adapter(SerialWay("/dev/no-such-line"), CLAMP).stream()
    with pytest.raises(AdapterError, match=r"cannot be reached.*plugged in"):
        await anext(stream)


class PtyPair:
    """Two pseudo-terminals joined back to back, as a cable joins two serial ports."""

    def __enter__(self) -> Self:
        self._masters = []
        self._slaves = []
        for _ in range(2):
            master, slave = os.openpty()
            tty.setraw(slave)
            os.set_blocking(master, False)
            self._masters.append(master)
            self._slaves.append(slave)
        self.ends = [os.ttyname(slave) for slave in self._slaves]
        loop = asyncio.get_running_loop()
        for here, there in ((0, 1), (1, 0)):
            loop.add_reader(self._masters[here], self._carry, here, there)
        return self

    def _carry(self, here: int, there: int) -> None:
        with contextlib.suppress(OSError):
            os.write(self._masters[there], os.read(self._masters[here], 4096))

    def __exit__(self, *_: object) -> None:
        for descriptor in self._masters:
            asyncio.get_running_loop().remove_reader(descriptor)
        for descriptor in (*self._masters, *self._slaves):
            os.close(descriptor)


async def test_a_serial_line_with_two_devices_is_read_in_turn(devices: Devices) -> None:
    with PtyPair() as cable:
        server = ModbusSerialServer(devices.sim(), port=cable.ends[0], baudrate=115_200)
        await server.serve_forever(background=True)
        try:
            line = SerialWay(cable.ends[1], 115_200)
            async with Ear(adapter(line, GAUGE, CLAMP)) as ear:
                await ear.until_more("BM-bay1-gauge/pressure")
                await ear.until_more("BM-bay1-clamp/temperature")
                assert set(ear.values("BM-bay1-gauge/pressure")) == {
                    ("pressure_gauge", 1_000_500.0)
                }
        finally:
            await server.shutdown()  # type: ignore[no-untyped-call]


async def test_a_late_answer_on_a_serial_line_is_not_taken_for_the_next_ones(
    devices: Devices,
) -> None:
    """An RTU answer carries no number: one that comes late must not answer the next question."""
    first = probe("first", tenths(0), interval_s=0.02, stale_s=5.0)
    second = probe("second", tenths(1), interval_s=0.02, stale_s=5.0)
    devices.set(1, 0, 100, SHORT)
    devices.set(1, 1, 900, SHORT)
    with PtyPair() as cable:
        server = ModbusSerialServer(devices.sim(), port=cable.ends[0], baudrate=115_200)
        await server.serve_forever(background=True)
        try:
            async with Ear(adapter(SerialWay(cable.ends[1], 115_200), first, second)) as ear:
                for _ in range(5):
                    await ear.until_more("first/temperature")
                    await ear.until_more("second/temperature")
                    devices.free[1].clear()
                    await asyncio.sleep(0.45)  # longer than the patience of 0.3 s
                    devices.free[1].set()
                await ear.until_more("first/temperature")
                await ear.until_more("second/temperature")
                for name, celsius in (("first", 10.0), ("second", 90.0)):
                    heard = {round(v - 273.15, 3) for _, v in ear.values(f"{name}/temperature")}
                    assert heard == {celsius}
        finally:
            await server.shutdown()  # type: ignore[no-untyped-call]


async def test_stopping_in_the_middle_of_a_question_is_quick(devices: Devices, way: TcpWay) -> None:
    async with Ear(adapter(way, GAUGE)) as ear:
        await ear.until_more("BM-bay1-gauge/pressure")
        devices.silent.add(1)
        await asyncio.sleep(0.1)
        began = time.monotonic()
    assert time.monotonic() - began < 2.5
    devices.silent.clear()
