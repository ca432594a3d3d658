"""One link to one connectable probe: connect, subscribe, watch the data, always let go."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from functools import partial
from typing import TYPE_CHECKING, Final, NoReturn

from bleak import BleakClient

from holdwatch_adapters import gatt
from holdwatch_adapters.links import within
from holdwatch_adapters.payload import PayloadError

if TYPE_CHECKING:
    from collections.abc import Callable

    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

    from holdwatch_adapters.bluez_watch import BluezWatch
    from holdwatch_adapters.links import LinkTiming
    from holdwatch_adapters.translate import Translator
    from holdwatch_physics.reading import ProbeNotice, Reading

log = logging.getLogger(__name__)

_ONE_CHANNEL_PATIENCE: Final = 4.0
"""A single silent characteristic may merely not have changed: it gets this many times the
probe's ``silence_s`` while another of the same probe speaks."""


class LinkLost(Exception):  # noqa: N818 - the ordinary end of a link, not a fault in the program
    """The link is over; the message says why."""


class Link:
    """One link, from connecting to letting go; made anew for every attempt.

    Args:
        translator: Turns payloads into readings.
        put: Takes the readings and notices.
        timing: Patience with the radio.
        connecting: Held while connecting, so that only one attempt runs on the radio.
        watch: Linux's Bluetooth service, asked for a battery that it hides; None elsewhere.
    """

    def __init__(
        self,
        translator: Translator,
        put: Callable[[Reading | ProbeNotice], None],
        timing: LinkTiming,
        connecting: asyncio.Lock,
        watch: BluezWatch | None,
    ) -> None:
        self._translator = translator
        self._put = put
        self._timing = timing
        self._connecting = connecting
        self._watch = watch
        self._silence_s = translator.probe.silence_s
        self._last: dict[int, float] = {}  # characteristic's handle on this link → loop time
        self._lost = asyncio.Event()
        self.had_data = False

    async def hold(self, device: BLEDevice, on_up: Callable[[], None]) -> NoReturn:
        """Hold the link until it is lost.

        Args:
            device: As the scanner saw it.
            on_up: Called once when connected and subscribed.

        Raises:
            LinkLost: The link ended, or the data stopped.
            Exception: Whatever bleak raises when connecting or subscribing fails.
        """
        client = BleakClient(device, disconnected_callback=lambda _: self._lost.set())
        try:
            async with self._connecting:
                await within(self._timing.connect, client.connect())
            await self._subscribe(client)
            on_up()
            await self._stay(client)
        finally:
            # Always: each link that only drops would leak a file descriptor.
            try:
                await within(self._timing.disconnect, client.disconnect())
            except Exception as error:  # noqa: BLE001 - the link is given up whatever happens
                log.debug("%s: letting go: %r", self._translator.probe.name, error)

    async def _subscribe(self, client: BleakClient) -> None:
        places: dict[str, int] = {}
        for characteristic in _in_order(client):
            known = gatt.FORMATS.get(characteristic.uuid)
            if known is None or known.kind == "battery":
                continue
            places[characteristic.uuid] = place = places.get(characteristic.uuid, 0) + 1
            if not {"notify", "indicate"} & set(characteristic.properties):
                continue
            self._last[characteristic.handle] = asyncio.get_running_loop().time()
            starting = client.start_notify(characteristic, partial(self._on_value, place))
            await within(self._timing.call, starting)
        if not self._last:
            raise LinkLost(
                "the probe offers neither pressure (0x2A6D) nor temperature (0x2A6E) to "
                "subscribe to: is it enrolled with the right profile?"
            )

    def _on_value(
        self, place: int, characteristic: BleakGATTCharacteristic, payload: bytearray
    ) -> None:
        self._last[characteristic.handle] = asyncio.get_running_loop().time()
        self.had_data = True
        told = self._translator.characteristic(characteristic.uuid, bytes(payload), place)
        for item in told:
            self._put(item)

    async def _stay(self, client: BleakClient) -> NoReturn:
        """Return only by raising: the data stopped, or the link did."""
        loop = asyncio.get_running_loop()
        battery_due = loop.time()
        while True:
            now = loop.time()
            if now >= battery_due:
                await self._read_battery(client)
                battery_due = loop.time() + self._timing.battery
                continue
            deadline = min(self._silent_at(), battery_due)
            if self._lost.is_set():
                raise LinkLost("the probe or the radio ended the link")
            if now >= self._silent_at():
                raise LinkLost(f"no data for {self._silence_s:g} s on a link that looked alive")
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(deadline - now):
                    await self._lost.wait()

    def _silent_at(self) -> float:
        anything = max(self._last.values()) + self._silence_s
        slowest = min(self._last.values()) + _ONE_CHANNEL_PATIENCE * self._silence_s
        return min(anything, slowest)

    async def _read_battery(self, client: BleakClient) -> None:
        """Tell the charge where the probe has one to tell; a failing read harms nothing."""
        percent: float | None = None
        with contextlib.suppress(Exception):
            percent = await within(self._timing.call, self._battery_percent(client))
        if percent is not None:
            for item in self._translator.battery(percent):
                self._put(item)

    async def _battery_percent(self, client: BleakClient) -> float | None:
        for characteristic in _in_order(client):
            if characteristic.uuid == gatt.BATTERY_LEVEL:
                payload = await client.read_gatt_char(characteristic)
                with contextlib.suppress(PayloadError):
                    decoded = gatt.decode(gatt.BATTERY_LEVEL, bytes(payload))
                    return None if decoded is None else decoded.value_si
                return None
        if self._watch is None:
            return None
        return await self._watch.battery(client.address.upper())


def _in_order(client: BleakClient) -> list[BleakGATTCharacteristic]:
    """Return the characteristics in the device's own order, which bleak does not keep."""
    found = [c for service in client.services for c in service.characteristics]
    return sorted(found, key=lambda c: c.handle)
