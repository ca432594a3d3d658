"""One link to one connectable probe: connect, subscribe or poll, watch the data, let go."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from functools import partial
from typing import TYPE_CHECKING, Final, NoReturn

from bleak import BleakClient

from holdwatch_adapters.bluetooth import gatt
from holdwatch_adapters.bluetooth.plan import Planner, Watched, in_order
from holdwatch_adapters.links import within
from holdwatch_adapters.payload import PayloadError

if TYPE_CHECKING:
    from collections.abc import Callable

    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

    from holdwatch_adapters.bluetooth.bluez_watch import BluezWatch
    from holdwatch_adapters.bluetooth.translate import Translator
    from holdwatch_adapters.links import LinkTiming
    from holdwatch_physics.reading import ProbeNotice, Reading

log = logging.getLogger(__name__)

_STATED_INTERVALS: Final = 3.0
"""A probe that states its own interval is silent only after this many of them."""
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
        self._poll_s = translator.probe.poll_s
        self._last: dict[int, float] = {}  # characteristic's handle on this link → loop time
        self._patience: dict[int, float] = {}  # the same → how long it may be silent, s
        self._polled: list[Watched] = []
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
        planner = Planner(client, self._translator.probe.layouts, self._timing.call)
        plan = await planner.plan()
        for note in plan.notes:
            self._translator.note(note)
        for one in plan.watched:
            handle = one.characteristic.handle
            stated = _STATED_INTERVALS * (one.interval_s or 0.0)
            self._patience[handle] = max(self._silence_s, stated)
            self._last[handle] = asyncio.get_running_loop().time()
            if one.subscribes:
                starting = client.start_notify(one.characteristic, partial(self._on_value, one))
                await within(self._timing.call, starting)
            else:
                self._polled.append(one)
        if not self._last:
            raise LinkLost(
                "the probe offers no pressure or temperature that holdwatch can read: "
                "is it enrolled with the right profile?"
            )

    def _on_value(
        self, one: Watched, characteristic: BleakGATTCharacteristic, payload: bytearray
    ) -> None:
        self._last[characteristic.handle] = asyncio.get_running_loop().time()
        self.had_data = True
        for reader, place in one.readers:
            source = f"{characteristic.uuid} {reader.kind}"
            for item in self._translator.value(reader, bytes(payload), place, source):
                self._put(item)

    async def _poll(self, client: BleakClient) -> None:
        for one in self._polled:
            payload = await within(self._timing.call, client.read_gatt_char(one.characteristic))
            self._on_value(one, one.characteristic, payload)

    async def _stay(self, client: BleakClient) -> NoReturn:
        """Return only by raising: the data stopped, or the link did."""
        loop = asyncio.get_running_loop()
        battery_due = loop.time()
        poll_due = loop.time() if self._polled else float("inf")
        while True:
            now = loop.time()
            if self._lost.is_set():
                raise LinkLost("the probe or the radio ended the link")
            if now >= battery_due:
                await self._read_battery(client)
                battery_due = loop.time() + self._timing.battery
                continue
            if now >= poll_due:
                await self._poll(client)
                poll_due = max(poll_due + self._poll_s, loop.time())
                continue
            if now >= self._silent_at():
                raise LinkLost(f"no data for {self._silence_s:g} s on a link that looked alive")
            deadline = min(self._silent_at(), battery_due, poll_due)
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(deadline - now):
                    await self._lost.wait()

    def _silent_at(self) -> float:
        anything = max(last + self._patience[handle] for handle, last in self._last.items())
        slowest = min(
            last + _ONE_CHANNEL_PATIENCE * self._patience[handle]
            for handle, last in self._last.items()
        )
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
        for characteristic in in_order(client):
            if characteristic.uuid == gatt.BATTERY_LEVEL:
                payload = await client.read_gatt_char(characteristic)
                with contextlib.suppress(PayloadError):
                    decoded = gatt.decode(gatt.BATTERY_LEVEL, bytes(payload))
                    return None if decoded is None else decoded.value_si
                return None
        if self._watch is None:
            return None
        return await self._watch.battery(client.address.upper())
