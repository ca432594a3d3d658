"""How a leak flows, and what a leak measured with one gas means for another."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final, Protocol

import numpy as np

from holdwatch_physics.fluids import R_GAS, FlowState, Fluid, fluid, gas, refrigerant
from holdwatch_physics.units import celsius

if TYPE_CHECKING:
    from holdwatch_physics.substances import Gas, Refrigerant

__all__ = [
    "DAY_S",
    "YEAR_S",
    "FlowFluids",
    "Law",
    "LeakError",
    "Restatement",
    "g_per_year_to_mol_per_s",
    "mol_per_s_to_g_per_year",
    "mol_per_s_to_pa_m3_per_s",
    "molecular_flow",
    "pa_m3_per_s_to_mol_per_s",
    "rate_of_rise_mol_per_s",
    "restate_air_inflow",
    "restate_pressure_test",
]

DAY_S: Final = 86_400.0
YEAR_S: Final = 365.25 * DAY_S
"""A year is 365.25 days everywhere in holdwatch, s."""
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)


class LeakError(ValueError):
    """A leak that cannot be restated; the message says what to give instead."""


class Law(StrEnum):
    """How gas passes a leak: the two ends of the range."""

    LAMINAR = "laminar-viscous"
    MOLECULAR = "molecular"


class FlowFluids(Protocol):
    """What a restatement asks of fluid properties; ``Fluids`` answers it."""

    def saturation_pressure_pa(self, of: Refrigerant | str, t_k: float) -> tuple[float, float]:
        """Return the (bubble, dew) pressure, Pa."""
        ...

    def saturation_density(self, of: Refrigerant | str, t_k: float) -> tuple[float, float]:
        """Return the (liquid, vapour) molar density at saturation, mol/m³."""
        ...

    def molar_density(self, of: Fluid | str, p_pa: float, t_k: float) -> float:
        """Return the molar density of the gas, mol/m³."""
        ...

    def pressure_at_density(self, of: Fluid | str, rho_molar: float, t_k: float) -> float:
        """Return the pressure of a closed vessel, Pa."""
        ...

    def flow_state(self, of: Fluid | str, rho_molar: float, t_k: float) -> FlowState:
        """Return pressure, its slope and viscosity at a density."""
        ...


@dataclass(frozen=True, slots=True)
class Restatement:
    """What one mol/s of the test gas through a leak means in grams a year of a refrigerant.

    Attributes:
        refrigerant: Canonical name of the refrigerant.
        reference_k: Temperature at which the refrigerant is taken to leak, K.
        refrigerant_pa: Its absolute pressure there, Pa.
        laminar: g/yr for one mol/s, laminar-viscous flow.
        molecular: g/yr for one mol/s, molecular flow.
        laminar_u: Relative standard uncertainty of ``laminar`` (viscosities).
        molecular_u: The same of ``molecular``: 0, since molar masses are known.
    """

    refrigerant: str
    reference_k: float
    refrigerant_pa: float
    laminar: float
    molecular: float
    laminar_u: float
    molecular_u: float = 0.0

    @property
    def g_per_year_per_mol_per_s(self) -> dict[str, float]:
        """Return the factor by law."""
        return {Law.LAMINAR.value: self.laminar, Law.MOLECULAR.value: self.molecular}

    def factor(self, law: Law = Law.LAMINAR) -> float:
        """Return g/yr of the refrigerant for one mol/s of the test gas."""
        return self.g_per_year_per_mol_per_s[law]

    def relative_uncertainty(self, law: Law = Law.LAMINAR) -> float:
        """Return the relative standard uncertainty of the factor."""
        return {Law.LAMINAR.value: self.laminar_u, Law.MOLECULAR.value: self.molecular_u}[law]

    def g_per_year(self, mol_per_s: float, law: Law = Law.LAMINAR) -> float:
        """Return grams a year of the refrigerant for a measured flow of test gas."""
        return mol_per_s * self.factor(law)

    def mol_per_s(self, g_per_year: float, law: Law = Law.LAMINAR) -> float:
        """Return the flow of test gas that a limit in grams a year allows."""
        return g_per_year / self.factor(law)

    def by_law(self, mol_per_s: float) -> dict[str, float]:
        """Return grams a year under each law."""
        return {law.value: self.g_per_year(mol_per_s, law) for law in Law}


def restate_pressure_test(
    fluids: FlowFluids,
    gas_name: str | Gas,
    p_up_pa: float,
    p_out_pa: float,
    t_k: float,
    refrigerant_name: str | Refrigerant,
    reference_t_k: float,
    density: float | None = None,
) -> Restatement:
    """Restate a leak out of a unit under gas pressure as a leak of its refrigerant.

    Laminar-viscous, isothermal: the molar flow is K·∫ρ dp/μ with the same K for either gas, so
    the factor is the ratio of the two integrals, real density and viscosity along the path.
    Molecular: the flow follows Δp/√(MT), and the pressure outside is the gas's own share of it.

    Args:
        fluids: Fluid properties.
        gas_name: Gas in the unit during the test.
        p_up_pa: Its absolute pressure, Pa.
        p_out_pa: Pressure of the room, Pa; the refrigerant leaks into the same.
        t_k: Temperature of the test, K.
        refrigerant_name: Refrigerant of the unit.
        reference_t_k: Temperature at which the refrigerant stands saturated, K.
        density: Charge over internal volume, kg/m³, for a unit whose charge may all be gas: its
            pressure then follows from it. Needed above the critical temperature.

    Raises:
        LeakError: no pressure difference drives one of the two flows.
        FluidError: the refrigerant has no saturation there and no density was given.
    """
    test_gas = gas(gas_name) if isinstance(gas_name, str) else gas_name
    if not p_up_pa > p_out_pa:
        raise LeakError(
            f"the test pressure of {p_up_pa / 1e3:.2f} kPa absolute must be above the room's "
            f"{p_out_pa / 1e3:.2f}"
        )
    laminar = _gas_integral(fluids, test_gas, p_up_pa, p_out_pa, t_k)
    own_share = p_up_pa - test_gas.share_of_air * p_out_pa
    molecular = molecular_flow(test_gas.molar_mass, own_share, t_k)
    return _restate(
        fluids,
        refrigerant_name,
        reference_t_k,
        p_out_pa,
        density,
        (laminar, molecular, test_gas.viscosity_u),
    )


def restate_air_inflow(
    fluids: FlowFluids,
    p_out_pa: float,
    p_in_pa: float,
    t_k: float,
    refrigerant_name: str | Refrigerant,
    reference_t_k: float,
    density: float | None = None,
) -> Restatement:
    """Restate air drawn into a standing vacuum as a leak of the unit's refrigerant outwards.

    As :func:`restate_pressure_test`, with air at ``p_out_pa`` outside and ``p_in_pa`` inside.

    Raises:
        LeakError: no pressure difference drives one of the two flows.
        FluidError: the refrigerant has no saturation there and no density was given.
    """
    air = gas("air")
    if not p_out_pa > p_in_pa:
        raise LeakError(
            f"the vacuum of {p_in_pa / 1e3:.2f} kPa absolute must be below the room's "
            f"{p_out_pa / 1e3:.2f}"
        )
    laminar = _gas_integral(fluids, air, p_out_pa, max(p_in_pa, 0.0), t_k)
    molecular = molecular_flow(air.molar_mass, p_out_pa - max(p_in_pa, 0.0), t_k)
    return _restate(
        fluids,
        refrigerant_name,
        reference_t_k,
        p_out_pa,
        density,
        (laminar, molecular, air.viscosity_u),
    )


def _restate(
    fluids: FlowFluids,
    name: str | Refrigerant,
    t_k: float,
    p_out_pa: float,
    density: float | None,
    measured: tuple[float, float, float],
) -> Restatement:
    """Set the refrigerant's two flows against those of the test gas."""
    it = refrigerant(name) if isinstance(name, str) else name
    rho_up, p_up = _upstream(fluids, it, t_k, density)
    if not p_up > p_out_pa:
        raise LeakError(
            f"{it.name} at {celsius(t_k):.2f} °C stands at {p_up / 1e3:.2f} kPa absolute, not "
            f"above the room's {p_out_pa / 1e3:.2f}: it would not leak outwards; "
            "give a higher reference temperature"
        )
    rho_out = fluids.molar_density(it, p_out_pa, t_k)
    laminar, molecular, gas_u = measured
    grams_a_year = it.molar_mass * 1e3 * YEAR_S
    return Restatement(
        refrigerant=it.name,
        reference_k=t_k,
        refrigerant_pa=p_up,
        laminar=_flow_integral(fluids, it, rho_up, rho_out, t_k) / laminar * grams_a_year,
        molecular=molecular_flow(it.molar_mass, p_up, t_k) / molecular * grams_a_year,
        laminar_u=math.hypot(gas_u, it.viscosity_u),
    )


