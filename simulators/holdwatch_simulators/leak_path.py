"""A leak: one small path through the wall, and what flows along it either way."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Self

from holdwatch_simulators import fluid_data as fd

Law = Literal["laminar", "molecular"]


@dataclass(frozen=True, slots=True)
class LeakPath:
    """A hole of fixed size.

    Laminar: molar flow = size · ∫ρ/μ dp between the two sides, of the gas that flows.
    Molecular: molar flow = size · Δp / √(2π M R T), each gas by its own partial pressure.

    Attributes:
        size: m³ for the laminar law, m² for the molecular one.
        law: Which of the two.
    """

    size: float
    law: Law = "laminar"

    @classmethod
    def of_grams_per_year(cls, grams: float, refrigerant: str, law: Law = "laminar") -> Self:
        """Return the hole that loses this much refrigerant, saturated at 25 °C, to 1 atm."""
        gas = fd.refrigerant(refrigerant)
        mol_per_s = grams / 1000.0 / gas.kg_per_mol / fd.YEAR_S
        if law == "laminar":
            return cls(mol_per_s / gas.flow_integral(), law)
        # The air outside holds none of the refrigerant, so its whole pressure drives it out.
        speed = math.sqrt(2.0 * math.pi * gas.kg_per_mol * fd.GAS_CONSTANT * fd.REFERENCE_K)
        return cls(mol_per_s * speed / gas.saturation_pa, law)

    @classmethod
    def of_nitrogen_throughput(
        cls, pa_m3_per_s: float, inside_pa: float, outside_pa: float, t_k: float
    ) -> Self:
        """Return the laminar hole that passes this throughput of nitrogen, out at ``inside_pa``."""
        unit = cls(1.0)
        return cls(
            pa_m3_per_s / (fd.GAS_CONSTANT * t_k) / unit.nitrogen_out(inside_pa, outside_pa, t_k)
        )

    @classmethod
    def of_air_inflow(cls, pa_m3_per_s: float, outside_pa: float, t_k: float) -> Self:
        """Return the laminar hole that lets this throughput of air into a vacuum."""
        unit = cls(1.0)
        return cls(pa_m3_per_s / (fd.GAS_CONSTANT * t_k) / unit.air_in(0.0, outside_pa, t_k))

    def nitrogen_out(self, inside_pa: float, outside_pa: float, t_k: float) -> float:
        """Return mol/s of nitrogen outwards; pressures absolute, inside above outside."""
        if self.law == "molecular":
            # Air is mostly nitrogen, which comes back in by its own partial pressure.
            return self._molecular(inside_pa - 0.78 * outside_pa, fd.NITROGEN_KG_PER_MOL, t_k)
        return self._laminar(inside_pa, outside_pa, fd.NITROGEN_VISCOSITY, t_k)

    def air_in(self, inside_pa: float, outside_pa: float, t_k: float) -> float:
        """Return mol/s of air inwards; ``inside_pa`` is the total (laminar) or air's own."""
        if self.law == "molecular":
            return self._molecular(outside_pa - inside_pa, fd.AIR_KG_PER_MOL, t_k)
        return self._laminar(outside_pa, inside_pa, fd.AIR_VISCOSITY, t_k)

    def _laminar(self, high_pa: float, low_pa: float, viscosity: float, t_k: float) -> float:
        viscosity *= (t_k / fd.REFERENCE_K) ** fd.VISCOSITY_EXPONENT
        # Density grows along the path with p, so the flow feels the viscosity at about ⅔ of it.
        viscosity *= 1.0 + fd.VISCOSITY_PER_PA * (high_pa * 2.0 / 3.0 - fd.STANDARD_ATMOSPHERE_PA)
        upper = fd.nitrogen_density_integral(high_pa, t_k)
        return self.size * (upper - fd.nitrogen_density_integral(low_pa, t_k)) / viscosity

    def _molecular(self, difference_pa: float, kg_per_mol: float, t_k: float) -> float:
        return (
            self.size
            * difference_pa
            / math.sqrt(2.0 * math.pi * kg_per_mol * fd.GAS_CONSTANT * t_k)
        )
