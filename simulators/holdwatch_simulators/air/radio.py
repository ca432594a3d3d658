"""The simulated radio: which devices are in range, who is linked, what goes over the air."""

from __future__ import annotations

import abc
import asyncio
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dbus_fast import Variant

from holdwatch_simulators.air import tree
from holdwatch_simulators.wire import BATTERY_LEVEL

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_simulators.wire import ProbeDescription, WireUpdate

_OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"


@dataclass(frozen=True, slots=True)
class Delays:
    """How long the simulated radio takes, seconds.

    The defaults keep tests short; ``Delays.real()`` is what a real stack was measured to take.
    """

    connect: float = 0.02
    local_disconnect: float = 0.02
    advertise: float = 0.05

    @classmethod
    def real(cls) -> Delays:
        """Return the measured ones: a local disconnect takes 2.1 to 2.9 s."""
        return cls(connect=0.4, local_disconnect=2.5, advertise=0.25)


class Radio(abc.ABC):
    """The devices in range and their links, told as the signals that BlueZ would emit.

    Args:
        probes: The devices in range.
        delays: How long the radio takes.
        battery_hidden: Show ``Battery1`` in place of the battery service.
    """

    def __init__(
        self, probes: Iterable[ProbeDescription], delays: Delays, *, battery_hidden: bool
    ) -> None:
        self._delays = delays
        self._devices = {
            probe.name: tree.Device(probe, battery_hidden=battery_hidden) for probe in probes
        }
        self._scanners: dict[str, frozenset[str]] = {}  # sender → UUIDs it filters for
        self._filters: dict[str, frozenset[str]] = {}
        self._connecting: dict[str, asyncio.Task[None]] = {}  # by device path
        self._muted: set[tuple[str, str | None]] = set()
        self._patterns: dict[str, list[tuple[int, int, bytes]]] = {}  # monitor → what it hears
        self._repeats: dict[str, int] = {}
        self._held_back: dict[str, bytes | None] = {}  # of a probe whose packets are mixed up
        self._plugged_in = True

    # What the probes do

    def update(self, update: WireUpdate) -> None:
        """Put one value on the air: a notification, or an advertisement.

        Raises:
            KeyError: No such probe, or it has no such characteristic.
        """
        device = self._device(update.probe)
        if update.characteristic_uuid is None:
            if not self._is_muted(device, None):
                self._broadcast(device, update.payload)
            return
        if update.characteristic_uuid == BATTERY_LEVEL and device.battery is not None:
            device.battery = update.payload[0]
            if device.resolved:
                self._changed(device.path, tree.BATTERY, device.battery_properties())
            return
        characteristic = device.characteristics[update.characteristic_uuid]
        characteristic.value = update.payload
        muted = self._is_muted(device, update.characteristic_uuid)
        if characteristic.subscribers and device.answers.is_set() and not muted:
            self._value_changed(characteristic)

    def subscribed(self, probe: str) -> bool:
        """Return whether anyone is subscribed to any characteristic of a probe."""
        return any(c.subscribers for c in self._device(probe).characteristics.values())

    # Faults

    def mute(self, probe: str, characteristic_uuid: str | None = None) -> None:
        """Drop a probe's notifications (or advertised values) until ``unmute``.

        Args:
            probe: The probe's name.
            characteristic_uuid: Only this characteristic's; None for all that it sends.
        """
        self._muted.add((self._device(probe).description.name, characteristic_uuid))

    def unmute(self, probe: str) -> None:
        """Let a muted probe speak again."""
        self._muted = {entry for entry in self._muted if entry[0] != probe}

    def disconnect(self, probe: str) -> None:
        """Let the probe end its connection, as when its supervision times out."""
        self._drop(self._device(probe))

    def repeat(self, probe: str, times: int) -> None:
        """Let each advertised value of a probe be heard this many times; 1 ends it."""
        self._repeats[self._device(probe).description.name] = times

    def reorder(self, probe: str, *, mixed_up: bool = True) -> None:
        """Let every second advertised value of a probe be heard after the one that follows it."""
        name = self._device(probe).description.name
        if mixed_up:
            self._held_back[name] = None
        else:
            self._held_back.pop(name, None)

    def impersonate(self, probe: str, payload: bytes) -> None:
        """Let another device advertise once under a probe's address."""
        device = self._device(probe)
        own = device.service_data
        device.service_data = payload
        self._advertise(device)
        device.service_data = own

    def switch_off(self, probe: str) -> None:
        """Take a probe off the air: it drops its link, falls silent, answers nobody."""
        device = self._device(probe)
        device.answers.clear()
        self._drop(device)

    def switch_on(self, probe: str) -> None:
        """Put a probe back on the air."""
        self._device(probe).answers.set()

    # Signals

    @abc.abstractmethod
    def _emit(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> None:
        """Send one signal to whoever listens."""

    def _changed(
        self,
        path: str,
        interface: str,
        properties: tree.Properties,
        invalidated: tuple[str, ...] = (),
    ) -> None:
        body = [interface, properties, list(invalidated)]
        self._emit(path, _PROPERTIES, "PropertiesChanged", "sa{sv}as", body)

    def _added(self, path: str, interfaces: tree.Interfaces) -> None:
        self._emit("/", _OBJECT_MANAGER, "InterfacesAdded", "oa{sa{sv}}", [path, interfaces])

    def _removed(self, path: str, interfaces: Iterable[str]) -> None:
        self._emit("/", _OBJECT_MANAGER, "InterfacesRemoved", "oas", [path, list(interfaces)])

    def _value_changed(self, characteristic: tree.Characteristic) -> None:
        value = {"Value": Variant("ay", characteristic.value)}
        self._changed(characteristic.path, tree.CHARACTERISTIC, value)

    # Advertising

    async def _advertise_for_ever(self) -> None:
        while True:
            await asyncio.sleep(self._delays.advertise)
            for device in self._devices.values():
                if device.description.kind == "gatt" and not device.connected:
                    self._advertise(device)

    def _broadcast(self, device: tree.Device, payload: bytes) -> None:
        name = device.description.name
        payloads = [payload]
        if name in self._held_back:
            earlier = self._held_back[name]
            self._held_back[name] = payload if earlier is None else None
            payloads = [] if earlier is None else [payload, earlier]
        for heard in payloads:
            for _ in range(self._repeats.get(name, 1)):
                device.service_data = heard
                self._advertise(device)

    def _advertise(self, device: tree.Device) -> None:
        if not device.answers.is_set() or not self._heard(device):
            return
        # No two advertisements arrive equally strong, so the change is always worth a signal.
        base = device.description.rssi_dbm
        device.rssi = base - 1 if device.rssi == base else base
        if not device.known:
            device.known = True
            self._added(device.path, device.interfaces())
            return
        changed: tree.Properties = {"RSSI": Variant("n", device.rssi)}
        if device.service_data is not None:
            changed["ServiceData"] = device.service_data_variant()
        self._changed(device.path, tree.DEVICE, changed)

    def _heard(self, device: tree.Device) -> bool:
        if not self._plugged_in:
            return False
        uuids = set(device.advertised_uuids())
        if any(not wanted or wanted & uuids for wanted in self._scanners.values()):
            return True
        sent = device.advertisement()
        return any(
            sent.get(kind, b"")[start : start + len(content)] == content
            for patterns in self._patterns.values()
            for start, kind, content in patterns
        )

    # Links

    def _drop(self, device: tree.Device) -> None:
        if task := self._connecting.pop(device.path, None):
            task.cancel()
        if not device.connected:
            return
        was_resolved = device.resolved
        device.connected = device.resolved = False
        for characteristic in device.characteristics.values():
            characteristic.subscribers.clear()
        if was_resolved:
            self._changed(device.path, tree.DEVICE, {"ServicesResolved": Variant("b", False)})
            for path, interfaces in reversed(device.gatt_objects().items()):
                self._removed(path, interfaces)
            if device.battery is not None:
                self._removed(device.path, [tree.BATTERY])
        self._changed(device.path, tree.DEVICE, {"Connected": Variant("b", False)})

    async def _bring_up(self, device: tree.Device) -> None:
        await device.answers.wait()  # switched off, nobody does: the caller's patience ends this
        await asyncio.sleep(self._delays.connect)
        device.connected = True
        self._changed(device.path, tree.DEVICE, {"Connected": Variant("b", True)})
        for path, interfaces in device.gatt_objects().items():
            self._added(path, interfaces)
        device.resolved = True
        uuids = Variant("as", device.resolved_uuids())
        resolved = {"UUIDs": uuids, "ServicesResolved": Variant("b", True)}
        self._changed(device.path, tree.DEVICE, resolved)
        if device.battery is not None:
            self._added(device.path, {tree.BATTERY: device.battery_properties()})

    # What the bus asks

    def _client_left(self, sender: str) -> None:
        """Forget what a client that left the bus had asked for; its links stay up."""
        self._scanners.pop(sender, None)
        self._filters.pop(sender, None)
        for monitor in [one for one in self._patterns if one.startswith(f"{sender} ")]:
            del self._patterns[monitor]
        for device in self._devices.values():
            for characteristic in device.characteristics.values():
                characteristic.subscribers.discard(sender)

    def _objects(self) -> dict[str, tree.Interfaces]:
        if not self._plugged_in:
            return {}
        objects = {tree.ADAPTER_PATH: tree.adapter_interfaces(discovering=bool(self._scanners))}
        for device in self._devices.values():
            if device.known:
                objects[device.path] = device.interfaces()
            if device.resolved:
                objects.update(device.gatt_objects())
        return objects

    def _is_muted(self, device: tree.Device, characteristic_uuid: str | None) -> bool:
        name = device.description.name
        return (name, None) in self._muted or (name, characteristic_uuid) in self._muted

    def _device(self, probe: str) -> tree.Device:
        return self._devices[probe]
