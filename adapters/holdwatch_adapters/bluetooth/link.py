"""One link to one connectable probe: connect, subscribe or poll, watch the data, let go."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final, NoReturn

from bleak import BleakClient
from bleak.exc import BleakError

from holdwatch_adapters.bluetooth import gatt
from holdwatch_adapters.bluetooth.gatt import describe
from holdwatch_adapters.decoding import PayloadError
from holdwatch_adapters.stream import within

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from bleak.backends.characteristic import BleakGATTCharacteristic
    from bleak.backends.device import BLEDevice

    from holdwatch_adapters.bluetooth.bluez_watch import BluezWatch
    from holdwatch_adapters.bluetooth.probe import Translator
    from holdwatch_adapters.bluetooth.settings import LayoutSettings
    from holdwatch_adapters.decoding import Reader
    from holdwatch_physics.reading import ProbeNotice, Reading


log = logging.getLogger(__name__)

_LONGEST_INTERVAL_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class LinkTiming:
    """Patience with a radio, in seconds of real time, whatever the shop's clock shows.

    Attributes:
        connect: For one attempt to connect.
        call: For any other single call.
        disconnect: For an orderly disconnect; a real stack takes 2 to 3.
        backoff_first: Pause after the first failure; it doubles with each further one.
        backoff_last: The longest pause.
        scanner_silence: No advertisement at all for this long: the scan is started anew.
        battery: Between two readings of a battery that does not report by itself.
        adopt: Between two looks for probes that are linked but lost sight of.
        daemon_return: How long the system's Bluetooth service may stay away.
    """

    connect: float = 20.0
    call: float = 10.0
    disconnect: float = 10.0
    backoff_first: float = 0.5
    backoff_last: float = 30.0
    scanner_silence: float = 90.0
    battery: float = 600.0
    adopt: float = 15.0
    daemon_return: float = 60.0


@dataclass(frozen=True, slots=True)
class Watched:
    """One characteristic that is read.

    Attributes:
        characteristic: As bleak knows it.
        readers: Who reads its bytes, each with its place among the values of its kind.
        subscribes: Whether it is subscribed to; else it is read again and again.
        interval_s: The time between two values that the device states, s, or None.
    """

    characteristic: BleakGATTCharacteristic
    readers: tuple[tuple[Reader, int], ...]
    subscribes: bool
    interval_s: float | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What is read of a probe, and why something of it is not."""

    watched: tuple[Watched, ...]
    notes: tuple[str, ...]


class Planner:
    """Makes the plan for one link, in the order of the device's own handles.

    Args:
        client: The connected client.
        layouts: Declared layouts; they come before every standard.
        call_s: Patience for reading one descriptor, s.
    """

    def __init__(
        self, client: BleakClient, layouts: Sequence[LayoutSettings], call_s: float
    ) -> None:
        self._client = client
        self._layouts = layouts
        self._call_s = call_s
        self._taken = {layout.channel for layout in layouts}
        self._notes: list[str] = []

    async def plan(self) -> Plan:
        """Return what to read, having read the descriptors that say so.

        Raises:
            Exception: Whatever bleak raises when the link is lost meanwhile.
        """
        watched = []
        for characteristic in in_order(self._client):
            if characteristic.uuid == gatt.BATTERY_LEVEL:
                continue
            one = await self._one(characteristic)
            if one is not None:
                watched.append(one)
        found = {(one.characteristic.service_uuid, one.characteristic.uuid) for one in watched}
        self._notes += [
            f"the declared layout of {layout.characteristic} finds no such characteristic"
            for layout in self._layouts
            if (layout.service, layout.characteristic) not in found
        ]
        return Plan(tuple(watched), tuple(self._notes))

    async def _one(self, characteristic: BleakGATTCharacteristic) -> Watched | None:
        offers = set(characteristic.properties)
        speaks = bool({"notify", "indicate"} & offers)
        if not speaks and "read" not in offers:
            return None
        declared = [
            layout
            for layout in self._layouts
            if (layout.service, layout.characteristic)
            == (characteristic.service_uuid, characteristic.uuid)
        ]
        if declared:
            return Watched(characteristic, tuple((one, 1) for one in declared), speaks)
        reader = gatt.READERS.get(characteristic.uuid)
        if reader is None:
            reader = await self._self_described(characteristic)
        if reader is None:
            return None
        sampled = await self._descriptor(characteristic, gatt.SENSING_MEASUREMENT)
        said = gatt.sampling(sampled[0]) if sampled else None
        if said is not None and not said.is_present_value:
            self._notes.append(
                f"{characteristic.uuid} tells the {said.function} over a time, not the present: "
                "it is not read"
            )
            return None
        if speaks and "read" in offers and not await self._notifies_by_time(characteristic):
            speaks = False
        place = self._place(reader.kind)
        interval_s = None if said is None or said.interval_s is None else float(said.interval_s)
        if interval_s is not None:
            interval_s = min(interval_s, _LONGEST_INTERVAL_S)
        return Watched(characteristic, ((reader, place),), speaks, interval_s)

    def _place(self, kind: str) -> int:
        place = 1
        while (kind if place == 1 else f"{kind}.{place}") in self._taken:
            place += 1
        self._taken.add(kind if place == 1 else f"{kind}.{place}")
        return place

    async def _self_described(self, characteristic: BleakGATTCharacteristic) -> Reader | None:
        found = await self._descriptor(characteristic, gatt.PRESENTATION_FORMAT)
        if len(found) != 1:  # none, or the parts of a structure
            return None
        described = describe(found[0])
        if isinstance(described, str):
            self._notes.append(f"{characteristic.uuid} is not read: {described}")
            return None
        return described

    async def _notifies_by_time(self, characteristic: BleakGATTCharacteristic) -> bool:
        triggers = await self._descriptor(characteristic, gatt.SENSING_TRIGGER)
        if not triggers:
            return True
        configuration = await self._descriptor(characteristic, gatt.SENSING_CONFIGURATION)
        return gatt.notifies_by_time(triggers, configuration[0] if configuration else b"")

    async def _descriptor(self, characteristic: BleakGATTCharacteristic, uuid: str) -> list[bytes]:
        """Return the descriptors of one kind; one that the device does not show is passed over."""
        found = []
        for descriptor in characteristic.descriptors:
            if descriptor.uuid != uuid:
                continue
            try:
                reading = self._client.read_gatt_descriptor(descriptor)
                found.append(bytes(await within(self._call_s, reading)))
            except BleakError as error:
                self._notes.append(
                    f"descriptor {uuid[4:8]} of {characteristic.uuid} cannot be read: {error}"
                )
        return found


def in_order(client: BleakClient) -> list[BleakGATTCharacteristic]:
    """Return the characteristics in the device's own order, which bleak does not keep."""
    found = [c for service in client.services for c in service.characteristics]
    return sorted(found, key=lambda c: c.handle)


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
