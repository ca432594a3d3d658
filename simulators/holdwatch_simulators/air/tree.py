"""The objects that BlueZ shows on the bus for one adapter and its devices."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from uuid import UUID

from dbus_fast import Variant

from holdwatch_simulators.wire import (
    BASE_TAIL,
    BATTERY_LEVEL,
    BATTERY_SERVICE,
    BTHOME_SERVICE_DATA,
    PRESENTATION_FORMAT,
)

if TYPE_CHECKING:
    from holdwatch_simulators.wire import CharacteristicDescription, ProbeDescription

ADAPTER_PATH: Final = "/org/bluez/hci0"
ADAPTER: Final = "org.bluez.Adapter1"
DEVICE: Final = "org.bluez.Device1"
BATTERY: Final = "org.bluez.Battery1"
SERVICE: Final = "org.bluez.GattService1"
CHARACTERISTIC: Final = "org.bluez.GattCharacteristic1"
DESCRIPTOR: Final = "org.bluez.GattDescriptor1"

# Types of advertising data: Bluetooth SIG, assigned numbers.
_FLAGS: Final = 0x01
_UUIDS_16: Final = 0x03
_UUIDS_128: Final = 0x07
_SERVICE_DATA_16: Final = 0x16

Properties = dict[str, Variant]
Interfaces = dict[str, Properties]


def adapter_interfaces(*, discovering: bool, powered: bool = True) -> Interfaces:
    """Return what the one adapter shows."""
    return {
        ADAPTER: {
            "Address": Variant("s", "02:00:00:00:00:01"),
            "AddressType": Variant("s", "public"),
            "Name": Variant("s", "simulated air"),
            "Alias": Variant("s", "simulated air"),
            "Class": Variant("u", 0),
            "Powered": Variant("b", powered),
            "Discoverable": Variant("b", False),
            "Pairable": Variant("b", False),
            "Discovering": Variant("b", discovering),
            "UUIDs": Variant("as", []),
            "Roles": Variant("as", ["central", "peripheral"]),
        }
    }


@dataclass(slots=True)
class Characteristic:
    """One characteristic on the bus, with its newest value and who is subscribed."""

    description: CharacteristicDescription
    path: str
    service_path: str
    value: bytes
    subscribers: set[str] = field(default_factory=set)

    def interfaces(self) -> Interfaces:
        """Return what the characteristic shows."""
        flags = ["read", "notify"] if self.description.notify else ["read"]
        shown: Properties = {
            "UUID": Variant("s", self.description.characteristic_uuid),
            "Service": Variant("o", self.service_path),
            "Value": Variant("ay", self.value),
            "Flags": Variant("as", flags),
            "MTU": Variant("q", 247),
        }
        if self.description.notify:
            shown["Notifying"] = Variant("b", bool(self.subscribers))
        return {CHARACTERISTIC: shown}


class Device:
    """One simulated device as BlueZ knows it.

    Args:
        description: What the device is.
        battery_hidden: Whether BlueZ keeps the battery service to itself and shows
            ``Battery1`` instead, as it does with its battery plugin.
    """

    def __init__(self, description: ProbeDescription, *, battery_hidden: bool) -> None:
        self.description = description
        self.path = f"{ADAPTER_PATH}/dev_{description.address.upper().replace(':', '_')}"
        self.answers = asyncio.Event()  # cleared while the device is off or out of range
        self.answers.set()
        self.known = False
        self.connected = False
        self.resolved = False
        self.service_data: bytes | None = None
        self.rssi = description.rssi_dbm
        self.battery: int | None = None
        self.services: dict[str, str] = {}  # path → UUID
        self.characteristics: dict[str, Characteristic] = {}  # by UUID
        self.descriptors: dict[str, tuple[Characteristic, str, bytes]] = {}  # UUID, value by path
        self._lay_out(battery_hidden=battery_hidden)

    def _lay_out(self, *, battery_hidden: bool) -> None:
        """Give every object a path; BlueZ ends each in the four digits of its handle."""
        handle = 0x0010
        paths: dict[str, str] = {}
        for described in self.description.characteristics:
            hidden = battery_hidden and described.service_uuid == BATTERY_SERVICE
            if hidden:
                if described.characteristic_uuid == BATTERY_LEVEL and described.initial:
                    self.battery = described.initial[0]
                continue
            if described.service_uuid not in paths:
                path = f"{self.path}/service{handle:04x}"
                paths[described.service_uuid] = path
                self.services[path] = described.service_uuid
                handle += 1
            service_path = paths[described.service_uuid]
            path = f"{service_path}/char{handle:04x}"
            made = Characteristic(described, path, service_path, described.initial)
            self.characteristics[described.characteristic_uuid] = made
            shown = list(described.descriptors)
            if described.presentation is not None:
                shown.insert(0, (PRESENTATION_FORMAT, described.presentation))
            handle += 3  # declaration, value, client configuration
            for uuid, value in shown:
                self.descriptors[f"{path}/desc{handle:04x}"] = (made, uuid, value)
                handle += 1
            handle += 1

    def by_path(self, path: str) -> Characteristic | None:
        """Return the characteristic at a path, while the device is connected."""
        if not self.resolved:
            return None
        return next((c for c in self.characteristics.values() if c.path == path), None)

    def device_properties(self) -> Properties:
        """Return what ``Device1`` shows."""
        uuids = self.advertised_uuids()
        if self.resolved:
            uuids = self.resolved_uuids()
        shown: Properties = {
            "Address": Variant("s", self.description.address.upper()),
            "AddressType": Variant("s", "random"),
            "Name": Variant("s", self.description.name),
            "Alias": Variant("s", self.description.name),
            "Paired": Variant("b", False),
            "Trusted": Variant("b", False),
            "Blocked": Variant("b", False),
            "LegacyPairing": Variant("b", False),
            "Connected": Variant("b", self.connected),
            "ServicesResolved": Variant("b", self.resolved),
            "Adapter": Variant("o", ADAPTER_PATH),
            "UUIDs": Variant("as", uuids),
            "RSSI": Variant("n", self.rssi),
        }
        if self.service_data is not None:
            shown["ServiceData"] = self.service_data_variant()
        return shown

    def service_data_variant(self) -> Variant:
        """Return the advertised service data as the bus carries it."""
        data = self.service_data or b""
        return Variant("a{sv}", {BTHOME_SERVICE_DATA: Variant("ay", data)})

    def advertisement(self) -> dict[int, bytes]:
        """Return the structures of its advertisement by type, as they are sent."""
        sent: dict[int, bytes] = {}
        if self.description.kind == "gatt":
            sent[_FLAGS] = b"\x06"  # a mere broadcaster here sends no flags
        short, long = b"", b""
        for text in self.advertised_uuids():
            uuid = UUID(text)
            if text.endswith(BASE_TAIL):
                short += (uuid.int >> 96).to_bytes(2, "little")
            else:
                long += uuid.int.to_bytes(16, "little")
        sent |= {kind: uuids for kind, uuids in ((_UUIDS_16, short), (_UUIDS_128, long)) if uuids}
        if self.service_data is not None:
            sent[_SERVICE_DATA_16] = bytes.fromhex("d2fc") + self.service_data
        return sent

    def advertised_uuids(self) -> list[str]:
        """Return the service UUIDs that stand in the advertisement."""
        return list(self.description.advertised_services)

    def resolved_uuids(self) -> list[str]:
        """Return every service UUID, known once connected, hidden ones too."""
        found = {c.service_uuid for c in self.description.characteristics}
        return sorted(found | set(self.description.advertised_services))

    def gatt_objects(self) -> dict[str, Interfaces]:
        """Return services, characteristics and descriptors by path, parents first."""
        shown: dict[str, Interfaces] = {}
        for path, uuid in self.services.items():
            properties = {
                "UUID": Variant("s", uuid),
                "Device": Variant("o", self.path),
                "Primary": Variant("b", True),
                "Includes": Variant("ao", []),
            }
            shown[path] = {SERVICE: properties}
        for characteristic in self.characteristics.values():
            shown[characteristic.path] = characteristic.interfaces()
        for path, (characteristic, uuid, value) in self.descriptors.items():
            properties = {
                "UUID": Variant("s", uuid),
                "Characteristic": Variant("o", characteristic.path),
                "Value": Variant("ay", value),
            }
            shown[path] = {DESCRIPTOR: properties}
        return shown

    def interfaces(self) -> Interfaces:
        """Return what the device's own object shows."""
        shown: Interfaces = {DEVICE: self.device_properties()}
        if self.resolved and self.battery is not None:
            shown[BATTERY] = self.battery_properties()
        return shown

    def battery_properties(self) -> Properties:
        """Return what ``Battery1`` shows."""
        return {
            "Percentage": Variant("y", self.battery or 0),
            "Source": Variant("s", "GATT Battery Service"),
        }

    def forget(self) -> None:
        """Return to what a freshly started BlueZ knows: nothing."""
        self.known = self.connected = self.resolved = False
        for characteristic in self.characteristics.values():
            characteristic.subscribers.clear()
