"""Encodes what probes say as the bytes of open wireless formats.

GATT characteristics after the Bluetooth SIG's GATT Specification Supplement, service data after
BTHome v2. Both pressures are unsigned: a device sends absolute pressure, or is declared to send
gauge pressure and then says 0 for anything below the air around it. Like a real device, an
encoder never refuses a value: it sends the nearest that fits.
"""

from __future__ import annotations

import struct
from typing import Final

PRESSURE_PRESENTATION: Final = struct.pack("<BbHBH", 0x08, -1, 0x2724, 1, 0)
"""Presentation format: uint32, ×10⁻¹, pascal."""
TEMPERATURE_PRESENTATION: Final = struct.pack("<BbHBH", 0x0E, -2, 0x272F, 1, 0)
"""Presentation format: sint16, ×10⁻², degree Celsius."""
TEMPERATURE_UNKNOWN: Final = b"\x00\x80"
"""What a thermometer without a value sends."""

_ZERO_C_K: Final = 273.15
_BTHOME_PLAIN_V2: Final = 0x40


def _whole(value: float, low: int, high: int) -> int:
    return min(high, max(low, round(value)))


def gatt_pressure(pressure_pa: float) -> bytes:
    """Return Pressure (0x2A6D): uint32, 0.1 Pa.

    >>> gatt_pressure(101325.0).hex()
    '02760f00'
    """
    return struct.pack("<I", _whole(pressure_pa * 10.0, 0, 0xFFFFFFFF))


def gatt_temperature(t_k: float) -> bytes:
    """Return Temperature (0x2A6E): sint16, 0.01 °C, never the code for unknown.

    >>> gatt_temperature(273.15 + 21.37).hex()
    '5908'
    """
    return struct.pack("<h", _whole((t_k - _ZERO_C_K) * 100.0, -27315, 0x7FFF))


def gatt_battery(percent: float) -> bytes:
    """Return Battery Level (0x2A19): uint8, percent.

    >>> gatt_battery(100.0).hex()
    '64'
    """
    return struct.pack("<B", _whole(percent, 0, 100))


def bthome(
    packet_id: int | None = None,
    battery_percent: float | None = None,
    t_k: float | None = None,
    pressure_pa: float | None = None,
) -> bytes:
    """Return plain BTHome v2 service data, objects in order of their ids.

    Packet id 0x00 uint8, battery 0x01 uint8 %, temperature 0x02 sint16 0.01 °C, pressure 0x04
    uint24 0.01 hPa (which is 1 Pa).

    >>> bthome(pressure_pa=100_883.0).hex()
    '4004138a01'
    """
    data = bytearray([_BTHOME_PLAIN_V2])
    if packet_id is not None:
        data += struct.pack("<BB", 0x00, packet_id % 256)
    if battery_percent is not None:
        data += struct.pack("<BB", 0x01, _whole(battery_percent, 0, 100))
    if t_k is not None:
        data += struct.pack("<Bh", 0x02, _whole((t_k - _ZERO_C_K) * 100.0, -0x8000, 0x7FFF))
    if pressure_pa is not None:
        data += b"\x04" + _whole(pressure_pa, 0, 0xFFFFFF).to_bytes(3, "little")
    return bytes(data)
