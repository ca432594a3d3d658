"""Modbus registers, over TCP or a serial line, read in turn as their maker laid them out.

Through pymodbus. One adapter owns one connection, whatever number of devices share it, and asks
one device at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal, Self

from pydantic import Field, model_validator

from holdwatch_adapters.decoding import NUMBER_TYPES, PayloadError
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.settings import DeclaredValue, ProbeSettings, Table, one_of
from holdwatch_adapters.stream import ItemQueue, Presence, Reporter, streamed, within

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence

    from holdwatch_adapters.ports import Adapter, Clock, Surroundings
    from holdwatch_physics.reading import ProbeNotice, Reading

__all__ = [
    "REGISTER_TYPES",
    "ConnectionSettings",
    "ModbusAdapter",
    "ModbusSettings",
    "RegisterSettings",
    "SerialWay",
    "TcpWay",
    "log",
    "open_modbus",
]

log = logging.getLogger(__name__)

REGISTER_TYPES: Final = ("u16", "s16", "u32", "s32", "u64", "s64", "f32", "f64")
"""The types that fill whole registers of 16 bits."""

_MISSES: Final = 2
_LONGEST_PAUSE_S: Final = 10.0

# Modbus Application Protocol V1.1b3, section 7.
_EXCEPTIONS: Final = {
    1: "it does not know the function: holding and input registers may be mixed up",
    2: "it has no such register: is the address counted from 0?",
    3: "it does not take the request: is the register part of a longer value?",
    4: "it has failed inside",
    6: "it is busy",
    10: "the gateway has no way to it",
    11: "it does not answer the gateway",
}


class RegisterSettings(DeclaredValue):
    """One value in one or more registers of a Modbus device: ``[[probe.point]]``.

    Attributes:
        address: Of the first register, counted from 0 as on the line.
        type: One of ``REGISTER_TYPES``.
        function: Which table of the device: ``holding`` (03) or ``input`` (04).
        words: Whether the high word comes first (``big``); within a word it always does.
        unknown: Raw integers by which the maker says "not known" or "out of range".
    """

    address: int = Field(ge=0, le=65535)
    type: Annotated[str, one_of(REGISTER_TYPES)]
    function: Literal["holding", "input"] = "holding"
    words: Literal["big", "little"] = "big"
    unknown: tuple[int, ...] = ()

    @property
    def count(self) -> int:
        """How many registers it fills."""
        return NUMBER_TYPES[self.type].length // 2

    def read(self, registers: Sequence[int]) -> float | None:
        """Return the value in SI, or None where the device says that it is not known.

        Raises:
            PayloadError: The answer has the wrong length, or the value cannot exist.
        """
        ordered = registers if self.words == "big" else list(reversed(registers))
        data = b"".join(int(word).to_bytes(2, "big") for word in ordered)
        raw = NUMBER_TYPES[self.type].read(data, "big")
        return None if raw in self.unknown else self.to_si(raw)


@dataclass(frozen=True, slots=True)
class TcpWay:
    """A device or gateway on the network."""

    host: str
    port: int = 502

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


@dataclass(frozen=True, slots=True)
class SerialWay:
    """A serial line with one or more devices (RTU)."""

    port: str
    baud: int = 9600
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1

    def __str__(self) -> str:
        return self.port


class ConnectionSettings(Table):
    """A Modbus device: on the network (``host``) or on a serial line (``port``)."""

    host: str | None = Field(default=None, min_length=1)
    tcp_port: int = Field(default=502, ge=1, le=65535)
    port: str | None = Field(default=None, min_length=1)
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    device_id: int = Field(default=1, ge=1, le=247)

    @property
    def way(self) -> TcpWay | SerialWay:
        """The connection, which devices with other ids may share."""
        if self.host is not None:
            return TcpWay(self.host, self.tcp_port)
        return SerialWay(self.port or "", self.baud, self.parity, self.stop_bits)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.host is None) == (self.port is None):
            raise ValueError(
                "give `host` for a device on the network, or `port` for one on a serial line, "
                "for example /dev/ttyUSB0"
            )
        return self


class ModbusSettings(ProbeSettings):
    """A probe that is read over Modbus."""

    kind: Literal["modbus"] = "modbus"
    modbus: ConnectionSettings | None = None
    point: tuple[RegisterSettings, ...] = ()

    @property
    def line(self) -> tuple[str, object] | None:
        """The serial port that it is on, with all but its own device id; None on the network."""
        if self.modbus is None or self.modbus.port is None:
            return None
        return self.modbus.port, self.modbus.model_dump(exclude={"device_id"})

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        """The values of its registers."""
        return self.point

    def check_kind(self) -> None:
        """Refuse a device without a connection or without a value."""
        if self.modbus is None or not self.point:
            raise ValueError("a modbus probe needs [probe.modbus] and at least one [[probe.point]]")


def open_modbus(probes: Sequence[ModbusSettings], surroundings: Surroundings) -> list[Adapter]:
    """Return one adapter for each connection, whatever number of devices share it."""
    shared: dict[TcpWay | SerialWay, list[ModbusSettings]] = {}
    for probe in probes:
        assert probe.modbus is not None  # noqa: S101 - its own check
        shared.setdefault(probe.modbus.way, []).append(probe)
    return [ModbusAdapter(way, those, surroundings.clock) for way, those in shared.items()]


class ModbusAdapter:
    """The devices on one connection as one stream of readings.

    A device that does not answer is lost by itself; when none answers for long, or the
    connection ends, the stream does, and the supervisor begins anew.

    Args:
        way: The connection.
        probes: The devices on it.
        clock: Stamps the readings.
        answer_s: Patience for one answer, s.
    """

    def __init__(
        self,
        way: TcpWay | SerialWay,
        probes: Sequence[ModbusSettings],
        clock: Clock,
        *,
        answer_s: float = 1.5,
    ) -> None:
        self._way = way
        self._probes = tuple(probes)
        self._clock = clock
        self._answer_s = answer_s

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return f"modbus {self._way}"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as they are polled.

        Raises:
            AdapterError: No connection, or no device on it answers.
        """
        async with contextlib.aclosing(streamed(self._run, self.name)) as stream:
            async for item in stream:
                yield item

    async def _run(self, queue: ItemQueue) -> None:
        client = self._client()
        try:
            # A serial port that is not there raises nothing: pymodbus answers False.
            connected = await _or_error(self._way, within(self._answer_s * 2, client.connect()))
            if not connected:
                raise AdapterError(f"modbus: {self._way} cannot be reached: {_advice(self._way)}")
            await self._poll(client, queue)
        finally:
            client.close()

    def _client(self) -> Any:
        # Imported here: a shop without Modbus does not pay for it.
        from pymodbus.client import AsyncModbusSerialClient, AsyncModbusTcpClient  # noqa: PLC0415

        # It logs every missed answer; here a lost probe is reported once.
        logging.getLogger("pymodbus.logging").setLevel(logging.CRITICAL)
        # No retries and no reconnecting of its own: both are decided here.
        patience: dict[str, Any] = {"timeout": self._answer_s, "retries": 0, "reconnect_delay": 0}
        if isinstance(self._way, TcpWay):
            client: Any = AsyncModbusTcpClient(self._way.host, port=self._way.port, **patience)
        else:
            way = self._way
            client = AsyncModbusSerialClient(
                way.port, baudrate=way.baud, parity=way.parity, stopbits=way.stop_bits, **patience
            )
        client.set_max_no_responses(1_000_000)
        return client

    async def _poll(self, client: Any, queue: ItemQueue) -> None:
        loop = asyncio.get_running_loop()
        now = loop.time()
        turns = [_Turn(probe, self._clock, now) for probe in self._probes]
        answered = now
        patience_s = max(probe.stale_after_s for probe in self._probes)
        while True:
            turn = min(turns, key=lambda one: one.due_s)
            await asyncio.sleep(max(0.0, turn.due_s - loop.time()))
            turn.due_s = max(turn.due_s + turn.probe.interval_s, loop.time())
            if await self._ask(client, turn, queue):
                answered, turn.missed = loop.time(), 0
            else:
                # Asked less and less often: a dead device must not cost its neighbours their time.
                turn.missed += 1
                pause_s = min(_LONGEST_PAUSE_S, self._answer_s * 2.0 ** min(turn.missed, 10))
                turn.due_s = loop.time() + max(turn.probe.interval_s, pause_s)
            # Each was asked, and asked again.
            all_silent = all(one.missed >= _MISSES for one in turns)
            if all_silent and loop.time() - answered >= patience_s:
                raise AdapterError(
                    f"modbus: no device on {self._way} has answered for {patience_s:g} s: "
                    f"{_advice(self._way)}"
                )
            for other in turns:
                _put_all(queue, other.presence.check(loop.time(), other.why))

    async def _ask(self, client: Any, turn: _Turn, queue: ItemQueue) -> bool:
        """Read one device's registers; return whether it answered at all."""
        from pymodbus.exceptions import ConnectionException, ModbusException  # noqa: PLC0415

        for register in turn.probe.point:
            read = (
                client.read_holding_registers
                if register.function == "holding"
                else client.read_input_registers
            )
            device_id = turn.device_id
            try:
                # Raises at once, before it can be awaited, where the connection is gone.
                asking = read(register.address, count=register.count, device_id=device_id)
                answer = await within(self._answer_s * 3, asking)
            except (ConnectionException, OSError) as error:
                raise AdapterError(f"modbus: {self._way} was lost: {error}") from error
            except (ModbusException, TimeoutError):
                turn.why = "it does not answer"
                if isinstance(self._way, SerialWay):
                    # An answer on a serial line carries no number: a late one must not meet the
                    # next question.
                    await asyncio.sleep(self._answer_s)
                return False
            _put_all(queue, turn.take(register, answer, asyncio.get_running_loop().time()))
        return True


