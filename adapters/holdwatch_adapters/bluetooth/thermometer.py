"""Temperature Measurement of the Health Thermometer Service: flags, then an IEEE 11073 float.

Format: Bluetooth SIG, GATT Specification Supplement, Temperature Measurement (0x2A1C);
Intermediate Temperature (0x2A1E) has the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

from holdwatch_adapters.numbers import NUMBER_TYPES, NoNumberError
from holdwatch_adapters.payload import Decoded, PayloadError, checked

_FAHRENHEIT: Final = 0x01
_TIME_FOLLOWS: Final = 0x02
_TYPE_FOLLOWS: Final = 0x04
_TIME_BYTES: Final = 7
_HOTTEST: Final = 10**6  # degrees: far beyond what ``checked`` allows, small enough for a float


@dataclass(frozen=True, slots=True)
class Thermometer:
    """Reads a Temperature Measurement.

    The time that the device may send with it is passed over: holdwatch stamps what arrives.
    """

    kind: Literal["temperature"] = "temperature"

    def read(self, payload: bytes) -> Decoded | None:
        """Return the temperature, or None where the device has none (NaN, NRes, infinite).

        Raises:
            PayloadError: The length is not what the flags say, or the value cannot exist.

        >>> Thermometer().read(bytes.fromhex("006c0100ff"))
        Decoded(kind='temperature', value_si=309.55)
        """
        if not payload:
            raise PayloadError("a temperature measurement has 5 bytes or more, not 0")
        flags = payload[0]
        length = 5 + _TIME_BYTES * bool(flags & _TIME_FOLLOWS) + bool(flags & _TYPE_FOLLOWS)
        if len(payload) != length:
            raise PayloadError(
                f"a temperature measurement with flags 0x{flags:02x} has {length} bytes, "
                f"not {len(payload)} ({payload[:20].hex()})"
            )
        try:
            number = NUMBER_TYPES["medfloat32"].read(payload[1:5])
        except NoNumberError:
            return None
        if abs(number) > _HOTTEST:
            raise PayloadError("a temperature of more than a million degrees cannot be")
        if flags & _FAHRENHEIT:
            return checked("temperature", float((number + Fraction("459.67")) * Fraction(5, 9)))
        return checked("temperature", float(number + Fraction("273.15")))
