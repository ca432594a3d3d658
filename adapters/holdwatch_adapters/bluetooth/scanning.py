"""Scanning for Bluetooth devices: the scanner's start and stop, and a list of who is there."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from bleak import BleakClient, BleakScanner
from bleak.args.bluez import BlueZScannerArgs, OrPattern
from bleak.assigned_numbers import AdvertisementDataType

from holdwatch_adapters.bluetooth import bthome, gatt
from holdwatch_adapters.bluetooth.link import Planner
from holdwatch_adapters.decoding import Decoded, PayloadError
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.stream import within

if TYPE_CHECKING:
    from collections.abc import Callable

    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

BLUETOOTH_ADVICE: Final = (
    "is Bluetooth switched on and its service running (systemctl status bluetooth)?"
)
NO_SIGNAL_DBM: Final = -127  # what bleak reports where the system gives no strength


# A passive scan must say what it waits for. Flags stand in the advertisements of nearly all
# connectable devices (0x06 and 0x05: low energy only; 0x1A, 0x02, 0x04: others); a broadcaster
# may send none, so its service data is named too. Core Specification Supplement, part A.
_PASSIVE_PATTERNS: Final = (
    *(
        OrPattern(0, AdvertisementDataType.FLAGS, bytes([flags]))
        for flags in (0x06, 0x05, 0x04, 0x02, 0x1A)
    ),
    OrPattern(0, AdvertisementDataType.SERVICE_DATA_UUID16, bytes.fromhex("d2fc")),
    *(
        OrPattern(0, kind, uuid)
        for kind in (
            AdvertisementDataType.INCOMPLETE_LIST_SERVICE_UUID16,
            AdvertisementDataType.COMPLETE_LIST_SERVICE_UUID16,
        )
        for uuid in (bytes.fromhex("1a18"), bytes.fromhex("0918"))
    ),
)


async def start_scanner(
    on_advertisement: Callable[[BLEDevice, AdvertisementData], None],
    hci: str | None,
    call_s: float,
    *,
    passive: bool = False,
) -> BleakScanner:
    """Start a scan of everything; no filter by service, which would hide broadcasters.

    Args:
        on_advertisement: Called for each advertisement.
        hci: The Bluetooth adapter to use on Linux; None for the first.
        call_s: Patience, s.
        passive: Only listen, and ask devices for nothing more than they advertise.

    Raises:
        AdapterError: No scan can be started here, or no passive one.
    """
    bluez = BlueZScannerArgs()
    if hci is not None:
        bluez["adapter"] = hci
    if passive:
        bluez["or_patterns"] = list(_PASSIVE_PATTERNS)
    mode: Literal["active", "passive"] = "passive" if passive else "active"
    try:
        scanner = BleakScanner(on_advertisement, scanning_mode=mode, bluez=bluez)
        await within(call_s, scanner.start())
    except Exception as error:
        why = str(error) or type(error).__name__
        if passive:
            raise AdapterError(
                f"no passive Bluetooth scan can be started ({why}): it needs BlueZ 5.56 or newer "
                'with experimental features, and no macOS; or set scanning = "active" under '
                f"[bluetooth]; {BLUETOOTH_ADVICE}"
            ) from error
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
    profile: Literal["ess", "gatt", "bthome"] | None
    values: tuple[Decoded, ...] = ()
    note: str = ""


@dataclass(slots=True)
class _Heard:
    """What the scan gathered of one device."""

    device: BLEDevice
    name: str = ""
    rssi_dbm: int | None = None
    offers_sensing: bool = False
    offers_thermometer: bool = False
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
        if advertisement.rssi != NO_SIGNAL_DBM:
            entry.rssi_dbm = advertisement.rssi
        if gatt.ENVIRONMENTAL_SENSING in advertisement.service_uuids:
            entry.offers_sensing = True
        if gatt.HEALTH_THERMOMETER in advertisement.service_uuids:
            entry.offers_thermometer = True
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
                offers = entry.offers_sensing or entry.offers_thermometer
                if offers and entry.broadcast is None:
                    await _read_values(entry, call_s)
    finally:
        await stop_scanner(scanner, call_s)
    seen = [_seen(entry) for entry in heard.values()]
    return sorted(seen, key=lambda one: (-(one.rssi_dbm or NO_SIGNAL_DBM), one.address))


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
        await within(call_s * 2, _connect_and_read(client, entry, call_s))
    except Exception as error:  # noqa: BLE001 - bleak raises many kinds; the list goes on
        entry.note = f"its values could not be read: {str(error) or type(error).__name__}"
    finally:
        with contextlib.suppress(Exception):
            await within(call_s, client.disconnect())


async def _connect_and_read(client: BleakClient, entry: _Heard, call_s: float) -> None:
    await client.connect()
    plan = await Planner(client, (), call_s).plan()
    if plan.notes:
        entry.note = plan.notes[0]
    for one in plan.watched:
        if "read" not in one.characteristic.properties:
            entry.note = "its values are only notified: they are read once it is enrolled"
            continue
        payload = bytes(await client.read_gatt_char(one.characteristic))
        for reader, place in one.readers:
            try:
                value = reader.read(payload)
            except PayloadError as error:
                entry.note = str(error)
                continue
            if value is not None:
                entry.values[value.kind, place] = value


def _seen(entry: _Heard) -> Seen:
    profile: Literal["ess", "gatt", "bthome"] | None = None
    if entry.broadcast is not None:
        profile = "bthome"
    elif entry.offers_sensing:
        profile = "ess"
    elif entry.offers_thermometer:
        profile = "gatt"
    values = tuple(entry.values.values())
    return Seen(entry.name, entry.device.address, entry.rssi_dbm, profile, values, entry.note)
