"""Values of standard GATT characteristics, decoded from their bytes.

Formats: Bluetooth SIG, GATT Specification Supplement (value = raw × M × 10^d × 2^b).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from holdwatch_adapters.bluetooth.thermometer import Thermometer
from holdwatch_adapters.payload import Decoded, Kind, PayloadError, Reader, checked

_BASE_TAIL: Final = "-0000-1000-8000-00805f9b34fb"


def full_uuid(short: int) -> str:
    """Return the 128-bit form of a 16-bit identifier, in lower case.

    >>> full_uuid(0x2A6D)
    '00002a6d-0000-1000-8000-00805f9b34fb'
    """
    return f"{short:08x}{_BASE_TAIL}"


ENVIRONMENTAL_SENSING: Final = full_uuid(0x181A)
HEALTH_THERMOMETER: Final = full_uuid(0x1809)
PRESSURE: Final = full_uuid(0x2A6D)
TEMPERATURE: Final = full_uuid(0x2A6E)
TEMPERATURE_8: Final = full_uuid(0x2B0D)
TEMPERATURE_MEASUREMENT: Final = full_uuid(0x2A1C)
INTERMEDIATE_TEMPERATURE: Final = full_uuid(0x2A1E)
BATTERY_LEVEL: Final = full_uuid(0x2A19)
PRESENTATION_FORMAT: Final = full_uuid(0x2904)
SENSING_CONFIGURATION: Final = full_uuid(0x290B)
SENSING_MEASUREMENT: Final = full_uuid(0x290C)
SENSING_TRIGGER: Final = full_uuid(0x290D)


@dataclass(frozen=True, slots=True)
class Format:
    """How one characteristic is laid out: value = (raw · factor + offset) / divisor.

    Whole numbers before one division keep the result the nearest double to the true value.

    Attributes:
        kind: What it measures.
        length: Bytes.
        signed: Whether the raw integer is two's complement.
        offset: Added to the raw integer, for example 27315 hundredths from °C to K.
        divisor: Raw steps in one SI unit.
        unknown: The raw integer that says "value is not known", or None where there is none.
        factor: Multiplies the raw integer, for steps that are no whole fraction of a unit.
    """

    kind: Kind
    length: int
    signed: bool
    offset: int
    divisor: int
    unknown: int | None
    factor: int = 1

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value, or None where the device says that it is not known.

        Raises:
            PayloadError: The length is wrong, or the value cannot exist.
        """
        if len(payload) != self.length:
            raise PayloadError(
                f"a {self.kind} value has {self.length} bytes, not {len(payload)} "
                f"({bytes(payload[:20]).hex() or 'empty'})"
            )
        raw = int.from_bytes(payload, "little", signed=self.signed)
        if raw == self.unknown:
            return None
        return checked(self.kind, (raw * self.factor + self.offset) / self.divisor)


FORMATS: Final[dict[str, Format]] = {
    PRESSURE: Format("pressure", 4, False, 0, 10, None),
    TEMPERATURE: Format("temperature", 2, True, 27315, 100, -0x8000),
    TEMPERATURE_8: Format("temperature", 1, True, 27315, 100, 0x7F, factor=50),
    BATTERY_LEVEL: Format("battery", 1, False, 0, 1, None),
}
"""The characteristics of one plain number, by 128-bit UUID in lower case.

Pressure (0x2A6D) is unsigned and has no code for "not known"; below the surrounding air a gauge
that counts from it can say nothing through this characteristic.
"""


READERS: Final[dict[str, Reader]] = {
    **FORMATS,
    TEMPERATURE_MEASUREMENT: Thermometer(),
    INTERMEDIATE_TEMPERATURE: Thermometer(),
}
"""Every standard characteristic that holdwatch reads, by 128-bit UUID in lower case."""


def decode(characteristic_uuid: str, payload: bytes) -> Decoded | None:
    """Return the value of one characteristic, or None where the device says it is not known.

    Args:
        characteristic_uuid: 128-bit UUID, as bleak gives it.
        payload: The characteristic's bytes.

    Raises:
        PayloadError: The characteristic is none of ``READERS``, its length is wrong, or the
            value cannot exist.

    >>> decode(PRESSURE, bytes.fromhex("02760f00"))
    Decoded(kind='pressure', value_si=101325.0)
    """
    reader = READERS.get(characteristic_uuid.lower())
    if reader is None:
        raise PayloadError(f"characteristic {characteristic_uuid} is not one that holdwatch reads")
    return reader.read(payload)
