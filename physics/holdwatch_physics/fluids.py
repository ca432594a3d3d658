"""Properties of real gases and refrigerants; the one module that knows the equations of state."""

from __future__ import annotations

import importlib
import math
import threading
from dataclasses import dataclass
from typing import Any, Final

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

    The states of the equation-of-state library are mutable and cached here, so one lock guards
    every call: an object may be shared between threads, at the price of waiting for each other.
    The same call gives the same bits whatever was computed before it.
    """

    def __init__(self, library: Any) -> None:
        """Take the loaded library; see :meth:`load`."""
        self._library = library
        self._states: dict[str, Any] = {}
        self._lock = threading.Lock()

    @classmethod
    def load(cls) -> Fluids:
        """Load the equations of state: 2 to 4 s and 80 MB, once.

        The library reads its fluids without releasing the interpreter's lock: in a thread beside
        an event loop it still stops the loop (one stall of 3.7 s was measured).
        """
        return cls(importlib.import_module("CoolProp"))

    # -- saturation ---------------------------------------------------------------------------

    def saturation_pressure_pa(self, of: Fluid | str, t_k: float) -> tuple[float, float]:
        """Return the (bubble, dew) pressure at a temperature, Pa; equal for a pure fluid.

        Raises:
            FluidError: the fluid has no liquid and vapour side by side at ``t_k``.
        """
        it = self._saturated(of, t_k)
        with self._lock:
            return (
                self._update(it, "QT_INPUTS", 0.0, t_k).p(),
                self._update(it, "QT_INPUTS", 1.0, t_k).p(),
            )

    def saturation_temperature_k(self, of: Fluid | str, p_pa: float) -> tuple[float, float]:
        """Return the (bubble, dew) temperature at a pressure, K; equal for a pure fluid.

        Raises:
            FluidError: the pressure is not between the fluid's triple and critical points.
        """
        it = _resolve(of)
        low, high = self._saturation_range_pa(it)
        if not low <= p_pa < high:
            raise FluidError(
                f"{it.name} has no saturation at {p_pa / 1e3:.4g} kPa absolute: it boils between "
                f"{low / 1e3:.4g} and {high / 1e3:.5g} kPa absolute"
            )
        with self._lock:
            return (
                self._update(it, "PQ_INPUTS", p_pa, 0.0).T(),
                self._update(it, "PQ_INPUTS", p_pa, 1.0).T(),
            )

    def saturation_density(self, of: Fluid | str, t_k: float) -> tuple[float, float]:
        """Return the molar density of the (boiling liquid, dry vapour) at ``t_k``, mol/m³."""
        it = self._saturated(of, t_k)
        with self._lock:
            return (
                self._update(it, "QT_INPUTS", 0.0, t_k).rhomolar(),
                self._update(it, "QT_INPUTS", 1.0, t_k).rhomolar(),
            )

    # -- single phase -------------------------------------------------------------------------

    def molar_density(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return the molar density of the gas, mol/m³.

        Raises:
            FluidError: outside the equation's range, or the fluid is a liquid there.
        """
        return float(self._gas(of, p_pa, t_k, lambda state: state.rhomolar()))

    def compressibility(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return Z = p/(ρ R T) of the gas; 1 for an ideal one.

        Each equation of state carries the gas constant of its year, so that Z at no pressure
        may miss 1 by 6·10⁻⁶; density does not suffer, nor does p V/(Z R T).
        """
        return p_pa / (self.molar_density(of, p_pa, t_k) * R_GAS * t_k)

    def density_slope(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return (∂ρ/∂p) of the gas at constant temperature, mol/(m³·Pa)."""
        lib = self._library
        return float(
            self._gas(of, p_pa, t_k, lambda s: s.first_partial_deriv(lib.iDmolar, lib.iP, lib.iT))
        )

    def temperature_exponent(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return d ln p / d ln T of the gas in a rigid vessel (at constant density).

        1 for an ideal gas; about 1.038 for nitrogen at 15 bar gauge and 20 °C. Add
        :func:`wall_exponent` for a vessel that expands.
        """
        lib = self._library
        slope = self._gas(
            of, p_pa, t_k, lambda s: s.first_partial_deriv(lib.iP, lib.iT, lib.iDmolar)
        )
        return float(slope) * t_k / p_pa

    def vapour_viscosity(self, of: Fluid | str, t_k: float, p_pa: float) -> tuple[float, float]:
        """Return the viscosity of the gas, Pa·s, and its relative standard uncertainty.

        The uncertainty is 0.10 where the model is a prediction (see ``Refrigerant.viscosity_u``).
        """
        it = _resolve(of)
        return float(self._gas(it, p_pa, t_k, lambda s: s.viscosity())), it.viscosity_u

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
        return float(self._at_density(it, rho_molar, t_k, lambda s: s.p()))

    def flow_state(self, of: Fluid | str, rho_molar: float, t_k: float) -> FlowState:
        """Return pressure, its slope over density and viscosity of the gas at a density."""
        it = self._in_range(of, t_k)
        lib = self._library
        flow: FlowState = self._at_density(
            it,
            rho_molar,
            t_k,
            lambda s: FlowState(
                s.p(), s.first_partial_deriv(lib.iP, lib.iDmolar, lib.iT), s.viscosity()
            ),
        )
        return flow

    # -- inside -------------------------------------------------------------------------------

    def _state(self, it: Fluid) -> Any:
        """Return the cached state of a fluid; the caller holds the lock."""
        state = self._states.get(it.key)
        if state is None:
            state = self._library.AbstractState("HEOS", it.key)
            self._states[it.key] = state
        return state

    def _update(self, it: Fluid, pair: str, a: float, b: float, *, as_gas: bool = False) -> Any:
        """Move a fluid's state and return it; the caller holds the lock.

        Naming the phase keeps the solver from refusing pressures within 1e-4 % of saturation
        and from taking a pseudo-pure blend for a liquid between its dew and bubble pressure.
        """
        state = self._state(it)
        lib = self._library
        try:
            if as_gas:
                state.specify_phase(lib.iphase_gas)
            state.update(getattr(lib, pair), a, b)
        except ValueError as error:
            raise FluidError(f"{it.name} cannot be computed at this state: {error}") from error
        finally:
            if as_gas:
                state.unspecify_phase()
        return state

    def _gas(self, of: Fluid | str, p_pa: float, t_k: float, read: Any) -> Any:
        """Read a property of the gas at pressure and temperature."""
        it = self._in_range(of, t_k)
        with self._lock:
            highest = self._state(it).pmax()
        if not 0.0 < p_pa <= highest:
            raise FluidError(
                f"{it.name} at {p_pa:g} Pa absolute: the pressure must be above 0 and at most "
                f"{highest / 1e3:.0f} kPa absolute"
            )
        condensing = _can_condense(it, t_k)
        if condensing:
            dew = self.saturation_pressure_pa(it, t_k)[1]
            if p_pa > dew * (1.0 + 1e-6):
                raise FluidError(
                    f"{it.name} at {celsius(t_k):.2f} °C is a gas only up to "
                    f"{dew / 1e3:.2f} kPa absolute, not at {p_pa / 1e3:.2f}"
                )
        with self._lock:
            return self._read(it, "PT_INPUTS", p_pa, t_k, read, as_gas=condensing)

    def _at_density(self, it: Fluid, rho_molar: float, t_k: float, read: Any) -> Any:
        """Read a property of the gas at density and temperature."""
        as_gas = _can_condense(it, t_k)
        with self._lock:
            return self._read(it, "DmolarT_INPUTS", rho_molar, t_k, read, as_gas=as_gas)

    def _read(self, it: Fluid, pair: str, a: float, b: float, read: Any, *, as_gas: bool) -> Any:
        """Move a state and read it, with the library's errors made ours; under the lock."""
        state = self._update(it, pair, a, b, as_gas=as_gas)
        try:
            value = read(state)
        except ValueError as error:
            raise FluidError(f"{it.name} cannot be computed at this state: {error}") from error
        if isinstance(value, float) and not math.isfinite(value):
            raise FluidError(f"{it.name} cannot be computed at this state: no finite value")
        return value

    def _in_range(self, of: Fluid | str, t_k: float) -> Fluid:
        """Return the fluid, having checked the temperature against its equation of state."""
        it = _resolve(of)
        with self._lock:
            state = self._state(it)
            low, high = state.Tmin(), state.Tmax()
        if not low <= t_k <= high:
            raise FluidError(
                f"{it.name} at {_show_k(t_k)}: its properties are known from "
                f"{celsius(low):.2f} to {celsius(high):.2f} °C"
            )
        return it

    def _saturated(self, of: Fluid | str, t_k: float) -> Fluid:
        """Return the fluid, having checked that it can boil at the temperature."""
        it = self._in_range(of, t_k)
        if t_k >= it.critical_k:
            raise FluidError(
                f"{it.name} has no saturation at {_show_k(t_k)}: above its critical temperature "
                f"of {celsius(it.critical_k):.2f} °C there is no boiling; "
                "give a lower temperature or the unit's charge density"
            )
        return it

    def _saturation_range_pa(self, it: Fluid) -> tuple[float, float]:
        """Return the lowest and highest pressure at which the fluid boils, Pa."""
        with self._lock:
            state = self._state(it)
            critical = float(state.p_critical())
            lowest = max(float(state.Tmin()), float(state.Ttriple()))
            low = float(self._update(it, "QT_INPUTS", 1.0, lowest).p())
        return low, critical


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
