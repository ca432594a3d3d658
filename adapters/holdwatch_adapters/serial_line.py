"""A serial line that prints its values as text: each line is matched with a declared pattern.

Through pyserial-asyncio-fast, the kept fork of pyserial's own asyncio layer.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
from functools import cached_property
from typing import TYPE_CHECKING, Final, Literal, NoReturn, Self

from pydantic import Field, model_validator

from holdwatch_adapters.decoding import PayloadError, plain_number
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.settings import DeclaredValue, ProbeSettings, Table
from holdwatch_adapters.stream import ItemQueue, Presence, Reporter, streamed

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence

    from holdwatch_adapters.ports import Adapter, Clock, Surroundings
    from holdwatch_physics.reading import ProbeNotice, Reading

log = logging.getLogger(__name__)

_LONGEST_LINE: Final = 512


class LineSettings(Table):
    """A serial line and the pattern of what it prints: ``[probe.serial]``.

    Attributes:
        port: The line, for example ``/dev/ttyUSB0``.
        pattern: Matches a whole line without its end; its named groups are the values.
        baud: Bits a second.
        data_bits: Bits of a character.
        parity: None, even or odd.
        stop_bits: One or two.
        request: Sent every ``interval_s`` to a device that speaks only when asked.
    """

    port: str = Field(min_length=1)
    pattern: str = Field(min_length=1, max_length=500)
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    request: str = Field(default="", max_length=100)

    @cached_property
    def compiled(self) -> re.Pattern[str]:
        """The pattern as it is matched."""
        return re.compile(self.pattern, re.ASCII)

    @model_validator(mode="after")
    def _pattern_compiles(self) -> Self:
        try:
            compiled = self.compiled
        except re.error as error:
            message = f"`pattern` is no regular expression: {error}"
            raise ValueError(message) from error
        if not compiled.groupindex:
            raise ValueError("`pattern` names no value: write (?P<pressure>...) around the number")
        if not self.request.isascii():
            raise ValueError("`request` is ASCII text")
        return self


class FieldSettings(DeclaredValue):
    """One named group of a serial line's pattern: ``[[probe.field]]``."""

    group: str = Field(min_length=1)


class SerialSettings(ProbeSettings):
    """A probe on a serial line of its own."""

    kind: Literal["serial"] = "serial"
    serial: LineSettings | None = None
    field: tuple[FieldSettings, ...] = ()

    @property
    def line(self) -> tuple[str, object] | None:
        """Its port, which it shares with no other probe."""
        return None if self.serial is None else (self.serial.port, self.name)

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        """The values of its fields."""
        return self.field

    def check_kind(self) -> None:
        """Refuse a probe without a line, or fields that are not those of its pattern."""
        if self.serial is None or not self.field:
            raise ValueError("a serial probe needs [probe.serial] and at least one [[probe.field]]")
        named = set(self.serial.compiled.groupindex)
        if named != {one.group for one in self.field}:
            message = (
                f"`pattern` names {', '.join(sorted(named))}: "
                "each has one [[probe.field]] with its `group`, and no other"
            )
            raise ValueError(message)


def open_serial(probes: Sequence[SerialSettings], surroundings: Surroundings) -> list[Adapter]:
    """Return an adapter for each line."""
    return [SerialAdapter(probe, surroundings.clock) for probe in probes]


class Lines:
    """Cuts a stream of bytes into whole lines.

    What comes before the first line end is dropped, since its beginning was not heard: the end
    of ``101.3`` alone would read as another number. So is a line that never ends.
    """

    def __init__(self) -> None:
        self._rest = b""
        self._whole = False  # whether the beginning of the present line was heard
        self.too_long = False

    def feed(self, data: bytes) -> list[bytes]:
        """Return the lines that end in these bytes, without their ends and empty ones."""
        *ended, rest = re.split(rb"[\r\n]", self._rest + data)
        found = []
        for line in ended:
            if self._whole and line and len(line) <= _LONGEST_LINE:
                found.append(line)
            self._whole = True
        self._rest = rest
        if len(rest) > _LONGEST_LINE:
            self._rest, self._whole, self.too_long = b"", False, True
        return found