def _upstream(
    fluids: FlowFluids, it: Refrigerant, t_k: float, density: float | None
) -> tuple[float, float]:
    """Return molar density and pressure of the refrigerant's gas inside the unit."""
    if density is None:
        p_up = fluids.saturation_pressure_pa(it, t_k)[1]
        return fluids.saturation_density(it, t_k)[1], p_up
    rho = density / it.molar_mass
    p_up = fluids.pressure_at_density(it, rho, t_k)
    if t_k < it.critical_k:
        rho = min(rho, fluids.saturation_density(it, t_k)[1])
    return rho, p_up


def _gas_integral(
    fluids: FlowFluids, of: Gas, p_up_pa: float, p_down_pa: float, t_k: float
) -> float:
    """Return ∫ρ dp/μ between two pressures."""
    rho_down = fluids.molar_density(of, p_down_pa, t_k) if p_down_pa > 0.0 else 0.0
    rho_up = fluids.molar_density(of, p_up_pa, t_k)
    return _flow_integral(fluids, of, rho_up, rho_down, t_k)


def _flow_integral(
    fluids: FlowFluids, of: Fluid, rho_up: float, rho_down: float, t_k: float
) -> float:
    """Return ∫ρ dp/μ at constant temperature, mol·Pa·s⁻¹·m⁻³ over Pa, by 24-point quadrature.

    Taken over density, ∫ρ (∂p/∂ρ)/μ dρ: smooth up to saturation and past the critical point,
    where density over pressure is not; exact for an ideal gas of constant viscosity.
    """
    half = (rho_up - rho_down) / 2.0
    middle = (rho_up + rho_down) / 2.0
    total = 0.0
    for node, weight in zip(_NODES.tolist(), _WEIGHTS.tolist(), strict=True):
        rho = middle + half * node
        state = fluids.flow_state(of, rho, t_k)
        total += weight * rho * state.dp_drho / state.viscosity
    return float(total * half)


