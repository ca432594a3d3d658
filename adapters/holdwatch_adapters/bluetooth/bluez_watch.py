"""What only Linux's Bluetooth service can tell: that it died, old links, hidden batteries.

A client of a killed Bluetooth service is told nothing: its links look alive for ever. The bus
itself knows when the service's name changes hands.
"""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any, Final, Self

from bleak.backends.device import BLEDevice

if TYPE_CHECKING:
    from types import TracebackType

    from dbus_fast import Message
    from dbus_fast.aio import MessageBus

_BLUEZ: Final = "org.bluez"
_DBUS: Final = "org.freedesktop.DBus"
_DEVICE: Final = "org.bluez.Device1"
_BATTERY: Final = "org.bluez.Battery1"
_ADAPTER: Final = "org.bluez.Adapter1"
_RULES: Final = (
    f"type='signal',sender='{_DBUS}',member='NameOwnerChanged',arg0='{_BLUEZ}'",
    f"type='signal',sender='{_BLUEZ}',member='InterfacesRemoved'",
    f"type='signal',sender='{_BLUEZ}',member='InterfacesAdded'",
    f"type='signal',sender='{_BLUEZ}',member='PropertiesChanged',arg0='{_ADAPTER}'",
)


class BluezWatch:
    """A connection to the system bus beside the one that bleak keeps.

    ``async with BluezWatch(call_s) as watch:``; ``await watch.gone()`` returns when the
    Bluetooth service or the bus died.

    Args:
        call_s: Patience for each call on the bus, s.

    Raises:
        OSError: There is no system bus.
    """

    def __init__(self, call_s: float) -> None:
        self._call_s = call_s
        self._bus: MessageBus | None = None
        self._bus_ended: asyncio.Task[None] | None = None
        self._gone = asyncio.Event()
        self._present = asyncio.Event()
        self.radio_changed = asyncio.Event()
        """Set when a radio was unplugged, plugged in, or switched; the reader clears it."""

    async def __aenter__(self) -> Self:
        """Connect to the bus and begin to watch."""
        # Imported here: off Linux there is neither a system bus nor this library.
        from dbus_fast import BusType  # noqa: PLC0415
        from dbus_fast.aio import MessageBus  # noqa: PLC0415

        self._bus = MessageBus(bus_type=BusType.SYSTEM)
        try:
            async with asyncio.timeout(self._call_s):
                await self._bus.connect()
            self._bus.add_message_handler(self._on_message)
            for rule in _RULES:
                await self._call(_DBUS, "/org/freedesktop/DBus", _DBUS, "AddMatch", "s", [rule])
        except BaseException:
            self._bus.disconnect()  # releases the socket even where connecting failed
            raise
        # One task for the whole life: cancelling a wait for the bus would break the bus.
        ended = self._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
        self._bus_ended = asyncio.ensure_future(ended)
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Leave the bus."""
        assert self._bus is not None  # noqa: S101 - set on entry
        self._bus.disconnect()
        if self._bus_ended is not None:
            await asyncio.wait({self._bus_ended})
            self._bus_ended.exception()  # taken up: a bus that died first has nothing to add

    def _on_message(self, message: Message) -> None:
        if message.member == "PropertiesChanged":
            if message.body[0] == _ADAPTER and "Powered" in message.body[1]:
                self.radio_changed.set()
            return
        if message.member in {"InterfacesAdded", "InterfacesRemoved"}:
            if _ADAPTER in message.body[1]:
                self.radio_changed.set()
            return
        if message.member != "NameOwnerChanged" or message.body[0] != _BLUEZ:
            return
        _, before, after = message.body
        if before:
            self._gone.set()
        if after:
            self._present.set()
        else:
            self._present.clear()

    async def gone(self) -> None:
        """Return once the Bluetooth service has died or changed, or the bus has."""
        assert self._bus_ended is not None  # noqa: S101 - set on entry
        service = asyncio.ensure_future(self._gone.wait())
        try:
            await asyncio.wait({service, self._bus_ended}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            service.cancel()

    async def returned(self, within_s: float) -> bool:
        """Wait until the service is there again; return whether it came in time."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):
                await self._present.wait()
        return self._present.is_set()

    async def linked(self, addresses: set[str]) -> list[BLEDevice]:
        """Return those devices that the service already holds links to.

        They do not advertise, so no scan finds them. Links outlive the process that made them.

        Args:
            addresses: Bluetooth addresses in upper case.
        """
        found: list[BLEDevice] = []
        for path, interfaces in (await self._objects()).items():
            shown = interfaces.get(_DEVICE)
            if shown is None:
                continue
            device = {key: variant.value for key, variant in shown.items()}
            address = str(device.get("Address", "")).upper()
            if address in addresses and device.get("Connected"):
                details = {"path": path, "props": device}
                found.append(BLEDevice(address, device.get("Alias"), details))
        return found

    async def battery(self, address: str) -> float | None:
        """Return the charge that the service read from a linked device, percent, or None."""
        for interfaces in (await self._objects()).values():
            device, battery = interfaces.get(_DEVICE), interfaces.get(_BATTERY)
            if device is None or battery is None or "Percentage" not in battery:
                continue
            if str(device["Address"].value).upper() == address:
                return float(battery["Percentage"].value)
        return None

    async def _objects(self) -> dict[str, dict[str, dict[str, Any]]]:
        manager = "org.freedesktop.DBus.ObjectManager"
        body = await self._call(_BLUEZ, "/", manager, "GetManagedObjects", "", [])
        objects: dict[str, dict[str, dict[str, Any]]] = body[0]
        return objects

    async def _call(
        self,
        destination: str,
        path: str,
        interface: str,
        member: str,
        signature: str,
        body: list[Any],
    ) -> list[Any]:
        from dbus_fast import Message, MessageType  # noqa: PLC0415 - as above

        assert self._bus is not None  # noqa: S101 - set on entry
        message = Message(
            destination=destination,
            path=path,
            interface=interface,
            member=member,
            signature=signature,
            body=body,
        )
        async with asyncio.timeout(self._call_s):
            reply = await self._bus.call(message)
        if reply is None or reply.message_type is MessageType.ERROR:
            said = reply.error_name if reply is not None else "no reply"
            raise OSError(f"{member} on the system bus failed: {said}")
        return list(reply.body)