def values_in(line: bytes, probe: SerialSettings) -> dict[str, float]:
    """Return the values of one line in SI, by group name.

    Raises:
        PayloadError: The line does not match, or a value is no number or cannot exist.
    """
    try:
        text = line.decode("ascii").strip()
    except UnicodeDecodeError:
        raise PayloadError(
            f"the line is no ASCII text ({line[:20].hex()}): is the speed of the line right?"
        ) from None
    assert probe.serial is not None  # noqa: S101 - its own check
    match = probe.serial.compiled.fullmatch(text)
    if match is None:
        raise PayloadError(f"the line {text[:60]!r} does not match the declared pattern")
    return {
        one.group: one.to_si(plain_number(match[one.group]))
        for one in probe.field
        if match[one.group] is not None
    }


class SerialAdapter:
    """One serial line as a stream of readings.

    Args:
        probe: The device and its line.
        clock: Stamps the readings when their line is complete.
    """

    def __init__(self, probe: SerialSettings, clock: Clock) -> None:
        assert probe.serial is not None  # noqa: S101 - its own check
        self._probe = probe
        self._line_settings = probe.serial
        self._reporter = Reporter(probe.name, clock)

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return f"serial {self._line_settings.port}"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as lines arrive.

        Raises:
            AdapterError: The line cannot be opened, or was unplugged.
        """
        async with contextlib.aclosing(streamed(self._run, self.name)) as stream:
            async for item in stream:
                yield item

    async def _run(self, queue: ItemQueue) -> None:
        # Imported here: a shop without serial lines does not pay for it.
        from serial_asyncio_fast import open_serial_connection  # noqa: PLC0415

        probe, line = self._probe, self._line_settings
        try:
            reader, writer = await open_serial_connection(
                url=line.port,
                baudrate=line.baud,
                bytesize=line.data_bits,
                parity=line.parity,
                stopbits=line.stop_bits,
                exclusive=True,
            )
        except (OSError, ValueError) as error:  # pyserial's own error is an OSError
            raise AdapterError(
                f"serial: {line.port} cannot be opened ({error}): is the adapter plugged in, and "
                "may this user open it (group dialout)?"
            ) from error
        presence = Presence(
            self._reporter, "serial", probe.stale_after_s, asyncio.get_running_loop().time()
        )
        failed: AdapterError | None = None  # raised outside `except*`, which would wrap it
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._read(reader, presence, queue))
                group.create_task(_watch(presence, queue))
                if line.request:
                    request = line.request.encode("ascii")
                    group.create_task(_ask(writer, request, probe.interval_s))
        except* OSError as lost:
            failed = self._lost(str(lost.exceptions[0]))
        except* AdapterError as lost:
            failed = AdapterError(str(lost.exceptions[0]))
        finally:
            writer.close()
        if failed is not None:
            raise failed

    async def _read(
        self, reader: asyncio.StreamReader, presence: Presence, queue: ItemQueue
    ) -> NoReturn:
        lines = Lines()
        loop = asyncio.get_running_loop()
        while True:
            data = await reader.read(4096)
            if not data:
                raise self._lost("it was closed")
            for line in lines.feed(data):
                for item in self._line(line, presence, loop.time()):
                    queue.put(item)
            if lines.too_long:
                lines.too_long = False
                detail = f"more than {_LONGEST_LINE} bytes without a line end: is the speed right?"
                for item in self._reporter.complain("malformed", "length", detail):
                    queue.put(item)

    def _line(self, line: bytes, presence: Presence, now_s: float) -> list[Reading | ProbeNotice]:
        try:
            values = values_in(line, self._probe)
        except PayloadError as error:
            return list(self._reporter.complain("malformed", "line", str(error)))
        if not values:
            return []
        self._reporter.is_well("malformed", "line")
        items: list[Reading | ProbeNotice] = list(presence.heard(now_s))
        items += [
            self._reporter.reading(one.channel, one.quantity, values[one.group])
            for one in self._probe.field
            if one.group in values
        ]
        return items

    def _lost(self, why: str) -> AdapterError:
        return AdapterError(
            f"serial: {self._line_settings.port} was lost ({why}): is it unplugged?"
        )


async def _watch(presence: Presence, queue: ItemQueue) -> NoReturn:
    """Tell when the device falls silent."""
    while True:
        await asyncio.sleep(0.25)
        for item in presence.check(asyncio.get_running_loop().time()):
            queue.put(item)


async def _ask(writer: asyncio.StreamWriter, request: bytes, every_s: float) -> NoReturn:
    """Ask a device that speaks only when asked."""
    while True:
        writer.write(request)
        await writer.drain()
        await asyncio.sleep(every_s)