def molecular_flow(molar_mass: float, dp_pa: float, t_k: float) -> float:
    """Return the molar flow through a molecular leak, up to the leak's own constant.

    ṅ ∝ Δp/√(M T), Δp the difference of the gas's own partial pressure (kinetic theory; the form
    of ISO 20485, from memory).
    """
    return dp_pa / math.sqrt(molar_mass * t_k)


def mol_per_s_to_pa_m3_per_s(mol_per_s: float, t_k: float) -> float:
    """Return the throughput Q = ṅ R T at a temperature, Pa·m³/s.

    >>> round(mol_per_s_to_pa_m3_per_s(4.461503e-5, 273.15) * 1e6, 1)  # 1 cm³/s at 0 °C, 1 atm
    101325.0
    """
    return mol_per_s * R_GAS * t_k


def pa_m3_per_s_to_mol_per_s(pa_m3_per_s: float, t_k: float) -> float:
    """Return the molar flow of a throughput stated at a temperature, mol/s."""
    return pa_m3_per_s / (R_GAS * t_k)


def mol_per_s_to_g_per_year(mol_per_s: float, of: Fluid | str) -> float:
    """Return grams a year of a fluid for a flow of that same fluid (no restatement)."""
    it = fluid(of) if isinstance(of, str) else of
    return mol_per_s * it.molar_mass * 1e3 * YEAR_S


def g_per_year_to_mol_per_s(g_per_year: float, of: Fluid | str) -> float:
    """Return the molar flow of a fluid for grams a year of that same fluid, mol/s."""
    it = fluid(of) if isinstance(of, str) else of
    return g_per_year / (it.molar_mass * 1e3 * YEAR_S)


def rate_of_rise_mol_per_s(
    volume_m3: float,
    p1_pa: float,
    t1_k: float,
    p2_pa: float,
    t2_k: float,
    dt_s: float,
    z1: float = 1.0,
    z2: float = 1.0,
) -> float:
    """Return ṅ = V/R · (p₂/(Z₂T₂) − p₁/(Z₁T₁))/Δt, mol/s; positive for a flow inwards.

    40 CFR 1065.644, vacuum-decay leak rate, with compressibility added. Its worked example:

    >>> n = rate_of_rise_mol_per_s(2.0e-3, 25_300.0, 293.15, 50_600.0, 293.15, 70.0)
    >>> f"{n:.3e}"
    '2.966e-04'

    Raises:
        LeakError: the two readings are not apart in time, or the volume is not above 0.
    """
    if not dt_s > 0.0:
        raise LeakError(f"the second reading must be later than the first, not {dt_s:g} s")
    if not volume_m3 > 0.0:
        raise LeakError(f"the volume must be above 0, not {volume_m3:g} m³")
    return volume_m3 / R_GAS * (p2_pa / (z2 * t2_k) - p1_pa / (z1 * t1_k)) / dt_s
