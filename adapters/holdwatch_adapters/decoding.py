"""Decodes numbers out of bytes and texts, and refuses what no device can mean.

Integers of any width, IEEE 754 and IEEE 11073 come out exact; what a format reserves for "no
number" comes out as ``NoNumberError``, so that it never becomes a reading.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal, NamedTuple, Protocol

from holdwatch_physics.reading import POSSIBLE, Quantity

__all__ = [
    "ABSOLUTE_MIN_PA",
    "GAUGE_MIN_PA",
    "NUMBER_TYPES",
    "PRESSURE_MAX_PA",
    "TEMPERATURE_MAX_K",
    "Decoded",
    "EncryptedError",
    "Form",
    "Kind",
    "NoNumberError",
    "NumberType",
    "Order",
    "PayloadError",
    "Reader",
    "RefusedError",
    "check_quantity",
    "checked",
    "plain_number",
]

Kind = Literal["pressure", "temperature", "battery"]
"""The quantities that holdwatch reads off a device."""

ABSOLUTE_MIN_PA: Final = POSSIBLE[Quantity.PRESSURE_ABSOLUTE][0]
GAUGE_MIN_PA, PRESSURE_MAX_PA = POSSIBLE[Quantity.PRESSURE_GAUGE]
"""The ends of what a pressure can be. A device whose sensor is gone often sends all ones, far
above them."""
TEMPERATURE_MAX_K: Final = 5.0e3
"""Hotter than any flame (rule of ours): only a broken payload says so."""


class PayloadError(ValueError):
    """A payload is not what its format says; the message is one sentence for a person."""


class EncryptedError(PayloadError):
    """A payload is encrypted and no key is known for its sender."""


class RefusedError(PayloadError):
    """A payload reads well but its sender is not believed: wrong key, replay, impostor."""


class Decoded(NamedTuple):
    """One value out of a payload.

    Attributes:
        kind: What it measures. Whether a pressure is absolute or gauge no payload says:
            the probe's declaration says it.
        value_si: Pa, K, or percent of charge for ``battery``.
    """

    kind: Kind
    value_si: float


class Reader(Protocol):
    """Reads the values of one characteristic."""

    @property
    def kind(self) -> Kind:
        """What the characteristic measures."""
        ...

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value, or None where the device says that it is not known.

        Raises:
            PayloadError: The payload is not what it should be, or its value cannot exist.
        """
        ...


def checked(kind: Kind, value_si: float) -> Decoded:
    """Return the value, or refuse what cannot exist.

    Raises:
        PayloadError: The value is below absolute zero, outside ``GAUGE_MIN_PA`` to
            ``PRESSURE_MAX_PA``, not finite, or a charge above 100 percent.
    """
    _check(kind, value_si)
    return Decoded(kind, value_si)


def _check(kind: Kind, value_si: float) -> None:
    if not math.isfinite(value_si):
        raise PayloadError(f"a {kind} of {value_si} is not a number")
    if kind == "temperature" and not 0.0 <= value_si <= TEMPERATURE_MAX_K:
        side = "below absolute zero" if value_si < 0.0 else "hotter than any flame"
        raise PayloadError(f"a temperature of {value_si - 273.15:g} °C is {side}")
    if kind == "pressure" and not GAUGE_MIN_PA <= value_si <= PRESSURE_MAX_PA:
        raise PayloadError(
            f"a pressure of {value_si:g} Pa is outside {GAUGE_MIN_PA:g} to {PRESSURE_MAX_PA:g} "
            "Pa: is the probe's sensor broken or unplugged?"
        )
    if kind == "battery" and not 0.0 <= value_si <= 100.0:
        raise PayloadError(f"a battery charge of {value_si:g} % is outside 0 to 100 %")


def check_quantity(quantity: Quantity, value_si: float) -> None:
    """Refuse a value that its quantity cannot have.

    Raises:
        PayloadError: See ``checked``; also an absolute pressure below ``ABSOLUTE_MIN_PA``.
    """
    if quantity is Quantity.TEMPERATURE:
        _check("temperature", value_si)
        return
    _check("pressure", value_si)
    if quantity is Quantity.PRESSURE_ABSOLUTE and value_si < ABSOLUTE_MIN_PA:
        raise PayloadError(
            f"an absolute pressure of {value_si:g} Pa is below zero: does the probe measure "
            "gauge pressure? Then its pressure_reference is vented or sealed"
        )


Order = Literal["little", "big"]
Form = Literal["integer", "ieee754", "ieee11073"]


class NoNumberError(PayloadError):
    """The device says that it has no number: not known, not at this resolution, infinite."""


