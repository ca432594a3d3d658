"""Properties of real gases and refrigerants, checked for range; tables first, else equations."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_physics.equations import Equations
from holdwatch_physics.fluid_tables import FluidTable, Isotherm, read_tables
from holdwatch_physics.substances import (
    Fluid,
    FluidError,
    Gas,
    Refrigerant,
    SafetyGroup,
    fluid,
    gas,
    refrigerant,
)
from holdwatch_physics.units import celsius

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = [
    "R_GAS",
    "FlowState",
    "Fluid",
    "FluidError",
    "Fluids",
    "Gas",
    "Refrigerant",
    "SafetyGroup",
    "fluid",
    "gas",
    "refrigerant",
    "wall_exponent",
]

R_GAS: Final = 8.31446261815324
"""Molar gas constant, J/(mol·K), exact since 2019 (CODATA)."""

_EXPANSION: Final = {"copper": 17e-6, "aluminium": 23e-6, "rigid": 0.0}
_EXPANSION_U: Final = 0.5e-6
"""Standard uncertainty of a named metal's coefficient across its alloys, 1/K (from memory)."""


@dataclass(frozen=True, slots=True)
class FlowState:
    """A single-phase state as a flow through a leak sees it.

    Attributes:
        pressure_pa: Pa.
        dp_drho: Slope of pressure over molar density at constant temperature, J/mol.
        viscosity: Pa·s.
    """

    pressure_pa: float
    dp_drho: float
    viscosity: float


