"""A serial line that prints its values as text: each line is matched with a declared pattern.

Through pyserial-asyncio-fast, the kept fork of pyserial's own asyncio layer.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, NoReturn

from holdwatch_adapters.links import Outlet, streamed
from holdwatch_adapters.numbers import plain_number
from holdwatch_adapters.payload import PayloadError
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.telling import Presence, Teller

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Mapping

    from holdwatch_adapters.layout import Scale
    from holdwatch_adapters.ports import Clock
    from holdwatch_physics.reading import ProbeNotice, Reading

log = logging.getLogger(__name__)

_LONGEST_LINE: Final = 512


@dataclass(frozen=True, slots=True)
class SerialProbe:
    """One device on a serial line.

    Attributes:
        name: The name in this shop.
        port: The line, for example ``/dev/ttyUSB0``.
        pattern: Matches a whole line without its end; its named groups are the values.
        scales: Channel, unit and factor by the group's name.
        baud: Bits a second.
        data_bits: Bits of a character.
        parity: None, even or odd.
        stop_bits: One or two.
        request: Sent every ``poll_s`` to a device that speaks only when asked.
        poll_s: Time between two requests.
        silence_s: No value for this long means that the device is lost.
    """

    name: str
    port: str
    pattern: re.Pattern[str]
    scales: Mapping[str, Scale]
    baud: int = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    request: bytes = b""
    poll_s: float = 1.0
    silence_s: float = 15.0


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


def values_in(line: bytes, probe: SerialProbe) -> dict[str, float]:
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
    match = probe.pattern.fullmatch(text)
    if match is None:
        raise PayloadError(f"the line {text[:60]!r} does not match the declared pattern")
    return {
        group: scale.to_si(plain_number(match[group]))
        for group, scale in probe.scales.items()
        if match[group] is not None
    }


class SerialAdapter:
    """One serial line as a stream of readings.

    Args:
        probe: The device and its line.
        clock: Stamps the readings when their line is complete.
    """

    def __init__(self, probe: SerialProbe, clock: Clock) -> None:
        self._probe = probe
        self._teller = Teller(probe.name, clock)

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return f"serial {self._probe.port}"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as lines arrive.

        Raises:
            AdapterError: The line cannot be opened, or was unplugged.
        """
        async with contextlib.aclosing(streamed(self._run, self.name)) as stream:
            async for item in stream:
                yield item

    async def _run(self, outlet: Outlet) -> None:
        # Imported here: a shop without serial lines does not pay for it.
        from serial_asyncio_fast import open_serial_connection  # noqa: PLC0415

        probe = self._probe
        try:
            reader, writer = await open_serial_connection(
                url=probe.port,
                baudrate=probe.baud,
                bytesize=probe.data_bits,
                parity=probe.parity,
                stopbits=probe.stop_bits,
                exclusive=True,
            )
        except (OSError, ValueError) as error:  # pyserial's own error is an OSError
            raise AdapterError(
                f"serial: {probe.port} cannot be opened ({error}): is the adapter plugged in, and "
                "may this user open it (group dialout)?"
            ) from error
        presence = Presence(
            self._teller, "serial", probe.silence_s, asyncio.get_running_loop().time()
        )
        failed: AdapterError | None = None  # raised outside `except*`, which would wrap it
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self._read(reader, presence, outlet))
                group.create_task(_watch(presence, outlet))
                if probe.request:
                    group.create_task(_ask(writer, probe))
        except* OSError as lost:
            failed = self._lost(str(lost.exceptions[0]))
        except* AdapterError as lost:
            failed = AdapterError(str(lost.exceptions[0]))
        finally:
            writer.close()
        if failed is not None:
            raise failed

    async def _read(
        self, reader: asyncio.StreamReader, presence: Presence, outlet: Outlet
    ) -> NoReturn:
        lines = Lines()
        loop = asyncio.get_running_loop()
        while True:
            data = await reader.read(4096)
            if not data:
                raise self._lost("it was closed")
            for line in lines.feed(data):
                for item in self._line(line, presence, loop.time()):
                    outlet.put(item)
            if lines.too_long:
                lines.too_long = False
                detail = f"more than {_LONGEST_LINE} bytes without a line end: is the speed right?"
                for item in self._teller.complain("malformed", "length", detail):
                    outlet.put(item)

    def _line(self, line: bytes, presence: Presence, now_s: float) -> list[Reading | ProbeNotice]:
        try:
            values = values_in(line, self._probe)
        except PayloadError as error:
            return list(self._teller.complain("malformed", "line", str(error)))
        if not values:
            return []
        self._teller.is_well("malformed", "line")
        told: list[Reading | ProbeNotice] = list(presence.heard(now_s))
        for group, value_si in values.items():
            scale = self._probe.scales[group]
            told.append(self._teller.reading(scale.channel, scale.quantity, value_si))
        return told

    def _lost(self, why: str) -> AdapterError:
        return AdapterError(f"serial: {self._probe.port} was lost ({why}): is it unplugged?")


async def _watch(presence: Presence, outlet: Outlet) -> NoReturn:
    """Tell when the device falls silent."""
    while True:
        await asyncio.sleep(0.25)
        for item in presence.looked(asyncio.get_running_loop().time()):
            outlet.put(item)


async def _ask(writer: asyncio.StreamWriter, probe: SerialProbe) -> NoReturn:
    """Ask a device that speaks only when asked."""
    while True:
        writer.write(probe.request)
        await writer.drain()
        await asyncio.sleep(probe.poll_s)
