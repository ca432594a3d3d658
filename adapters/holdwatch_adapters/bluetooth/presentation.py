"""Characteristics that describe themselves: the presentation format descriptor, 0x2904.

Layout and rules: Bluetooth Core Specification, Vol 3 Part G, 3.3.3.5; units: the Bluetooth
SIG's assigned numbers. Value = raw × 10^exponent for integers; floats take no exponent.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Final

from holdwatch_adapters.numbers import NUMBER_TYPES, NumberType
from holdwatch_adapters.payload import Decoded, Kind, PayloadError, checked
from holdwatch_physics.units import PASCAL_PER_MMHG, PASCAL_PER_PSI

_FORMATS: Final[dict[int, NumberType]] = {
    code: NUMBER_TYPES[name]
    for code, name in {
        0x04: "u8",
        0x05: "u12",
        0x06: "u16",
        0x07: "u24",
        0x08: "u32",
        0x09: "u48",
        0x0A: "u64",
        0x0C: "s8",
        0x0D: "s12",
        0x0E: "s16",
        0x0F: "s24",
        0x10: "s32",
        0x11: "s48",
        0x12: "s64",
        0x14: "f32",
        0x15: "f64",
        0x16: "medfloat16",
        0x17: "medfloat32",
    }.items()
}
"""Number formats by their code; the others are flags, texts and structures."""

_SIG_NAMESPACE: Final = 0x01
_LENGTH: Final = 7
_LARGEST_EXPONENT: Final = 30
"""A power of ten beyond this is a broken descriptor: no unit of ours needs it."""


@dataclass(frozen=True, slots=True)
class SigUnit:
    """A unit of the Bluetooth SIG: ``si = (x + before) × factor``."""

    name: str
    kind: Kind
    factor: Fraction
    before: Fraction = Fraction(0)


UNITS: Final[dict[int, SigUnit]] = {
    0x2705: SigUnit("kelvin", "temperature", Fraction(1)),
    0x2724: SigUnit("pascal", "pressure", Fraction(1)),
    0x272F: SigUnit("degree Celsius", "temperature", Fraction(1), Fraction("273.15")),
    0x2780: SigUnit("bar", "pressure", Fraction(100_000)),
    0x2781: SigUnit("millimetre of mercury", "pressure", Fraction(str(PASCAL_PER_MMHG))),
    0x27A5: SigUnit("pound-force per square inch", "pressure", Fraction(PASCAL_PER_PSI)),
    0x27AC: SigUnit("degree Fahrenheit", "temperature", Fraction(5, 9), Fraction("459.67")),
}
"""Every unit of the SIG's list that a pressure or a temperature may carry. The list has no
prefixed units (the exponent stands for them) and no inch of mercury, torr or micron."""


@lru_cache(maxsize=128)
def _power_of_ten(exponent: int) -> Fraction:
    return Fraction(10) ** exponent


@dataclass(frozen=True, slots=True)
class SelfDescribed:
    """Reads a characteristic by its own description.

    Attributes:
        number: How the number lies in the bytes.
        exponent: The value is the number times ten to this power; 0 for floats.
        unit: The unit of the value.
    """

    number: NumberType
    exponent: int
    unit: SigUnit

    @property
    def kind(self) -> Kind:
        """What the characteristic measures."""
        return self.unit.kind

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value; None where the number lies at the end of its format.

        A description has no word for "not known". The SIG's own characteristics use the end of
        the format for it, and a sensor that is saturated stands there too: no measurement.

        Raises:
            PayloadError: Wrong length, or a value that cannot exist.
        """
        raw = self.number.read(payload)
        if raw in self.number.ends:
            return None
        value = raw * _power_of_ten(self.exponent) if self.exponent else raw
        if self.unit.before:
            value += self.unit.before
        if self.unit.factor != 1:
            value *= self.unit.factor
        if abs(value) > 10**12:  # too large for any of our limits, and perhaps for a float
            raise PayloadError(f"a {self.kind} of more than 10^12 {self.unit.name} cannot be")
        return checked(self.kind, float(value))


def describe(descriptor: bytes) -> SelfDescribed | str:
    """Return how to read a characteristic, or in words why holdwatch does not read it.

    Args:
        descriptor: The bytes of its descriptor 0x2904.

    >>> describe(bytes.fromhex("08ff2427010000")).read(bytes.fromhex("02760f00"))
    Decoded(kind='pressure', value_si=101325.0)
    >>> describe(bytes.fromhex("0400ad27010000"))
    'its unit 0x27ad is none of pressure or temperature'
    """
    if len(descriptor) != _LENGTH:
        return f"its presentation format has {len(descriptor)} bytes, not {_LENGTH}"
    code, exponent, unit_code, namespace, _description = struct.unpack("<BbHBH", descriptor)
    if namespace != _SIG_NAMESPACE:
        return f"its presentation format uses namespace {namespace}, not the Bluetooth SIG's (1)"
    unit = UNITS.get(unit_code)
    if unit is None:
        return f"its unit 0x{unit_code:04x} is none of pressure or temperature"
    number = _FORMATS.get(code)
    if number is None:
        return f"its format 0x{code:02x} is none of a single number"
    if number.form != "integer":
        exponent = 0  # the specification: the exponent counts for integers only
    if abs(exponent) > _LARGEST_EXPONENT:
        return f"its exponent {exponent} cannot be meant"
    return SelfDescribed(number, exponent, unit)
