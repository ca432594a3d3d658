"""Scanning for Bluetooth devices: the scanner's start and stop, and a list of who is there."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from bleak import BleakClient, BleakScanner

from holdwatch_adapters import bthome, gatt
from holdwatch_adapters.links import within
from holdwatch_adapters.payload import Decoded, PayloadError
from holdwatch_adapters.ports import AdapterError

if TYPE_CHECKING:
    from collections.abc import Callable

    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

BLUETOOTH_ADVICE: Final = (
    "is Bluetooth switched on and its service running (systemctl status bluetooth)?"
)
_NO_SIGNAL_DBM: Final = -127  # what bleak reports where the system gives no strength


async def start_scanner(
    on_advertisement: Callable[[BLEDevice, AdvertisementData], None],
    hci: str | None,
    call_s: float,
) -> BleakScanner:
    """Start a scan of everything; no filter by service, which would hide broadcasters.

    Raises:
        AdapterError: No scan can be started here.
    """
    scanner = (
        BleakScanner(on_advertisement)
        if hci is None
        else BleakScanner(on_advertisement, bluez={"adapter": hci})
    )
    try:
        await within(call_s, scanner.start())
    except Exception as error:
        why = str(error) or type(error).__name__
        raise AdapterError(
            f"no Bluetooth scan can be started ({why}): {BLUETOOTH_ADVICE}"
        ) from error
    return scanner


async def stop_scanner(scanner: BleakScanner, call_s: float) -> None:
    """Stop a scan; where the Bluetooth service is gone there is nothing to stop."""
    with contextlib.suppress(Exception):
        await within(call_s, scanner.stop())


@dataclass(frozen=True, slots=True)
class Seen:
    """One device in range.

    Attributes:
        name: What it calls itself; empty where it does not.
        address: Bluetooth address; on macOS an identifier that stands for it.
        rssi_dbm: Signal strength of its last advertisement, or None.
        profile: What holdwatch can enrol it as, or None.
        values: Its newest values, in SI. Whether a pressure is absolute or gauge only its
            maker knows.
        note: One sentence where values are missing for a reason; otherwise empty.
    """

    name: str
    address: str
    rssi_dbm: int | None
    profile: Literal["ess", "bthome"] | None
    values: tuple[Decoded, ...] = ()
    note: str = ""


@dataclass(slots=True)
class _Heard:
    """What the scan gathered of one device."""

    device: BLEDevice
    name: str = ""
    rssi_dbm: int | None = None
    offers_sensing: bool = False
    broadcast: bytes | None = None
    values: dict[tuple[str, int], Decoded] = field(default_factory=dict)
    note: str = ""


async def scan(
    seconds: float, *, hci: str | None = None, read: bool = True, call_s: float = 10.0
) -> list[Seen]:
    """Return the devices in range, the strongest first.

    Args:
        seconds: How long to listen.
        hci: The Bluetooth adapter to use on Linux; None for the first.
        read: Also connect to devices that announce environmental sensing and read their values
            once; each takes up to ``call_s``.
        call_s: Patience for each step, s.

    Raises:
        AdapterError: There is no Bluetooth here.
    """
    heard: dict[str, _Heard] = {}

    def on_advertisement(device: BLEDevice, advertisement: AdvertisementData) -> None:
        entry = heard.setdefault(device.address, _Heard(device))
        entry.name = advertisement.local_name or device.name or entry.name
        if advertisement.rssi != _NO_SIGNAL_DBM:
            entry.rssi_dbm = advertisement.rssi
        if gatt.ENVIRONMENTAL_SENSING in advertisement.service_uuids:
            entry.offers_sensing = True
        payload = advertisement.service_data.get(bthome.SERVICE_DATA)
        if payload is not None:
            entry.broadcast = payload
            _take_broadcast(entry, payload)

    scanner = await start_scanner(on_advertisement, hci, call_s)
    try:
        await asyncio.sleep(seconds)
        if read:
            # While still scanning: the system soon forgets devices that nobody looks for.
            for entry in list(heard.values()):
                if entry.offers_sensing and entry.broadcast is None:
                    await _read_values(entry, call_s)
    finally:
        await stop_scanner(scanner, call_s)
    seen = [_seen(entry) for entry in heard.values()]
    return sorted(seen, key=lambda one: (-(one.rssi_dbm or _NO_SIGNAL_DBM), one.address))


def _take_broadcast(entry: _Heard, payload: bytes) -> None:
    try:
        packet = bthome.parse(payload)
    except PayloadError as error:
        entry.note = str(error)
        return
    entry.note = ""
    counts: dict[str, int] = {}
    for value in packet.values:
        counts[value.kind] = place = counts.get(value.kind, 0) + 1
        entry.values[value.kind, place] = value


async def _read_values(entry: _Heard, call_s: float) -> None:
    client = BleakClient(entry.device)
    try:
        await within(call_s, _connect_and_read(client, entry))
    except Exception as error:  # noqa: BLE001 - bleak raises many kinds; the list goes on
        entry.note = f"its values could not be read: {str(error) or type(error).__name__}"
    finally:
        with contextlib.suppress(Exception):
            await within(call_s, client.disconnect())


async def _connect_and_read(client: BleakClient, entry: _Heard) -> None:
    await client.connect()
    found = [c for service in client.services for c in service.characteristics]
    for characteristic in sorted(found, key=lambda c: c.handle):
        if characteristic.uuid not in gatt.FORMATS or "read" not in characteristic.properties:
            continue
        payload = await client.read_gatt_char(characteristic)
        try:
            value = gatt.decode(characteristic.uuid, bytes(payload))
        except PayloadError as error:
            entry.note = str(error)
            continue
        if value is not None:
            place = sum(kind == value.kind for kind, _ in entry.values) + 1
            entry.values[value.kind, place] = value


def _seen(entry: _Heard) -> Seen:
    profile: Literal["ess", "bthome"] | None = None
    if entry.broadcast is not None:
        profile = "bthome"
    elif entry.offers_sensing:
        profile = "ess"
    values = tuple(entry.values.values())
    return Seen(entry.name, entry.device.address, entry.rssi_dbm, profile, values, entry.note)