class Fluids:
    """Real-gas properties by fluid name or constant; build one with :meth:`Fluids.load`.

    A fluid is given as a :class:`Refrigerant`, a :class:`Gas` or a name of either. Pressures
    are absolute, Pa; temperatures K; densities mol/m³. Every method raises :class:`FluidError`
    for a state that it cannot compute, and says which states it can.

    A workshop's states come from shipped tables (see ``fluid_tables``), any other from the
    equations of state that the tables were fitted to, whose library is loaded at the first such
    question: 3 to 4 s, once. Which of the two answers depends on the arguments alone: the same
    call gives the same bits whatever was computed before it. An object may be shared between
    threads.
    """

    def __init__(self, tables: Mapping[str, FluidTable], equations: Equations) -> None:
        """Take the tables and what answers beyond them; see :meth:`load`."""
        self.equations = equations
        self._tables = tables
        self._isotherms: dict[str, Isotherm] = {}  # the last one of each fluid: asked many times

    @classmethod
    def load(cls) -> Fluids:
        """Read the tables: some milliseconds."""
        return cls(read_tables(), Equations())

    def is_tabled(self, of: Fluid | str, t_k: float, *, kg_per_m3: float | None = None) -> bool:
        """Tell whether a leak of the fluid's gas is restated without the equations of state.

        Args:
            of: The fluid.
            t_k: Its temperature, K.
            kg_per_m3: Its density, kg/m³; None for saturated vapour.
        """
        it = _resolve(of)
        if kg_per_m3 is not None and not _can_condense(it, t_k):
            return self._isotherm_at(it, kg_per_m3 / it.molar_mass, t_k) is not None
        boiling = self._table(it).boiling
        densities = None if boiling is None else boiling.densities(t_k)
        return densities is not None and self._isotherm_at(it, densities[1], t_k) is not None

    # -- saturation ---------------------------------------------------------------------------

    def saturation_pressure_pa(self, of: Fluid | str, t_k: float) -> tuple[float, float]:
        """Return the (bubble, dew) pressure at a temperature, Pa; equal for a pure fluid.

        Raises:
            FluidError: the fluid has no liquid and vapour side by side at ``t_k``.
        """
        it = self._saturated(of, t_k)
        boiling = self._table(it).boiling
        found = None if boiling is None else boiling.pressures(t_k)
        return self.equations.saturation_pressures(it, t_k) if found is None else found

    def saturation_temperature_k(self, of: Fluid | str, p_pa: float) -> tuple[float, float]:
        """Return the (bubble, dew) temperature at a pressure, K; equal for a pure fluid.

        Raises:
            FluidError: the pressure is not between the fluid's triple and critical points.
        """
        it = _resolve(of)
        table = self._table(it)
        low, high = table.limits.boils_from_pa, table.limits.p_critical_pa
        if not low <= p_pa < high:
            raise FluidError(
                f"{it.name} has no saturation at {p_pa / 1e3:.4g} kPa absolute: it boils between "
                f"{low / 1e3:.4g} and {high / 1e3:.5g} kPa absolute"
            )
        found = None if table.boiling is None else table.boiling.temperatures(p_pa)
        return self.equations.saturation_temperatures(it, p_pa) if found is None else found

    def saturation_density(self, of: Fluid | str, t_k: float) -> tuple[float, float]:
        """Return the molar density of the (boiling liquid, dry vapour) at ``t_k``, mol/m³."""
        it = self._saturated(of, t_k)
        boiling = self._table(it).boiling
        found = None if boiling is None else boiling.densities(t_k)
        return self.equations.saturation_densities(it, t_k) if found is None else found

    # -- single phase -------------------------------------------------------------------------

    def molar_density(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return the molar density of the gas, mol/m³.

        Raises:
            FluidError: outside the equation's range, or the fluid is a liquid there.
        """
        it = self._gas(of, p_pa, t_k)
        isotherm = self._isotherm(it, t_k)
        if isotherm is not None and p_pa <= isotherm.highest_pa:
            return isotherm.density(p_pa)
        return self.equations.density(it, p_pa, t_k)

    def compressibility(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return Z = p/(ρ R T) of the gas; 1 for an ideal one.

        Each equation of state carries the gas constant of its year, so that Z at no pressure
        may miss 1 by 6·10⁻⁶; density does not suffer, nor does p V/(Z R T).
        """
        return p_pa / (self.molar_density(of, p_pa, t_k) * R_GAS * t_k)

    def density_slope(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return (∂ρ/∂p) of the gas at constant temperature, mol/(m³·Pa)."""
        it = _resolve(of)
        rho = self.molar_density(it, p_pa, t_k)
        isotherm = self._isotherm_at(it, rho, t_k)
        if isotherm is not None:
            return 1.0 / isotherm.pressure_and_slope(rho)[1]
        return 1.0 / self.equations.pressure_slope(it, rho, t_k)

    def temperature_exponent(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return d ln p / d ln T of the gas in a rigid vessel (at constant density).

        1 for an ideal gas; about 1.038 for nitrogen at 15 bar gauge and 20 °C. Add
        :func:`wall_exponent` for a vessel that expands.
        """
        it = _resolve(of)
        rho = self.molar_density(it, p_pa, t_k)
        isotherm = self._isotherm_at(it, rho, t_k)
        if isotherm is not None:
            return isotherm.pressure_slope_t(rho) * t_k / p_pa
        return self.equations.pressure_slope_t(it, rho, t_k) * t_k / p_pa

    def vapour_viscosity(self, of: Fluid | str, t_k: float, p_pa: float) -> tuple[float, float]:
        """Return the viscosity of the gas, Pa·s, and its relative standard uncertainty.

        The uncertainty is 0.10 where the model is a prediction (see ``Refrigerant.viscosity_u``).
        """
        it = _resolve(of)
        rho = self.molar_density(it, p_pa, t_k)
        isotherm = self._isotherm_at(it, rho, t_k)
        if isotherm is not None:
            return isotherm.viscosity(rho), it.viscosity_u
        return self.equations.viscosity(it, rho, t_k), it.viscosity_u

    # -- at a given density -------------------------------------------------------------------

    def pressure_at_density(self, of: Fluid | str, rho_molar: float, t_k: float) -> float:
        """Return the pressure of a closed vessel that holds ``rho_molar`` (mol/m³) on average, Pa.

        Below the critical temperature, between the densities of dry vapour and boiling liquid,
        part of the charge is liquid and the pressure is that of saturation (for a blend the dew
        pressure, the vapour's own).
        """
        it = self._in_range(of, t_k)
        if not rho_molar > 0.0:
            raise FluidError(f"density of {it.name} must be above 0, not {rho_molar:g} mol/m³")
        if _can_condense(it, t_k):
            liquid, vapour = self.saturation_density(it, t_k)
            if vapour <= rho_molar <= liquid:
                return self.saturation_pressure_pa(it, t_k)[1]
            if rho_molar > liquid:
                raise FluidError(
                    f"{it.name} at {celsius(t_k):.2f} °C would fill the vessel with liquid: "
                    f"{rho_molar * it.molar_mass:.0f} kg/m³ is above the liquid's "
                    f"{liquid * it.molar_mass:.0f}; check charge and volume"
                )
        isotherm = self._isotherm_at(it, rho_molar, t_k)
        if isotherm is not None:
            return isotherm.pressure(rho_molar)
        return self.equations.pressure(it, rho_molar, t_k)

    def flow_state(self, of: Fluid | str, rho_molar: float, t_k: float) -> FlowState:
        """Return pressure, its slope over density and viscosity of the gas at a density."""
        it = self._in_range(of, t_k)
        isotherm = self._isotherm_at(it, rho_molar, t_k)
        if isotherm is not None:
            p, slope = isotherm.pressure_and_slope(rho_molar)
            return FlowState(p, slope, isotherm.viscosity(rho_molar))
        beyond = self.equations
        return FlowState(
            beyond.pressure(it, rho_molar, t_k),
            beyond.pressure_slope(it, rho_molar, t_k),
            beyond.viscosity(it, rho_molar, t_k),
        )

    # -- inside -------------------------------------------------------------------------------

    def _table(self, it: Fluid) -> FluidTable:
        return self._tables[it.key]

    def _isotherm(self, it: Fluid, t_k: float) -> Isotherm | None:
        """Return the tabled gas at a temperature; None where no table reaches."""
        isotherm = self._isotherms.get(it.key)
        if isotherm is None or isotherm.t_k != t_k:
            isotherm = self._table(it).isotherm(t_k)
            if isotherm is not None:
                self._isotherms[it.key] = isotherm
        return isotherm

    def _isotherm_at(self, it: Fluid, rho: float, t_k: float) -> Isotherm | None:
        """Return the tabled gas at a temperature if its table reaches the density."""
        isotherm = self._isotherm(it, t_k)
        return isotherm if isotherm is not None and 0.0 <= rho <= isotherm.densest else None

    def _gas(self, of: Fluid | str, p_pa: float, t_k: float) -> Fluid:
        """Return the fluid, having checked that it is a gas at pressure and temperature."""
        it = self._in_range(of, t_k)
        highest = self._table(it).limits.p_max_pa
        if not 0.0 < p_pa <= highest:
            raise FluidError(
                f"{it.name} at {p_pa:g} Pa absolute: the pressure must be above 0 and at most "
                f"{highest / 1e3:.0f} kPa absolute"
            )
        if _can_condense(it, t_k):
            dew = self.saturation_pressure_pa(it, t_k)[1]
            if p_pa > dew * (1.0 + 1e-6):
                raise FluidError(
                    f"{it.name} at {celsius(t_k):.2f} °C is a gas only up to "
                    f"{dew / 1e3:.2f} kPa absolute, not at {p_pa / 1e3:.2f}"
                )
        return it

    def _in_range(self, of: Fluid | str, t_k: float) -> Fluid:
        """Return the fluid, having checked the temperature against its equation of state."""
        it = _resolve(of)
        limits = self._table(it).limits
        if not limits.t_min_k <= t_k <= limits.t_max_k:
            raise FluidError(
                f"{it.name} at {_show_k(t_k)}: its properties are known from "
                f"{celsius(limits.t_min_k):.2f} to {celsius(limits.t_max_k):.2f} °C"
            )
        return it

    def _saturated(self, of: Fluid | str, t_k: float) -> Fluid:
        """Return the fluid, having checked that it can boil at the temperature."""
        it = self._in_range(of, t_k)
        if not _can_condense(it, t_k):
            raise FluidError(
                f"{it.name} has no saturation at {_show_k(t_k)}: above its critical temperature "
                f"of {celsius(it.critical_k):.2f} °C there is no boiling; "
                "give a lower temperature or the unit's charge density"
            )
        return it


def _resolve(of: Fluid | str) -> Fluid:
    """Return the constants of a fluid given by name or as such."""
    return fluid(of) if isinstance(of, str) else of


def _can_condense(it: Fluid, t_k: float) -> bool:
    """Tell whether the fluid may be liquid at the temperature."""
    return t_k < it.critical_k


def _show_k(t_k: float) -> str:
    """Write a temperature for a message."""
    return f"{celsius(t_k):.2f} °C" if math.isfinite(t_k) else f"{t_k} K"


def wall_exponent(material: str, t_k: float) -> tuple[float, float]:
    """Return how a vessel's own expansion lowers d ln p / d ln T, and its standard uncertainty.

    A vessel of linear expansion coefficient α grows by 3αT per unit of ln T, so that the term is
    −3αT. α: copper 17·10⁻⁶, aluminium 23·10⁻⁶ 1/K (common tables, from memory), rigid 0. For
    ``mixed`` it is the mean of copper and aluminium, with half their distance as uncertainty.
    The vessel's stretch under pressure is left out: it does not change with temperature.

    Raises:
        FluidError: unknown material.

    >>> value, u = wall_exponent("copper", 293.15)
    >>> round(value, 4), round(u, 4)
    (-0.015, 0.0004)
    """
    if material == "mixed":
        low, high = _EXPANSION["copper"], _EXPANSION["aluminium"]
        alpha, u = (low + high) / 2.0, math.hypot((high - low) / 2.0, _EXPANSION_U)
    elif material in _EXPANSION:
        alpha = _EXPANSION[material]
        u = _EXPANSION_U if alpha else 0.0
    else:
        raise FluidError(
            f"unknown wall material {material!r}: write copper, aluminium, mixed or rigid"
        )
    return -3.0 * alpha * t_k, 3.0 * u * t_k
