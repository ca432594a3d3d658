"""A fake ``org.bluez``: simulated probes, served so that an unmodified client cannot tell.

Order of signals as measured on bluetoothd 5.66: on connecting, ``Connected``, then one
InterfacesAdded per service, characteristic and descriptor, then UUIDs and ServicesResolved in
one change, then ``Battery1``. Data keeps coming while a local disconnect is under way.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any, Self

from dbus_fast import Message, MessageType, RequestNameReply, Variant
from dbus_fast.aio import MessageBus

from holdwatch_simulators.air import tree
from holdwatch_simulators.air.radio import Delays, Radio

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable
    from types import TracebackType

    from holdwatch_simulators.wire import ProbeDescription

_OBJECT_MANAGER = "org.freedesktop.DBus.ObjectManager"
_PROPERTIES = "org.freedesktop.DBus.Properties"
_MONITORS = "org.bluez.AdvertisementMonitorManager1"
_MONITOR = "org.bluez.AdvertisementMonitor1"
_FAILED = "org.bluez.Error.Failed"


class _Refused(Exception):  # noqa: N818 - an answer on the bus, not a fault of ours
    """A method call is answered with this D-Bus error."""

    def __init__(self, name: str, text: str) -> None:
        super().__init__(text)
        self.name = name
        self.text = text


class FakeBluez(Radio):
    """Simulated probes on a bus, under the name ``org.bluez``.

    ``async with FakeBluez(bus.address, probes) as air:`` serves them; ``air.update(…)`` puts
    one new value on the air. A probe of kind ``gatt`` advertises until it is connected; one of
    kind ``bthome`` advertises at each update while somebody scans.

    Faults: ``mute``, ``disconnect``, ``switch_off``, ``repeat``, ``reorder``, ``impersonate``,
    ``vanish``, ``unplug``, ``slow``, ``refuse``.

    Args:
        bus_address: D-Bus address to serve on, for example ``PrivateBus().address``.
        probes: The devices in range.
        delays: How long the radio takes.
        battery_hidden: Show ``Battery1`` in place of the battery service, as BlueZ does with
            its battery plugin.
        experimental: Whether it can scan passively, as BlueZ does with ``--experimental``.
    """

    def __init__(
        self,
        bus_address: str,
        probes: Iterable[ProbeDescription],
        *,
        delays: Delays | None = None,
        battery_hidden: bool = True,
        experimental: bool = True,
    ) -> None:
        self._address = bus_address
        super().__init__(probes, delays or Delays(), battery_hidden=battery_hidden)
        self._bus: MessageBus | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._advertiser: asyncio.Task[None] | None = None
        self._slow: dict[str, float] = {}
        self._refusals: dict[str, tuple[int, str, str]] = {}
        self.calls: dict[str, int] = {}
        """How often each method was called."""
        self._methods: dict[tuple[str, str], Callable[[Message], Awaitable[Message]]] = {
            (_OBJECT_MANAGER, "GetManagedObjects"): self._managed_objects,
            (_PROPERTIES, "Get"): self._get,
            (_PROPERTIES, "GetAll"): self._get_all,
            (tree.ADAPTER, "SetDiscoveryFilter"): self._set_filter,
            (tree.ADAPTER, "StartDiscovery"): self._start_discovery,
            (tree.ADAPTER, "StopDiscovery"): self._stop_discovery,
            (tree.ADAPTER, "RemoveDevice"): self._remove_device,
            (tree.DEVICE, "Connect"): self._connect,
            (tree.DEVICE, "Disconnect"): self._disconnect,
            (tree.CHARACTERISTIC, "ReadValue"): self._read_characteristic,
            (tree.CHARACTERISTIC, "StartNotify"): self._start_notify,
            (tree.CHARACTERISTIC, "StopNotify"): self._stop_notify,
            (tree.DESCRIPTOR, "ReadValue"): self._read_descriptor,
        }
        if experimental:
            self._methods |= {
                (_MONITORS, "RegisterMonitor"): self._register_monitor,
                (_MONITORS, "UnregisterMonitor"): self._unregister_monitor,
            }

    async def __aenter__(self) -> Self:
        """Take the name on the bus and begin to advertise."""
        await self.come_back()
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Leave the bus."""
        await self.vanish()

    # Faults

    async def vanish(self) -> None:
        """Leave the bus without a word, as a killed Bluetooth daemon does."""
        if self._advertiser is not None:
            self._advertiser.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._advertiser
            self._advertiser = None
        for task in [*self._tasks, *self._connecting.values()]:
            task.cancel()
        await asyncio.gather(*self._tasks, *self._connecting.values(), return_exceptions=True)
        if self._bus is not None:
            self._bus.disconnect()
            with contextlib.suppress(Exception):
                await self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            self._bus = None
        for device in self._devices.values():
            device.forget()
        self._scanners.clear()
        self._filters.clear()
        self._patterns.clear()

    async def unplug(self) -> None:
        """Take the radio away, as when its USB stick is pulled; the daemon lives on."""
        for device in self._devices.values():
            self._drop(device)
            if device.known:
                self._removed(device.path, [tree.DEVICE])
            device.forget()
        self._scanners.clear()
        self._patterns.clear()
        self._plugged_in = False
        self._removed(tree.ADAPTER_PATH, [tree.ADAPTER])

    async def plug_in(self) -> None:
        """Give the radio back."""
        self._plugged_in = True
        self._added(tree.ADAPTER_PATH, tree.adapter_interfaces(discovering=False))

    async def come_back(self) -> None:
        """Take the name on the bus again, knowing nothing of before.

        Raises:
            RuntimeError: Another process holds the name.
        """
        self._bus = await MessageBus(bus_address=self._address, negotiate_unix_fd=True).connect()
        self._bus.add_message_handler(self._handle)
        rule = "type='signal',sender='org.freedesktop.DBus',member='NameOwnerChanged'"
        await self._bus.call(
            Message(
                destination="org.freedesktop.DBus",
                path="/org/freedesktop/DBus",
                interface="org.freedesktop.DBus",
                member="AddMatch",
                signature="s",
                body=[rule],
            )
        )
        reply = await self._bus.request_name("org.bluez")
        if reply is not RequestNameReply.PRIMARY_OWNER:
            raise RuntimeError("org.bluez is taken on this bus: give the fake a bus of its own")
        self._added(tree.ADAPTER_PATH, tree.adapter_interfaces(discovering=False))
        self._advertiser = asyncio.create_task(self._advertise_for_ever())

    def slow(self, member: str, seconds: float) -> None:
        """Answer calls of one method, for example ``Connect``, this much later; 0 ends it."""
        self._slow[member] = seconds

    def refuse(
        self, member: str, *, times: int = 1, error: str = _FAILED, text: str = "Refused"
    ) -> None:
        """Answer the next calls of one method with an error."""
        self._refusals[member] = (times, error, text)

    # Signals

    def _emit(
        self, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> None:
        self._send(Message.new_signal(path, interface, member, signature, body))

    def _send(self, message: Message) -> None:
        if self._bus is not None and self._bus.connected:
            # What is still unsent when the fake leaves the bus is meant to be lost.
            self._bus.send(message).add_done_callback(_look_at)

    # Method calls

    def _handle(self, message: Message) -> Message | bool:
        if message.message_type is MessageType.SIGNAL:
            if message.member == "NameOwnerChanged" and not message.body[2]:
                self._client_left(message.body[0])
            return False
        if message.message_type is not MessageType.METHOD_CALL:
            return False
        method = self._methods.get((message.interface or "", message.member or ""))
        if method is None:
            return False  # dbus-fast answers Introspect, Ping and what is unknown
        task = asyncio.create_task(self._answer(method, message))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)
        return True

    async def _answer(
        self, method: Callable[[Message], Awaitable[Message]], message: Message
    ) -> None:
        member = message.member or ""
        self.calls[member] = self.calls.get(member, 0) + 1
        if seconds := self._slow.get(member):
            await asyncio.sleep(seconds)
        try:
            self._refuse_if_told(member)
            reply = await method(message)
        except _Refused as refused:
            reply = Message.new_error(message, refused.name, refused.text)
        self._send(reply)

    def _refuse_if_told(self, member: str) -> None:
        times, error, text = self._refusals.get(member, (0, "", ""))
        if times > 0:
            self._refusals[member] = (times - 1, error, text)
            raise _Refused(error, text)

    async def _managed_objects(self, message: Message) -> Message:
        return Message.new_method_return(message, "a{oa{sa{sv}}}", [self._objects()])

    async def _get(self, message: Message) -> Message:
        interface, name = message.body
        properties = self._properties_of(message, interface)
        if name not in properties:
            raise _Refused("org.freedesktop.DBus.Error.InvalidArgs", f"No such property '{name}'")
        return Message.new_method_return(message, "v", [properties[name]])

    async def _get_all(self, message: Message) -> Message:
        properties = self._properties_of(message, message.body[0])
        return Message.new_method_return(message, "a{sv}", [properties])

    def _properties_of(self, message: Message, interface: str) -> tree.Properties:
        interfaces = self._objects().get(message.path or "")
        if interfaces is None:
            raise _unknown_object(message)
        if interface not in interfaces:
            text = f"No such interface '{interface}'"
            raise _Refused("org.freedesktop.DBus.Error.InvalidArgs", text)
        return interfaces[interface]

    async def _set_filter(self, message: Message) -> Message:
        wanted = message.body[0].get("UUIDs")
        self._filters[message.sender or ""] = frozenset(wanted.value) if wanted else frozenset()
        return Message.new_method_return(message)

    async def _start_discovery(self, message: Message) -> Message:
        sender = message.sender or ""
        if sender in self._scanners:
            raise _Refused("org.bluez.Error.InProgress", "Operation already in progress")
        self._scanners[sender] = self._filters.get(sender, frozenset())
        self._changed(tree.ADAPTER_PATH, tree.ADAPTER, {"Discovering": Variant("b", True)})
        return Message.new_method_return(message)

    async def _stop_discovery(self, message: Message) -> Message:
        if self._scanners.pop(message.sender or "", None) is None:
            raise _Refused(_FAILED, "No discovery started")
        if not self._scanners:
            self._changed(tree.ADAPTER_PATH, tree.ADAPTER, {"Discovering": Variant("b", False)})
            for device in self._devices.values():
                if device.known:
                    self._changed(device.path, tree.DEVICE, {}, ("RSSI",))
        return Message.new_method_return(message)

    async def _register_monitor(self, message: Message) -> Message:
        """Take on a passive scan; its patterns are asked for once the client shows them."""
        sender, path = message.sender or "", message.body[0]
        asking = asyncio.create_task(self._ask_for_patterns(sender, path))
        self._tasks.add(asking)
        asking.add_done_callback(self._tasks.discard)
        return Message.new_method_return(message)

    async def _ask_for_patterns(self, sender: str, path: str) -> None:
        for _ in range(50):
            reply = await self._ask(sender, path, _PROPERTIES, "GetAll", "s", [_MONITOR])
            if reply is not None:
                found = reply.body[0]
                if found["Type"].value == "or_patterns":
                    patterns = [
                        (at, kind, bytes(what)) for at, kind, what in found["Patterns"].value
                    ]
                    self._patterns[f"{sender} {path}"] = patterns
                    await self._ask(sender, path, _MONITOR, "Activate", "", [])
                return
            await asyncio.sleep(0.02)

    async def _ask(
        self, to: str, path: str, interface: str, member: str, signature: str, body: list[Any]
    ) -> Message | None:
        """Return a client's answer, or None where it refuses."""
        assert self._bus is not None  # noqa: S101 - asked by a client on it
        reply = await self._bus.call(
            Message(
                destination=to,
                path=path,
                interface=interface,
                member=member,
                signature=signature,
                body=body,
            )
        )
        if reply is None or reply.message_type is MessageType.ERROR:
            return None
        return reply

    async def _unregister_monitor(self, message: Message) -> Message:
        self._patterns.pop(f"{message.sender} {message.body[0]}", None)
        return Message.new_method_return(message)

    async def _remove_device(self, message: Message) -> Message:
        device = self._device_at(message, message.body[0])
        self._drop(device)
        device.forget()
        self._removed(device.path, [tree.DEVICE])
        return Message.new_method_return(message)

    async def _connect(self, message: Message) -> Message:
        device = self._device_at(message, message.path or "")
        if device.connected:
            return Message.new_method_return(message)
        if device.path in self._connecting:
            raise _Refused("org.bluez.Error.InProgress", "Operation already in progress")
        task = asyncio.create_task(self._bring_up(device))
        self._connecting[device.path] = task
        await asyncio.wait({task})
        if self._connecting.get(device.path) is task:
            del self._connecting[device.path]
        if task.cancelled():
            raise _Refused(_FAILED, "Operation canceled")
        task.result()
        return Message.new_method_return(message)

    async def _disconnect(self, message: Message) -> Message:
        device = self._device_at(message, message.path or "")
        if device.connected:
            await asyncio.sleep(self._delays.local_disconnect)
        self._drop(device)
        return Message.new_method_return(message)

    async def _read_characteristic(self, message: Message) -> Message:
        characteristic = self._characteristic_at(message)
        self._value_changed(characteristic)  # measured: every read also emits the value
        return Message.new_method_return(message, "ay", [characteristic.value])

    async def _read_descriptor(self, message: Message) -> Message:
        for device in self._devices.values():
            if device.resolved and message.path in device.descriptors:
                _, _, value = device.descriptors[message.path]
                return Message.new_method_return(message, "ay", [value])
        raise _unknown_object(message)

    async def _start_notify(self, message: Message) -> Message:
        characteristic = self._characteristic_at(message)
        if not characteristic.description.notify:
            raise _Refused("org.bluez.Error.NotSupported", "Operation is not supported")
        characteristic.subscribers.add(message.sender or "")
        notifying = {"Notifying": Variant("b", True)}
        self._changed(characteristic.path, tree.CHARACTERISTIC, notifying)
        return Message.new_method_return(message)

    async def _stop_notify(self, message: Message) -> Message:
        characteristic = self._characteristic_at(message)
        characteristic.subscribers.discard(message.sender or "")
        return Message.new_method_return(message)

    # Look-ups

    def _device_at(self, message: Message, path: str) -> tree.Device:
        for device in self._devices.values():
            if device.path == path and device.known:
                return device
        raise _unknown_object(message)

    def _characteristic_at(self, message: Message) -> tree.Characteristic:
        for device in self._devices.values():
            if found := device.by_path(message.path or ""):
                return found
        raise _unknown_object(message)


def _look_at(sent: asyncio.Future[Any]) -> None:
    if not sent.cancelled():
        sent.exception()


def _unknown_object(message: Message) -> _Refused:
    text = f'Method "{message.member}" doesn\'t exist on {message.path}'
    return _Refused("org.freedesktop.DBus.Error.UnknownObject", text)
