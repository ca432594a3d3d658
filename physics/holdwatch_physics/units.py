"""Units of pressure and temperature: reading them, converting them, showing them to people."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from holdwatch_physics.reading import Quantity

__all__ = [
    "PASCAL_PER_INHG",
    "PASCAL_PER_MMHG",
    "PASCAL_PER_PSI",
    "PASCAL_PER_TORR",
    "ZERO_CELSIUS_K",
    "ZERO_FAHRENHEIT_K",
    "Unit",
    "UnitError",
    "absolute_pa",
    "celsius",
    "gauge_pa",
    "parse_unit",
    "show",
]

PASCAL_PER_PSI: Final = 0.45359237 * 9.80665 / 0.0254**2
"""6894.757 Pa: pound (exact) × standard gravity (exact) / inch² (exact); NIST SP 811 B.8."""
PASCAL_PER_TORR: Final = 101325.0 / 760.0
"""133.3224 Pa by definition; NIST SP 811 B.8."""
PASCAL_PER_MMHG: Final = 133.322387415
"""Conventional millimetre of mercury: 13595.1 kg/m³ × 9.80665 m/s²; NIST SP 811 B.8."""
PASCAL_PER_INHG: Final = 3386.388640341
"""Conventional inch of mercury (25.4 mmHg); the 32 °F and 60 °F inches are not used here."""
ZERO_CELSIUS_K: Final = 273.15
"""0 °C, K (exact)."""
ZERO_FAHRENHEIT_K: Final = 459.67 * 5.0 / 9.0
"""0 °F, K."""

_PRESSURE: Final = {
    "Pa": 1.0,
    "kPa": 1e3,
    "bar": 1e5,
    "mbar": 1e2,
    "psi": PASCAL_PER_PSI,
    "inHg": PASCAL_PER_INHG,
    "mmHg": PASCAL_PER_MMHG,
    "Torr": PASCAL_PER_TORR,
    "micron": PASCAL_PER_TORR / 1e3,
}
_BARE_IS_ABSOLUTE: Final = frozenset({"Pa", "Torr", "micron"})
_KIND: Final = {"g": Quantity.PRESSURE_GAUGE, "a": Quantity.PRESSURE_ABSOLUTE}

# Decimals that a shop reads without an uncertainty at hand: about one part in a thousand of
# what the unit is used for, and always the same, so that the figures do not jitter.
_DECIMALS: Final = {
    "Pa": 0,
    "kPa": 1,
    "bar": 3,
    "mbar": 1,
    "psi": 1,
    "inHg": 2,
    "mmHg": 1,
    "Torr": 2,
    "micron": 0,
    "degC": 1,
    "degF": 1,
    "K": 1,
}
_MOST_DECIMALS: Final = 6
_MINUS: Final = "\N{MINUS SIGN}"
_NO_VALUE: Final = "\N{EM DASH}"


class UnitError(ValueError):
    """A unit word that cannot be used; the message says how to mend it."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit and the line that takes it to SI: ``si = x · factor + offset``.

    Attributes:
        name: The word as a trace or recipe writes it, for example ``kPag``.
        quantity: What a value in this unit measures.
        factor: SI units (Pa or K) in one of this unit.
        offset: SI value of this unit's zero.
        stem: The word without its ``g`` or ``a``.
    """

    name: str
    quantity: Quantity
    factor: float
    offset: float
    stem: str

    def to_si(self, x: float) -> float:
        """Return ``x`` in Pa or K; for Pa and K exactly ``x``.

        >>> parse_unit("psig").to_si(100.0)
        689475.7293168361
        """
        scaled = x * self.factor
        # -0.0 + 0.0 is 0.0: without this, a trace read back would differ in one character.
        return scaled + self.offset if self.offset else scaled

    def from_si(self, si: float) -> float:
        """Return a value of Pa or K in this unit; for Pa and K exactly ``si``."""
        shifted = si - self.offset if self.offset else si
        return shifted / self.factor

    def delta_to_si(self, x: float) -> float:
        """Return a difference (resolution, noise, span) in Pa or K: the zero plays no part.

        >>> round(parse_unit("degF").delta_to_si(1.8), 12)
        1.0
        """
        return x * self.factor

    def delta_from_si(self, si: float) -> float:
        """Return a difference of Pa or K in this unit."""
        return si / self.factor

    @property
    def label(self) -> str:
        """How people read the unit: ``kPa (gauge)``, ``kPa (absolute)``, ``°C``, ``micron``."""
        if self.quantity is Quantity.TEMPERATURE:
            return {"degC": "°C", "degF": "°F"}.get(self.stem, self.stem)
        if self.quantity is Quantity.PRESSURE_GAUGE:
            return f"{self.stem} (gauge)"
        return self.stem if self.stem in _BARE_IS_ABSOLUTE else f"{self.stem} (absolute)"


def _all_units() -> dict[str, Unit]:
    """Build every accepted unit word once."""
    units = {
        "K": Unit("K", Quantity.TEMPERATURE, 1.0, 0.0, "K"),
        "degC": Unit("degC", Quantity.TEMPERATURE, 1.0, ZERO_CELSIUS_K, "degC"),
        "degF": Unit("degF", Quantity.TEMPERATURE, 5.0 / 9.0, ZERO_FAHRENHEIT_K, "degF"),
    }
    for stem, factor in _PRESSURE.items():
        for letter, quantity in _KIND.items():
            units[stem + letter] = Unit(stem + letter, quantity, factor, 0.0, stem)
        if stem in _BARE_IS_ABSOLUTE:
            units[stem] = Unit(stem, Quantity.PRESSURE_ABSOLUTE, factor, 0.0, stem)
    return units


_UNITS: Final = _all_units()
_BY_LOWER_CASE: Final = {name.lower(): name for name in _UNITS}


def parse_unit(text: str) -> Unit:
    """Return the unit that a word names.

    Pressures are ``Pa kPa bar mbar psi inHg mmHg Torr micron`` with ``g`` (gauge) or ``a``
    (absolute) appended; bare ``Pa``, ``Torr`` and ``micron`` are absolute. Temperatures are
    ``degC degF K``.

    Raises:
        UnitError: the word is not one of these; the message says what to write.

    >>> parse_unit("kPag").quantity.value
    'pressure_gauge'
    >>> parse_unit("bar")
    Traceback (most recent call last):
    holdwatch_physics.units.UnitError: unit 'bar' does not say gauge or absolute: write barg or bara
    """
    word = text.strip()
    unit = _UNITS.get(word)
    if unit is not None:
        return unit
    if word in _PRESSURE:
        raise UnitError(f"unit {word!r} does not say gauge or absolute: write {word}g or {word}a")
    meant = _BY_LOWER_CASE.get(word.lower())
    if meant is not None:
        raise UnitError(f"unknown unit {word!r}: write {meant}")
    raise UnitError(
        f"unknown unit {word!r}: write one of {' '.join(_PRESSURE)} with g (gauge) or "
        "a (absolute) appended, or degC, degF, K"
    )


def absolute_pa(value_pa: float, measured: Quantity, room_pa: float) -> float:
    """Return a pressure above vacuum, Pa, whichever of the two it was measured as.

    A gauge at its zero in a deep vacuum may read a few pascals too low, so that the sum is
    slightly negative; that is kept, since clipping it would bias a mean.

    Args:
        value_pa: The pressure as it was measured, Pa.
        measured: Whether that is above vacuum or above the room.
        room_pa: The pressure of the room, Pa.

    >>> absolute_pa(-5_000.0, Quantity.PRESSURE_GAUGE, 79_500.0)
    74500.0
    """
    return value_pa + room_pa if measured is Quantity.PRESSURE_GAUGE else value_pa


def gauge_pa(value_pa: float, measured: Quantity, room_pa: float) -> float:
    """Return a pressure above the room's, Pa, whichever of the two it was measured as.

    Args:
        value_pa: The pressure as it was measured, Pa.
        measured: Whether that is above vacuum or above the room.
        room_pa: The pressure of the room, Pa.

    >>> gauge_pa(74_500.0, Quantity.PRESSURE_ABSOLUTE, 79_500.0)
    -5000.0
    """
    return value_pa if measured is Quantity.PRESSURE_GAUGE else value_pa - room_pa


def celsius(t_k: float) -> float:
    """Return a temperature in °C, for messages."""
    return t_k - ZERO_CELSIUS_K


def _decimals_for(uncertainty: float) -> int:
    """Return the decimals that an uncertainty justifies: two digits of it below 2, else one."""
    exponent = math.floor(math.log10(uncertainty))
    leading = uncertainty / 10.0**exponent
    return min(_MOST_DECIMALS, (1 if leading < 2.0 else 0) - exponent)


def show(value_si: float, unit: Unit, uncertainty_si: float | None = None) -> tuple[str, str]:
    """Return a value as people read it: its digits in ``unit``, and the unit's label.

    Without an uncertainty the decimals are fixed for each unit, so that a live figure does not
    jitter; with one, no digit is shown that it does not support.

    >>> show(1_512_345.0, parse_unit("kPag"))
    ('1512.3', 'kPa (gauge)')
    >>> show(268.16, parse_unit("degC"))
    ('−5.0', '°C')
    >>> show(1_512_345.0, parse_unit("kPag"), uncertainty_si=3_000.0)
    ('1512', 'kPa (gauge)')
    """
    value = unit.from_si(value_si)
    if not math.isfinite(value):
        return _NO_VALUE, unit.label
    decimals = _DECIMALS[unit.stem]
    if uncertainty_si is not None and math.isfinite(uncertainty_si) and uncertainty_si > 0.0:
        decimals = _decimals_for(unit.delta_from_si(uncertainty_si))
    # Adding 0.0 turns a rounded -0.0 into 0.0: nobody reads "minus nothing".
    text = f"{round(value, decimals) + 0.0:.{max(decimals, 0)}f}"
    return text.replace("-", _MINUS), unit.label