@dataclass(frozen=True, slots=True)
class NumberType:
    """One way to lay a number out.

    Attributes:
        name: The word of a declared layout, for example ``u16``.
        length: Bytes.
        bits: Bits that count, the low ones; the others are ignored.
        signed: Whether an integer is two's complement.
        form: Integer, IEEE 754 binary float, or IEEE 11073 decimal float.
    """

    name: str
    length: int
    bits: int
    signed: bool = False
    form: Form = "integer"

    @property
    def ends(self) -> tuple[int, ...]:
        """Raw integers at the far end of the format: a sensor that saturates or has no value."""
        if self.form != "integer":
            return ()
        if self.signed:
            return (-(1 << (self.bits - 1)), (1 << (self.bits - 1)) - 1)
        return ((1 << self.bits) - 1,)

    def read(self, data: bytes, order: Order = "little") -> Fraction:
        """Return the number in exactly ``length`` bytes.

        Raises:
            NoNumberError: NaN, infinity, or another of the format's words for "no number".
            PayloadError: The number of bytes is wrong.

        >>> NUMBER_TYPES["s16"].read(bytes.fromhex("18fc"))
        Fraction(-1000, 1)
        """
        if len(data) != self.length:
            raise PayloadError(
                f"a value of type {self.name} has {self.length} bytes, not {len(data)} "
                f"({bytes(data[:20]).hex() or 'empty'})"
            )
        if self.form == "ieee754":
            return _ieee754(data, order)
        raw = int.from_bytes(data, order) & ((1 << self.bits) - 1)
        if self.form == "ieee11073":
            return _ieee11073(raw, self.bits)
        return Fraction(_signed(raw, self.bits) if self.signed else raw)


def _integer(bits: int, *, signed: bool) -> NumberType:
    return NumberType(f"{'s' if signed else 'u'}{bits}", (bits + 7) // 8, bits, signed)


NUMBER_TYPES: Final[dict[str, NumberType]] = {
    kind.name: kind
    for kind in (
        *(_integer(bits, signed=False) for bits in (8, 12, 16, 24, 32, 48, 64)),
        *(_integer(bits, signed=True) for bits in (8, 12, 16, 24, 32, 48, 64)),
        NumberType("f32", 4, 32, form="ieee754"),
        NumberType("f64", 8, 64, form="ieee754"),
        NumberType("medfloat16", 2, 16, form="ieee11073"),
        NumberType("medfloat32", 4, 32, form="ieee11073"),
    )
}
"""Every type by the word that a declared layout uses."""


def _signed(raw: int, bits: int) -> int:
    return raw - (1 << bits) if raw >> (bits - 1) else raw


def _ieee754(data: bytes, order: Order) -> Fraction:
    letter = "f" if len(data) == 4 else "d"
    (number,) = struct.unpack(f"{'<' if order == 'little' else '>'}{letter}", data)
    if not math.isfinite(number):
        raise NoNumberError(f"the probe sent {number} where a number should stand")
    return Fraction(number)


# IEEE 11073-20601: the mantissas that mean no number, by what they mean.
_SPECIAL_16: Final = {0x07FF: "NaN", 0x0800: "NRes", 0x07FE: "+INF", 0x0802: "-INF"}
_SPECIAL_32: Final = {0x7FFFFF: "NaN", 0x800000: "NRes", 0x7FFFFE: "+INF", 0x800002: "-INF"}
_RESERVED_16: Final = 0x0801
_RESERVED_32: Final = 0x800001


def _ieee11073(raw: int, bits: int) -> Fraction:
    """Return mantissa × 10^exponent; both are two's complement (IEEE 11073-20601).

    The special mantissas mean no number at any exponent: with another exponent than 0 the
    value would lie at the end of the format, where no sensor of ours measures.
    """
    mantissa_bits = 12 if bits == 16 else 24
    mantissa = raw & ((1 << mantissa_bits) - 1)
    special, reserved = (_SPECIAL_16, _RESERVED_16) if bits == 16 else (_SPECIAL_32, _RESERVED_32)
    if mantissa in special or mantissa == reserved:
        word = special.get(mantissa, "a reserved word")
        raise NoNumberError(f"the probe sent {word} where a number should stand")
    exponent = _signed(raw >> mantissa_bits, bits - mantissa_bits)
    return Fraction(_signed(mantissa, mantissa_bits)) * Fraction(10) ** exponent


_PLAIN: Final = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?", re.ASCII)
_LONGEST_NUMBER: Final = 40


def plain_number(text: str) -> float:
    """Return a number written in ASCII digits with a decimal point.

    Stricter than ``float``: no ``nan``, ``inf``, underscores or foreign digits.

    Raises:
        PayloadError: The text is no such number.

    >>> plain_number(" -0.5e2 ")
    -50.0
    """
    word = text.strip()
    if len(word) > _LONGEST_NUMBER or not _PLAIN.fullmatch(word):
        raise PayloadError(f"{word[:_LONGEST_NUMBER]!r} is not a number such as 101.325")
    number = float(word)
    if not math.isfinite(number):
        raise PayloadError(f"{word!r} is too large a number")
    return number
