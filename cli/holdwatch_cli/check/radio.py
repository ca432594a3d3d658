"""What Bluetooth needs on this machine: bus, service, permissions, radio, scans."""

from __future__ import annotations

import asyncio
import sys
from typing import TYPE_CHECKING, Any

from holdwatch_adapters.bluetooth import scan, start_scanner, stop_scanner
from holdwatch_adapters.ports import AdapterError
from holdwatch_cli.check.finding import Finding

if TYPE_CHECKING:
    from dbus_fast import Message

    from holdwatch_daemon.settings import ShopConfig

_CALL_S = 5.0
_ADAPTER = "org.bluez.Adapter1"
_DENIED = ("org.freedesktop.DBus.Error.AccessDenied", "org.bluez.Error.NotPermitted")
_ABSENT = (
    "org.freedesktop.DBus.Error.ServiceUnknown",
    "org.freedesktop.DBus.Error.NameHasNoOwner",
    "org.freedesktop.DBus.Error.Spawn.ServiceNotFound",
)
_SERVICE_MEND = "apt-get install bluez; systemctl enable --now bluetooth. The demo runs without."
_DENIED_MEND = (
    "Let this user speak to the Bluetooth service: usermod -aG bluetooth USER, then log in again; "
    "a service needs the group in its unit (SupplementaryGroups=bluetooth)."
)
_ADAPTER_MEND = (
    "Plug in a Bluetooth adapter, or pass it through to this machine; dmesg says whether its "
    "firmware is missing (apt-get install firmware-linux)."
)
_POWER_MEND = "rfkill unblock bluetooth; bluetoothctl power on."
_PASSIVE_MEND = (
    "Take BlueZ 5.56 or newer and start it with --experimental (systemctl edit bluetooth), or set "
    'scanning = "active" under [bluetooth].'
)


async def radio_findings(shop: ShopConfig, *, scan_s: float = 2.0) -> list[Finding]:
    """Look at everything between this process and the air.

    Args:
        shop: Which radio and scan are wanted, and which probes are enrolled.
        scan_s: How long to listen, s.
    """
    findings = await _linux(shop) if sys.platform == "linux" else []
    if any(not finding.ok for finding in findings):
        first = next(finding for finding in findings if not finding.ok)
        return [*findings, Finding("Bluetooth", False, f"no scan without {first.what}", first.mend)]
    return [*findings, await _scan(shop, scan_s), await _passive(shop)]


async def _linux(shop: ShopConfig) -> list[Finding]:
    # Imported here: off Linux there is neither a system bus nor this library.
    from dbus_fast import BusType  # noqa: PLC0415
    from dbus_fast.aio import MessageBus  # noqa: PLC0415

    bus = MessageBus(bus_type=BusType.SYSTEM)
    try:
        async with asyncio.timeout(_CALL_S):
            await bus.connect()
    except PermissionError as error:
        bus.disconnect()
        found = f"the system bus refuses this user: {error.strerror}"
        return [Finding("Bluetooth permissions", False, found, _DENIED_MEND)]
    except Exception as error:  # noqa: BLE001 - whatever it is, there is no bus
        bus.disconnect()
        mend = "apt-get install dbus; systemctl enable --now dbus. The demo runs without."
        return [Finding("D-Bus", False, f"the system bus cannot be reached: {error}", mend)]
    try:
        findings = [Finding("D-Bus", True, "the system bus answers")]
        objects = await _objects(bus)
    finally:
        bus.disconnect()
    if isinstance(objects, Finding):
        return [*findings, objects]
    findings.append(Finding("Bluetooth service", True, "org.bluez answers this user"))
    return [*findings, _adapter(objects, shop.bluetooth.adapter)]


async def _objects(bus: Any) -> dict[str, dict[str, dict[str, Any]]] | Finding:
    from dbus_fast import Message, MessageType  # noqa: PLC0415 - as above

    message = Message(
        destination="org.bluez",
        path="/",
        interface="org.freedesktop.DBus.ObjectManager",
        member="GetManagedObjects",
    )
    reply: Message | None = None
    try:
        async with asyncio.timeout(_CALL_S):
            reply = await bus.call(message)
    except TimeoutError:
        found = f"org.bluez gives no answer within {_CALL_S:g} s"
        return Finding("Bluetooth service", False, found, "systemctl restart bluetooth.")
    if reply is not None and reply.message_type is not MessageType.ERROR:
        objects: dict[str, dict[str, dict[str, Any]]] = reply.body[0]
        return objects
    name = "no reply" if reply is None else str(reply.error_name)
    if name in _DENIED:
        return Finding("Bluetooth permissions", False, f"org.bluez refuses: {name}", _DENIED_MEND)
    found = "org.bluez is not on the bus" if name in _ABSENT else f"org.bluez fails: {name}"
    return Finding("Bluetooth service", False, found, _SERVICE_MEND)


def _adapter(objects: dict[str, dict[str, dict[str, Any]]], wanted: str | None) -> Finding:
    radios = {
        path.rpartition("/")[2]: {
            key: variant.value for key, variant in interfaces[_ADAPTER].items()
        }
        for path, interfaces in sorted(objects.items())
        if _ADAPTER in interfaces
    }
    what = "Bluetooth adapter"
    if not radios:
        return Finding(what, False, "none is plugged in", _ADAPTER_MEND)
    if wanted is not None and wanted not in radios:
        found = f"{wanted} is not there; there are {', '.join(radios)}"
        return Finding(what, False, found, "Plug it in, or change `adapter` under [bluetooth].")
    name = wanted or next(iter(radios))
    address = radios[name].get("Address", "")
    if not radios[name].get("Powered"):
        return Finding(what, False, f"{name} ({address}) is switched off", _POWER_MEND)
    return Finding(what, True, f"{name} ({address}) is on")


async def _scan(shop: ShopConfig, scan_s: float) -> Finding:
    try:
        seen = await scan(scan_s, hci=shop.bluetooth.adapter, read=False)
    except AdapterError as error:
        if sys.platform == "linux":
            mend = "systemctl restart bluetooth; journalctl -u bluetooth says more."
        else:
            mend = "Switch Bluetooth on and allow this program to use it. The demo runs without."
        return Finding("Bluetooth", False, str(error), mend)
    found = f"a scan of {scan_s:g} s heard {len(seen)} devices"
    enrolled = [probe for probe in shop.probe if probe.kind == "bluetooth"]
    if enrolled:
        addresses = {one.address.upper() for one in seen}
        silent = [one.name for one in enrolled if (one.identity or "").upper() not in addresses]
        found += f", {len(enrolled) - len(silent)} of {len(enrolled)} enrolled probes"
        if silent:
            found += f"; not {', '.join(silent)} (asleep, far, or linked already?)"
    return Finding("Bluetooth", True, found)


async def _passive(shop: ShopConfig) -> Finding:
    """Try a passive scan: only that shows whether the system has one."""
    is_wanted = shop.bluetooth.scanning == "passive"
    try:
        scanner = await start_scanner(
            lambda _device, _advertisement: None, shop.bluetooth.adapter, _CALL_S, passive=True
        )
    except AdapterError as error:
        why = str(error.__cause__ or error)
        if is_wanted:
            return Finding("passive scanning", False, f"it is configured, and {why}", _PASSIVE_MEND)
        return Finding("passive scanning", True, f"none here, and none is configured ({why})")
    await stop_scanner(scanner, _CALL_S)
    spare = "configured" if is_wanted else 'possible: scanning = "passive" spares batteries'
    return Finding("passive scanning", True, spare)
