"""Decodes GATT characteristics: standard ones, and those that describe themselves.

Formats: Bluetooth SIG, GATT Specification Supplement (value = raw × M × 10^d × 2^b); Temperature
Measurement (0x2A1C), which Intermediate Temperature (0x2A1E) shares: flags, then an IEEE 11073
float. Presentation format 0x2904: Core Specification, Vol 3, Part G, 3.3.3.5. Descriptors ES
Measurement (0x290C), ES Trigger Setting (0x290D) and ES Configuration (0x290B): Environmental
Sensing Service 1.0, section 3.1.2; the layout and the codes of the first agree with two open
firmware implementations of the service, those of the others are from memory.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

from holdwatch_adapters.decoding import (
    NUMBER_TYPES,
    Decoded,
    Kind,
    NoNumberError,
    NumberType,
    PayloadError,
    Reader,
    checked,
)
from holdwatch_physics.units import PASCAL_PER_MMHG, PASCAL_PER_PSI

if TYPE_CHECKING:
    from collections.abc import Sequence


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


_MEASUREMENT_LENGTH: Final = 11
_NOT_STATED: Final = 0
_NO_UNCERTAINTY: Final = 0xFF
_SAMPLING: Final = {
    0x00: "unspecified",
    0x01: "instantaneous",
    0x02: "mean",
    0x03: "root mean square",
    0x04: "maximum",
    0x05: "minimum",
    0x06: "accumulated",
    0x07: "count",
}
_PRESENT_VALUES: Final = frozenset({"unspecified", "instantaneous", "mean"})


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a characteristic measures.

    Attributes:
        function: In the format's words: ``instantaneous``, ``mean``, ``maximum``, …
        period_s: Over what time it measures or averages, s; None where not stated.
        interval_s: Time between two values, s; None where not stated.
        uncertainty_percent: Relative uncertainty; None where not stated.
    """

    function: str
    period_s: int | None
    interval_s: int | None
    uncertainty_percent: float | None

    @property
    def is_present_value(self) -> bool:
        """Whether the value tells the present: a maximum of the past hour is no reading."""
        return self.function in _PRESENT_VALUES


def sampling(descriptor: bytes) -> Sampling | None:
    """Return what an ES Measurement descriptor says, or None where it cannot be read.

    Layout, little endian: flags u16, sampling function u8, measurement period u24 s, update
    interval u24 s, application u8, uncertainty u8 in half percent.

    >>> sampling(bytes.fromhex("0000" "02" "0a0000" "3c0000" "03" "04")).interval_s
    60
    """
    if len(descriptor) != _MEASUREMENT_LENGTH:
        return None
    uncertainty = descriptor[10]
    return Sampling(
        _SAMPLING.get(descriptor[2], "reserved"),
        int.from_bytes(descriptor[3:6], "little") or None,
        int.from_bytes(descriptor[6:9], "little") or None,
        None if uncertainty == _NO_UNCERTAINTY else uncertainty / 2.0,
    )


_BY_TIME: Final = frozenset({0x01, 0x02})  # at a fixed interval; not more often than an interval
_ANY_OF: Final = 0x01  # of the configuration descriptor: one trigger is enough


def notifies_by_time(triggers: Sequence[bytes], configuration: bytes) -> bool:
    """Return whether a characteristic notifies without waiting for a certain value.

    A probe that speaks only when its value changes or crosses a limit would look dead on a
    steady hold; such a one is polled as well.

    Args:
        triggers: Its ES Trigger Setting descriptors; the first byte is the condition.
        configuration: Its ES Configuration descriptor; empty where it has none.
    """
    by_time = [bool(trigger) and trigger[0] in _BY_TIME for trigger in triggers]
    if not by_time:
        return True
    any_of = len(configuration) == 1 and configuration[0] == _ANY_OF
    return any(by_time) if any_of else all(by_time)
