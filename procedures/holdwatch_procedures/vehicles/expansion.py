"""Computes an internal volume by expansion: nitrogen from a known bottle into the vacuum."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Final, Protocol

from holdwatch_physics.units import ZERO_CELSIUS_K
from holdwatch_procedures.vehicles.validation import Row, VehicleError
from holdwatch_procedures.vehicles.vehicle import InternalVolume

if TYPE_CHECKING:
    from datetime import date

    from holdwatch_procedures.vehicles.vehicle import Vehicle

GAS: Final = "nitrogen"
MOST_RESIDUAL_SHARE: Final = 0.02
"""Pressure left in the unit over the pressure after expansion, at most: above it the unit was not
evacuated, and what is in it may be no nitrogen."""
LEAST_DROP_SHARE: Final = 0.02
"""The bottle must lose at least this share of its pressure, else nothing is measured."""
MOST_RELATIVE_U: Final = 0.5
_COLDEST_K, _HOTTEST_K = 233.15, 353.15

STEPS: Final = (
    "Recover the refrigerant; evacuate the unit and the hose to the bottle; shut off the pump.",
    "Fill the bottle with dry nitrogen by a regulator, not above the unit's highest pressure.",
    "Wait until the bottle's pressure and temperature stand still (about 10 min); take both.",
    "Take the pressure left in the unit and the temperature of its pipes.",
    "Open the bottle into the unit slowly; wait until the pressure stands still again.",
    "Take the pressure and the temperatures of bottle and pipes.",
)
"""What the bay screen asks for, in order."""

CAUTIONS: Final = (
    "Eye protection. Nitrogen only, by regulator and relief device: never oxygen, never air.",
    "Never above the highest allowed pressure of the lowest-rated part. Local codes come first.",
)
"""Shown beside the steps."""


class GasDensity(Protocol):
    """What is asked of fluid properties; ``Fluids`` answers it."""

    def molar_density(self, of: str, p_pa: float, t_k: float) -> float:
        """Return the molar density of the gas, mol/m³."""
        ...


@dataclass(frozen=True, slots=True)
class Bottle:
    """The known volume, with its valve, m³, and its standard uncertainty."""

    volume_m3: float
    u_m3: float


@dataclass(frozen=True, slots=True)
class ExpansionReadings:
    """What was read; pressures absolute, Pa; temperatures of the gas, K.

    Attributes:
        bottle_before_pa: In the bottle before it is opened.
        bottle_before_k: Temperature there then.
        unit_before_pa: Left in the evacuated unit.
        after_pa: In both once the pressure stands still.
        bottle_after_k: Temperature of the bottle then.
        unit_k: Temperature of the unit's pipes then.
        hose_m3: Volume of the hose between both, which is not the unit's.
    """

    bottle_before_pa: float
    bottle_before_k: float
    unit_before_pa: float
    after_pa: float
    bottle_after_k: float
    unit_k: float
    hose_m3: float = 0.0


@dataclass(frozen=True, slots=True)
class Instruments:
    """Standard uncertainties of what was read.

    One gauge reads the pressure before and after, so its scale and its zero are common to both;
    likewise one thermometer the bottle. What is left in the unit is read by the vacuum gauge.

    Attributes:
        reading_pa: Of each pressure reading on its own (noise, resolution), Pa.
        zero_pa: Of the gauge's zero with the barometer, Pa.
        left_pa: Of the vacuum left in the unit, Pa.
        scale: Relative, of the gauge's scale.
        bottle_k: Of the bottle's gas temperature, both times alike, K.
        settling_k: Of what the gas in the bottle still was off its wall after expansion, K.
        unit_k: Of the unit's gas temperature, K.
        hose_m3: Of the hose's volume, m³.
    """

    reading_pa: float = 200.0
    zero_pa: float = 500.0
    left_pa: float = 20.0
    scale: float = 0.0025
    bottle_k: float = 0.5
    settling_k: float = 0.3
    unit_k: float = 1.0
    hose_m3: float = 5e-6


@dataclass(frozen=True, slots=True)
class ExpandedVolume:
    """The unit's volume with its standard uncertainty, m³, and where that comes from.

    ``budget`` names each source with its share of the standard uncertainty, m³, largest first.
    """

    volume_m3: float
    u_m3: float
    budget: tuple[tuple[str, float], ...]

    @property
    def relative_u(self) -> float:
        """Relative standard uncertainty."""
        return self.u_m3 / self.volume_m3

    def as_internal_volume(self, on: date) -> InternalVolume:
        """Return the row that a unit keeps and every later hold uses.

        Raises:
            VehicleError: So uncertain that a class table would serve better.
        """
        if self.relative_u > MOST_RELATIVE_U:
            raise VehicleError(
                f"the volume is uncertain by {100 * self.relative_u:.0f} %: measure again with a "
                "larger bottle or at a higher pressure"
            )
        return InternalVolume(
            litres=self.volume_m3 * 1e3,
            relative_u=self.relative_u,
            how="measured",
            source="nitrogen expansion",
            measured_on=on,
        )


def expanded_volume(
    fluids: GasDensity,
    bottle: Bottle,
    readings: ExpansionReadings,
    instruments: Instruments | None = None,
) -> ExpandedVolume:
    """Return the unit's volume from an expansion, with its uncertainty by the GUM.

    The nitrogen that left the bottle, V_b (ρ₁ − ρ₂), now stands in unit and hose:
    V = V_b (ρ₁ − ρ₂)/(ρ_unit − ρ_left) − V_hose, each ρ(p, T) the real gas's. The uncertainty is
    the root of the sum of the squared shares of every input (GUM 5.1.2), each from a central
    difference of one standard uncertainty.

    Raises:
        VehicleError: Readings that cannot belong to such an expansion.
        FluidError: A state outside the equation's range.
    """
    known = instruments or Instruments()
    _check(bottle, readings, known)
    volume = _volume(fluids, bottle, readings)
    if volume <= 0.0:
        raise VehicleError(
            "hose and readings leave no volume for the unit: check the hose's volume and the units"
        )
    budget = sorted(
        (
            (name, 0.5 * abs(_shifted(fluids, bottle, readings, up) - volume)
             + 0.5 * abs(_shifted(fluids, bottle, readings, down) - volume))
            for name, up, down in _shifts(bottle, readings, known)
        ),
        key=lambda share: -share[1],
    )  # fmt: skip
    u = math.sqrt(sum(share * share for _, share in budget))
    return ExpandedVolume(volume, u, tuple(budget))


def expected_pressure(bottle_pa: float, bottle_m3: float, unit_m3: float) -> float:
    """Return about what both will stand at after expansion, Pa absolute (ideal gas, one room).

    >>> round(expected_pressure(1.1e6, 1e-3, 2.5e-3))
    314286
    """
    return bottle_pa * bottle_m3 / (bottle_m3 + unit_m3)


@dataclass(frozen=True, slots=True)
class _Shift:
    """What one source of error does to the inputs."""

    before_pa: float = 0.0
    left_pa: float = 0.0
    after_pa: float = 0.0
    before_k: float = 0.0
    after_k: float = 0.0
    unit_k: float = 0.0
    hose_m3: float = 0.0
    bottle_m3: float = 0.0

    def turned(self) -> _Shift:
        """Return the same error the other way round."""
        return _Shift(*(-getattr(self, field.name) for field in fields(self)))


def _shifts(
    bottle: Bottle, read: ExpansionReadings, known: Instruments
) -> list[tuple[str, _Shift, _Shift]]:
    """Return every source of error with what one standard uncertainty of it moves."""
    scale = known.scale
    sources = {
        "bottle volume": _Shift(bottle_m3=bottle.u_m3),
        "first pressure reading": _Shift(before_pa=known.reading_pa),
        "last pressure reading": _Shift(after_pa=known.reading_pa),
        "gauge zero": _Shift(before_pa=known.zero_pa, after_pa=known.zero_pa),
        "pressure left in the unit": _Shift(left_pa=known.left_pa),
        "gauge scale": _Shift(
            before_pa=scale * read.bottle_before_pa, after_pa=scale * read.after_pa
        ),
        "bottle temperature": _Shift(before_k=known.bottle_k, after_k=known.bottle_k),
        "bottle still settling": _Shift(after_k=known.settling_k),
        "pipe temperature": _Shift(unit_k=known.unit_k),
        "hose volume": _Shift(hose_m3=known.hose_m3),
    }
    return [(name, shift, shift.turned()) for name, shift in sources.items()]


def _shifted(fluids: GasDensity, bottle: Bottle, read: ExpansionReadings, by: _Shift) -> float:
    moved = ExpansionReadings(
        bottle_before_pa=read.bottle_before_pa + by.before_pa,
        bottle_before_k=read.bottle_before_k + by.before_k,
        unit_before_pa=max(read.unit_before_pa + by.left_pa, 0.0),
        after_pa=read.after_pa + by.after_pa,
        bottle_after_k=read.bottle_after_k + by.after_k,
        unit_k=read.unit_k + by.unit_k,
        hose_m3=read.hose_m3 + by.hose_m3,
    )
    return _volume(fluids, replace(bottle, volume_m3=bottle.volume_m3 + by.bottle_m3), moved)


def _volume(fluids: GasDensity, bottle: Bottle, read: ExpansionReadings) -> float:
    before = fluids.molar_density(GAS, read.bottle_before_pa, read.bottle_before_k)
    after = fluids.molar_density(GAS, read.after_pa, read.bottle_after_k)
    inside = fluids.molar_density(GAS, read.after_pa, read.unit_k)
    left = (
        fluids.molar_density(GAS, read.unit_before_pa, read.unit_k)
        if read.unit_before_pa > 0.0
        else 0.0
    )
    return bottle.volume_m3 * (before - after) / (inside - left) - read.hose_m3


def _check(bottle: Bottle, read: ExpansionReadings, known: Instruments) -> None:
    """Refuse readings that cannot belong to an expansion.

    Raises:
        VehicleError: Which reading, and what to do.
    """
    figures = [
        getattr(part, field.name) for part in (bottle, read, known) for field in fields(part)
    ]
    if not all(math.isfinite(figure) and figure >= 0.0 for figure in figures):
        raise VehicleError("every reading and uncertainty of an expansion must be 0 or more")
    if bottle.volume_m3 <= 0.0:
        raise VehicleError("the bottle's volume must be above 0 m³")
    for name in ("bottle_before_k", "bottle_after_k", "unit_k"):
        kelvin = getattr(read, name)
        if not _COLDEST_K <= kelvin <= _HOTTEST_K:
            raise VehicleError(f"`{name}` is {kelvin:.1f} K: between -40 and 80 °C was expected")
    if read.after_pa > (1.0 - LEAST_DROP_SHARE) * read.bottle_before_pa:
        raise VehicleError(
            f"the bottle went from {read.bottle_before_pa / 1e3:.1f} to {read.after_pa / 1e3:.1f} "
            "kPa absolute only: is a valve still closed, or the bottle far too large?"
        )
    if read.unit_before_pa > MOST_RESIDUAL_SHARE * read.after_pa:
        raise VehicleError(
            f"{read.unit_before_pa / 1e3:.2f} kPa absolute stood in the unit before the expansion: "
            "evacuate it first, what is in it may be no nitrogen"
        )


class Expansion(Row):
    """What was read at an expansion, in the units of the shop's gauges.

    Attributes:
        bottle_l: The bottle with its valve, litres.
        bottle_u_ml: Standard uncertainty of that, ml.
        before_kpa_g: In the bottle before it was opened, kPa gauge.
        before_c: The bottle's temperature then, °C.
        left_pa: Left in the evacuated unit, Pa absolute.
        after_kpa_g: In both once it stood still, kPa gauge.
        after_c: The bottle's temperature then, °C.
        pipe_c: The unit's pipes then, °C.
        barometer_kpa: The room, kPa absolute.
        hose_ml: The hose between both, ml.
    """

    bottle_l: float
    bottle_u_ml: float = 5.0
    before_kpa_g: float
    before_c: float
    left_pa: float
    after_kpa_g: float
    after_c: float
    pipe_c: float
    barometer_kpa: float
    hose_ml: float = 0.0


def read_expansion(fluids: GasDensity, read: Expansion, unit: Vehicle) -> ExpandedVolume:
    """Return the volume that an expansion tells.

    Raises:
        VehicleError: The bottle was above the unit's highest pressure, or readings that cannot
            belong to an expansion.
    """
    limit = unit.max_pressure_kpa_g
    if limit is not None and read.before_kpa_g > limit:
        raise VehicleError(
            f"the bottle held {read.before_kpa_g:g} kPa gauge, {unit.name} may bear {limit:g}: "
            "fill it lower, so that no valve can let more in than is allowed"
        )
    room = 1e3 * read.barometer_kpa
    readings = ExpansionReadings(
        bottle_before_pa=1e3 * read.before_kpa_g + room,
        bottle_before_k=read.before_c + ZERO_CELSIUS_K,
        unit_before_pa=read.left_pa,
        after_pa=1e3 * read.after_kpa_g + room,
        bottle_after_k=read.after_c + ZERO_CELSIUS_K,
        unit_k=read.pipe_c + ZERO_CELSIUS_K,
        hose_m3=read.hose_ml / 1e6,
    )
    bottle = Bottle(read.bottle_l / 1e3, read.bottle_u_ml / 1e6)
    return expanded_volume(fluids, bottle, readings)
