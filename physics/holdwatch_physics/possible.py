"""What a gauge or thermometer can have measured at all; beyond it a figure is a fault."""

from __future__ import annotations

import math
from typing import Final

from holdwatch_physics.reading import SI_UNIT, Quantity

POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    Quantity.TEMPERATURE: (150.0, 500.0),
    # An absolute gauge near its zero may read a little below it, and a gauge in a full vacuum
    # stands one atmosphere below the room.
    Quantity.PRESSURE_ABSOLUTE: (-5_000.0, 5.0e7),
    Quantity.PRESSURE_GAUGE: (-1.2e5, 5.0e7),
}
"""Lowest and highest value, SI: −123 to 227 °C, and up to 500 bar; wide of any air conditioning."""


def impossible(quantity: Quantity, value: float) -> str:
    """Return why a value cannot have been measured, or nothing where it can.

    >>> impossible(Quantity.TEMPERATURE, 294.0)
    ''
    >>> impossible(Quantity.TEMPERATURE, 5000.0)
    '5000 K is outside 150 to 500 K'
    """
    low, high = POSSIBLE[quantity]
    if math.isfinite(value) and low <= value <= high:
        return ""
    unit = SI_UNIT[quantity]
    return f"{value:g} {unit} is outside {low:g} to {high:g} {unit}"
