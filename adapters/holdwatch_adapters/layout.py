"""Declared layouts: where a maker's document says a number lies, in which unit.

One declaration serves a Bluetooth characteristic, Modbus registers, and (without the bytes)
a word in a text: ``Scale`` takes the number to SI, ``Layout`` takes it out of bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

from holdwatch_adapters.numbers import NUMBER_TYPES, Order
from holdwatch_adapters.payload import Decoded, Kind, PayloadError, check_quantity
from holdwatch_physics.reading import Quantity
from holdwatch_physics.units import parse_unit

if TYPE_CHECKING:
    from holdwatch_physics.units import Unit


@lru_cache(maxsize=1024)
def _as_written(figure: float) -> Fraction:
    """Return the shortest decimal that means this float, exactly."""
    return Fraction(str(figure))


@dataclass(frozen=True, slots=True)
class Scale:
    """Takes a declared number to SI: ``si = unit.to_si(number × factor + add)``.

    Attributes:
        channel: What follows the probe's name: ``pressure``, ``temperature``, ``pressure.2``.
        unit: A unit word that says gauge or absolute, for example ``kPaa``.
        factor: Units in one step of the number.
        add: Added after the factor, in units.
    """

    channel: str
    unit: str
    factor: float = 1.0
    add: float = 0.0

    @property
    def parsed(self) -> Unit:
        """The unit itself."""
        return parse_unit(self.unit)

    @property
    def quantity(self) -> Quantity:
        """What a value of this channel measures."""
        return self.parsed.quantity

    @property
    def kind(self) -> Literal["pressure", "temperature"]:
        """Pressure or temperature."""
        return "temperature" if self.quantity is Quantity.TEMPERATURE else "pressure"

    def to_si(self, number: Fraction | float) -> float:
        """Return the value in Pa or K.

        The factor is meant as it is written: 0.1 is a tenth, not the double nearest to it.

        Raises:
            PayloadError: The value cannot exist.
        """
        exact = number if isinstance(number, Fraction) else Fraction(number)
        if self.factor != 1.0:
            exact *= _as_written(self.factor)
        if self.add:
            exact += _as_written(self.add)
        if abs(exact) > 10**12:  # perhaps too large for a float
            raise PayloadError(f"a {self.kind} of more than 10^12 {self.unit} cannot be")
        value_si = self.parsed.to_si(float(exact))
        check_quantity(self.quantity, value_si)
        return value_si


@dataclass(frozen=True, slots=True)
class Layout:
    """Where a number lies in a characteristic's bytes.

    Attributes:
        service: 128-bit UUID of the service, lower case.
        characteristic: 128-bit UUID, lower case.
        scale: Channel, unit and factor.
        type: A word of ``NUMBER_TYPES``.
        offset: Bytes before the number.
        endian: The order of its bytes.
        unknown: Raw integers by which the maker says "not known" or "out of range".
    """

    service: str
    characteristic: str
    scale: Scale
    type: str = "u16"
    offset: int = 0
    endian: Order = "little"
    unknown: tuple[int, ...] = ()

    @property
    def kind(self) -> Kind:
        """Pressure or temperature."""
        return self.scale.kind

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value, or None where the device says that it is not known.

        Raises:
            PayloadError: The payload is too short, or the value cannot exist.
        """
        number = NUMBER_TYPES[self.type]
        end = self.offset + number.length
        if len(payload) < end:
            raise PayloadError(
                f"the declared {self.kind} ends at byte {end}, the payload at byte "
                f"{len(payload)}: is the layout the one of this device?"
            )
        raw = number.read(payload[self.offset : end], self.endian)
        if raw in self.unknown:
            return None
        return Decoded(self.kind, self.scale.to_si(raw))
