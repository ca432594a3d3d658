"""What to read of a connected probe, and how: subscribed to or polled, by which reader."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from bleak.exc import BleakError

from holdwatch_adapters.bluetooth import gatt, sensing
from holdwatch_adapters.bluetooth.presentation import describe
from holdwatch_adapters.links import within

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic

    from holdwatch_adapters.layout import Layout
    from holdwatch_adapters.payload import Reader

_LONGEST_INTERVAL_S: Final = 3600.0


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

    def __init__(self, client: BleakClient, layouts: Sequence[Layout], call_s: float) -> None:
        self._client = client
        self._layouts = layouts
        self._call_s = call_s
        self._taken = {layout.scale.channel for layout in layouts}
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
        said = sensing.sampling(sampled[0]) if sampled else None
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
        return sensing.notifies_by_time(triggers, configuration[0] if configuration else b"")

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
