"""The units in which a shop or a screen wants to read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from holdwatch_physics.reading import Quantity
from holdwatch_physics.units import UnitError, parse_unit

if TYPE_CHECKING:
    from holdwatch_physics.units import Unit


@dataclass(frozen=True, slots=True)
class Units:
    """The unit of each kind of figure, by the words of :func:`parse_unit`.

    Attributes:
        pressure: Of pressures under test gas and of their changes, for example ``kPag``.
        vacuum: Of a vacuum and its rise, for example ``micron``.
        temperature: Of temperatures, ``degC``, ``degF`` or ``K``.

    Raises:
        UnitError: A word is no unit of its kind; the message says which are.
    """

    pressure: str = "kPag"
    vacuum: str = "micron"
    temperature: str = "degC"

    def __post_init__(self) -> None:
        for name in ("pressure", "vacuum"):
            if parse_unit(getattr(self, name)).quantity is Quantity.TEMPERATURE:
                raise UnitError(f"{name}: {getattr(self, name)} is no unit of pressure")
        if parse_unit(self.temperature).quantity is not Quantity.TEMPERATURE:
            raise UnitError(f"temperature: {self.temperature} is no unit of temperature")

    @classmethod
    def parse(cls, text: str, usual: Self | None = None) -> Self:
        """Return the units that one line names, pressure, vacuum, temperature.

        What is left empty is as ``usual`` has it.

        >>> Units.parse("psig,,degF")
        Units(pressure='psig', vacuum='micron', temperature='degF')

        Raises:
            UnitError: They are not three, or one is no unit of its kind.
        """
        words = [word.strip() for word in text.split(",")]
        if len(words) != 3:
            raise UnitError(
                "units are three words, pressure, vacuum, temperature: for example "
                f"kPag,micron,degC (got {text!r})"
            )
        kept = usual or cls()
        pressure, vacuum, temperature = words
        return cls(
            pressure or kept.pressure, vacuum or kept.vacuum, temperature or kept.temperature
        )

    def of(self, default: Unit) -> Unit:
        """Return the unit to read a figure in that is usually written in ``default``.

        A figure in micron or Pa is one of a vacuum; in kPa, of a pressure.
        """
        if default.quantity is Quantity.TEMPERATURE:
            return parse_unit(self.temperature)
        return parse_unit(self.vacuum if default.stem in {"micron", "Pa"} else self.pressure)