class _Turn:
    """One device's place in the round."""

    def __init__(self, probe: ModbusSettings, clock: Clock, now_s: float) -> None:
        self.probe = probe
        self.device_id = 1 if probe.modbus is None else probe.modbus.device_id
        self.reporter = Reporter(probe.name, clock)
        self.presence = Presence(self.reporter, "modbus", probe.stale_after_s, now_s)
        self.due_s = now_s
        self.missed = 0
        self.why = ""

    def take(
        self, register: RegisterSettings, answer: Any, now_s: float
    ) -> list[Reading | ProbeNotice]:
        """Return what one answer says."""
        source = f"{register.function} register {register.address}"
        if answer.isError():
            code = int(answer.exception_code)
            meaning = _EXCEPTIONS.get(code, "see its manual")
            self.why = f"{source}: the device refuses with code {code}: {meaning}"
            return list(self.reporter.complain("malformed", source, self.why))
        try:
            value_si = register.read(answer.registers)
        except PayloadError as error:
            self.why = str(error)
            return list(self.reporter.complain("malformed", source, f"{source}: {error}"))
        if value_si is None:
            self.why = f"{source}: the device says that its value is not known"
            return list(self.reporter.complain("malformed", source, self.why))
        self.reporter.is_well("malformed", source)
        self.why = ""
        reading = self.reporter.reading(register.channel, register.quantity, value_si)
        return [*self.presence.heard(now_s), reading]


async def _or_error(way: TcpWay | SerialWay, connecting: Any) -> bool:
    try:
        return bool(await connecting)
    except (OSError, TimeoutError) as error:
        raise AdapterError(f"modbus: {way} cannot be reached ({error}): {_advice(way)}") from error


def _advice(way: TcpWay | SerialWay) -> str:
    if isinstance(way, TcpWay):
        return "is the device on, and are address and port right?"
    return "is the adapter plugged in, may this user open it, are speed and parity right?"


def _put_all(queue: ItemQueue, items: Sequence[Reading | ProbeNotice]) -> None:
    for item in items:
        queue.put(item)
