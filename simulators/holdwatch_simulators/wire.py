"""What simulated probes show on the air: their descriptions and the bytes they send.

The simulated bay (``live``) produces these; the fake Bluetooth daemon (``air``) serves them.
All identifiers are those of the Bluetooth SIG's assigned numbers and of the BTHome v2 format.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

__all__ = [
    "BASE_TAIL",
    "BATTERY_LEVEL",
    "BATTERY_SERVICE",
    "BTHOME_SERVICE_DATA",
    "ENVIRONMENTAL_SENSING",
    "PRESENTATION_FORMAT",
    "PRESSURE",
    "TEMPERATURE",
    "CharacteristicDescription",
    "ProbeDescription",
    "WireUpdate",
    "full_uuid",
]

BASE_TAIL: Final = "-0000-1000-8000-00805f9b34fb"


def full_uuid(short: int) -> str:
    """Return the 128-bit form of a 16-bit Bluetooth identifier, in lower case.

    >>> full_uuid(0x2A6D)
    '00002a6d-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}{BASE_TAIL}"


ENVIRONMENTAL_SENSING: Final = full_uuid(0x181A)
BATTERY_SERVICE: Final = full_uuid(0x180F)
PRESSURE: Final = full_uuid(0x2A6D)  # uint32, 0.1 Pa
TEMPERATURE: Final = full_uuid(0x2A6E)  # sint16, 0.01 °C, 0x8000 unknown
BATTERY_LEVEL: Final = full_uuid(0x2A19)  # uint8, percent
PRESENTATION_FORMAT: Final = full_uuid(0x2904)  # the descriptor, 7 bytes
BTHOME_SERVICE_DATA: Final = full_uuid(0xFCD2)


@dataclass(frozen=True, slots=True)
class CharacteristicDescription:
    """One characteristic of a connectable probe.

    Attributes:
        service_uuid: 128-bit UUID of the service it stands in, lower case.
        characteristic_uuid: 128-bit UUID, lower case; unique within a probe.
        presentation: The 7 bytes of its presentation format descriptor (0x2904), or None
            where the device carries none.
        initial: What a read returns before the first update.
        notify: Whether it may be subscribed to; every characteristic may be read.
        descriptors: Further descriptors: 128-bit UUID, lower case, and bytes.
    """

    service_uuid: str
    characteristic_uuid: str
    presentation: bytes | None = None
    initial: bytes = b""
    notify: bool = True
    descriptors: tuple[tuple[str, bytes], ...] = ()


@dataclass(frozen=True, slots=True)
class ProbeDescription:
    """One simulated device.

    Attributes:
        name: The name it advertises; unique within a bay.
        address: Bluetooth address, ``AA:BB:CC:DD:EE:FF``.
        kind: ``gatt`` is connected to and notifies; ``bthome`` only advertises.
        characteristics: What a ``gatt`` probe exposes; empty for ``bthome``.
        advertised_services: 128-bit service UUIDs in its advertisement.
        rssi_dbm: Signal strength that its advertisements arrive with.
    """

    name: str
    address: str
    kind: Literal["gatt", "bthome"]
    characteristics: tuple[CharacteristicDescription, ...] = ()
    advertised_services: tuple[str, ...] = ()
    rssi_dbm: int = -60


@dataclass(frozen=True, slots=True)
class WireUpdate:
    """One new value on the air.

    Attributes:
        probe: Name of the probe that sends it.
        characteristic_uuid: The characteristic whose value changed, 128-bit and lower case;
            None for advertised service data under ``BTHOME_SERVICE_DATA``.
        payload: The bytes, for service data without the UUID in front.
    """

    probe: str
    characteristic_uuid: str | None
    payload: bytes
