"""What every table of the configuration shares: strictness, names, units."""

from __future__ import annotations

from datetime import date  # noqa: TC003 - pydantic reads it at run time
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

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


class CalibrationConfig(Table):
    """What a shop measured of one channel's own error: recorded = said · scale + offset.

    ``offset`` is in ``unit``, or where that is left out in the probe's own.
    """

    offset: float = 0.0
    scale: float = Field(default=1.0, gt=0.5, lt=2.0)
    unit: Annotated[str, unit_of(*PRESSURES, Quantity.TEMPERATURE)] | None = None
    made: date | None = None
    how: str | None = Field(default=None, max_length=200)
