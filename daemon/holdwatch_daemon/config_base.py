"""What every table of the configuration shares: strictness, names, units."""

from __future__ import annotations

from pydantic import BaseModel, BeforeValidator, ConfigDict

from holdwatch_physics.reading import Quantity
from holdwatch_physics.units import UnitError, parse_unit

NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$"
"""Names that stand in MQTT topics and web addresses: letters, digits, ``-`` and ``_``."""
PRESSURES = (Quantity.PRESSURE_GAUGE, Quantity.PRESSURE_ABSOLUTE)


class Table(BaseModel):
    """Base of every table: unknown keys are errors, instances do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def unit_of(*quantities: Quantity) -> BeforeValidator:
    """Return the check of a unit word that measures one of these quantities."""

    def check(text: object) -> str:
        try:
            unit = parse_unit(str(text))
        except UnitError as error:
            raise ValueError(str(error)) from error
        if unit.quantity not in quantities:
            wanted = " or ".join(quantity.replace("_", " ") for quantity in quantities)
            message = f"unit {unit.name!r} is not one of {wanted}"
            raise ValueError(message)
        return unit.name

    return BeforeValidator(check)
