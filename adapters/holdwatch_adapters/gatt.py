"""Values of standard GATT characteristics, decoded from their bytes.

Formats: Bluetooth SIG, GATT Specification Supplement (value = raw × M × 10^d × 2^b).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from holdwatch_adapters.payload import Decoded, Kind, PayloadError, checked

_BASE_TAIL: Final = "-0000-1000-8000-00805f9b34fb"


def full_uuid(short: int) -> str:
    """Return the 128-bit form of a 16-bit identifier, in lower case.

    >>> full_uuid(0x2A6D)
    '00002a6d-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}{_BASE_TAIL}"


ENVIRONMENTAL_SENSING: Final = full_uuid(0x181A)
PRESSURE: Final = full_uuid(0x2A6D)
TEMPERATURE: Final = full_uuid(0x2A6E)
BATTERY_LEVEL: Final = full_uuid(0x2A19)


@dataclass(frozen=True, slots=True)
class Format:
    """How one characteristic is laid out: value = (raw + offset) / divisor.

    Whole numbers before one division keep the result the nearest double to the true value.

    Attributes:
        kind: What it measures.
        length: Bytes.
        signed: Whether the raw integer is two's complement.
        offset: Added to the raw integer, for example 27315 hundredths from °C to K.
        divisor: Raw steps in one SI unit.
        unknown: The raw integer that says "value is not known", or None where there is none.
    """

    kind: Kind
    length: int
    signed: bool
    offset: int
    divisor: int
    unknown: int | None


FORMATS: Final[dict[str, Format]] = {
    PRESSURE: Format("pressure", 4, False, 0, 10, None),
    TEMPERATURE: Format("temperature", 2, True, 27315, 100, -0x8000),
    BATTERY_LEVEL: Format("battery", 1, False, 0, 1, None),
}
"""The characteristics that holdwatch reads, by 128-bit UUID in lower case.

Pressure (0x2A6D) is unsigned and has no code for "not known"; below the surrounding air a gauge
that counts from it can say nothing through this characteristic.
"""


def decode(characteristic_uuid: str, payload: bytes) -> Decoded | None:
    """Return the value of one characteristic, or None where the device says it is not known.

    Args:
        characteristic_uuid: 128-bit UUID, as bleak gives it.
        payload: The characteristic's bytes.

    Raises:
        PayloadError: The characteristic is none of ``FORMATS``, its length is wrong, or the
            value cannot exist.

    >>> decode(PRESSURE, bytes.fromhex("02760f00"))
    Decoded(kind='pressure', value_si=101325.0)
    """
    layout = FORMATS.get(characteristic_uuid.lower())
    if layout is None:
        raise PayloadError(f"characteristic {characteristic_uuid} is not one that holdwatch reads")
    if len(payload) != layout.length:
        raise PayloadError(
            f"a {layout.kind} value has {layout.length} bytes, not {len(payload)} "
            f"({bytes(payload[:20]).hex() or 'empty'})"
        )
    raw = int.from_bytes(payload, "little", signed=layout.signed)
    if raw == layout.unknown:
        return None
    return checked(layout.kind, (raw + layout.offset) / layout.divisor)
