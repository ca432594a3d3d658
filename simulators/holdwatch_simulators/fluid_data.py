"""The simulator's own fluid numbers: nitrogen, air, water, and refrigerants that leak.

Nothing here is shared with the judging code, so that an error there cannot hide itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

GAS_CONSTANT: Final = 8.314462618153  # J/(mol·K), CODATA
YEAR_S: Final = 365.25 * 86400.0
REFERENCE_K: Final = 298.15  # leaks are named for refrigerant saturated at 25 °C
STANDARD_ATMOSPHERE_PA: Final = 101_325.0
CV_DIATOMIC: Final = 2.5 * GAS_CONSTANT  # J/(mol·K), nitrogen and air near room temperature
CP_DIATOMIC: Final = 3.5 * GAS_CONSTANT

WATER_KG_PER_MOL: Final = 0.018015268
NITROGEN_KG_PER_MOL: Final = 0.0280134
AIR_KG_PER_MOL: Final = 0.0289656
AIR_VISCOSITY: Final = 18.448e-6  # Pa·s at 25 °C, 1 atm, Lemmon and Jacobsen 2004
NITROGEN_VISCOSITY: Final = 17.805e-6  # the same source
VISCOSITY_EXPONENT: Final = 0.72  # μ ∝ T^0.72 for both: +2.4 % from 25 to 35 °C

# Virial coefficients of nitrogen in powers of 300 K / T, least squares to the equation of state
# of Span et al. 2000 over 253–333 K and 0.1–4 MPa; Z is within 1e-5 there.
_B: Final = (4.059787e-5, -3.024373e-5, -1.746148e-5, 2.553732e-6)  # m³/mol
_C: Final = (6.849729e-10, 7.381653e-10)  # m⁶/mol²


def nitrogen_virial(t_k: float) -> tuple[float, float]:
    """Return B (m³/mol) and C (m⁶/mol²) of nitrogen, valid 253–333 K."""
    x = 300.0 / t_k
    return _B[0] + x * (_B[1] + x * (_B[2] + x * _B[3])), _C[0] + x * _C[1]


def nitrogen_pressure(density: float, t_k: float) -> float:
    """Return the pressure (Pa) of nitrogen of this molar density (mol/m³)."""
    b, c = nitrogen_virial(t_k)
    return density * GAS_CONSTANT * t_k * (1.0 + density * (b + density * c))


def nitrogen_density_integral(p_pa: float, t_k: float) -> float:
    """Return ∫₀ᵖ ρ dp (mol·Pa/m³) of nitrogen or air at one temperature."""
    rt = GAS_CONSTANT * t_k
    b, c = nitrogen_virial(t_k)
    b1 = b / rt
    c1 = (c - b * b) / (rt * rt)
    return p_pa**2 / rt * (0.5 - p_pa * (b1 / 3.0 - p_pa * (b1 * b1 - c1) / 4.0))


_TRIPLE_K: Final = 273.16
_TRIPLE_PA: Final = 611.657
_ICE_A: Final = (-21.2144006, 27.3203819, -6.10598130)
_ICE_B: Final = (0.00333333333, 1.20666667, 1.70333333)
_WATER_CRITICAL_K: Final = 647.096
_WATER_CRITICAL_PA: Final = 22.064e6
_LIQUID: Final = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)


def water_vapour_pressure(t_k: float) -> float:
    """Return the vapour pressure (Pa) over liquid water, or over ice below 0 °C.

    Ice: IAPWS R14-08(2011). Liquid: IAPWS SR1-86(1992), Wagner and Pruss.
    """
    if t_k < _TRIPLE_K:
        theta = t_k / _TRIPLE_K
        total = sum(a * theta**b for a, b in zip(_ICE_A, _ICE_B, strict=True))
        return _TRIPLE_PA * math.exp(total / theta)
    tau = 1.0 - t_k / _WATER_CRITICAL_K
    total = sum(a * tau**b for a, b in _LIQUID)
    return _WATER_CRITICAL_PA * math.exp(total * _WATER_CRITICAL_K / t_k)


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """Saturated vapour at 25 °C, as far as a slow leak needs it.

    Pressures and compressibilities are those of the reference equations of state (for blends
    at the dew line); viscosities of R-1234yf, R-152a, R-32 and R-1234ze(E) are those of the
    reference fits, which lie 3–10 % below the usual predictive ones.

    Attributes:
        kg_per_mol: Molar mass.
        saturation_pa: Pressure at 25 °C.
        z_half: Compressibility at half that pressure.
        z_saturated: Compressibility at that pressure.
        viscosity: Pa·s at 25 °C and 1 atm.
        viscosity_ratio: Viscosity at saturation over that at 1 atm.
    """

    kg_per_mol: float
    saturation_pa: float
    z_half: float
    z_saturated: float
    viscosity: float
    viscosity_ratio: float

    def compressibility(self, p_pa: float) -> float:
        """Return Z by the parabola through 0, half and full saturation pressure."""
        u = p_pa / self.saturation_pa
        a = 4.0 * (self.z_half - 1.0) - (self.z_saturated - 1.0)
        return 1.0 + u * (a + u * (self.z_saturated - 1.0 - a))

    def flow_integral(self, outside_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
        """Return ∫ ρ/μ dp (mol/(m³·s)·Pa/Pa) from the outside to saturation, by Simpson."""
        count = 64
        width = (self.saturation_pa - outside_pa) / count
        total = 0.0
        for k in range(count + 1):
            p = outside_pa + k * width
            u = (p - STANDARD_ATMOSPHERE_PA) / (self.saturation_pa - STANDARD_ATMOSPHERE_PA)
            viscosity = self.viscosity * (1.0 + u * (self.viscosity_ratio - 1.0))
            density = p / (self.compressibility(p) * GAS_CONSTANT * REFERENCE_K)
            weight = 1.0 if k in {0, count} else 4.0 if k % 2 else 2.0
            total += weight * density / viscosity
        return total * width / 3.0


REFRIGERANTS: Final[dict[str, Refrigerant]] = {
    "R134a": Refrigerant(0.102032, 665_381.0, 0.92955, 0.84657, 11.819e-6, 0.989),
    "R1234yf": Refrigerant(0.1140416, 682_697.0, 0.92189, 0.82889, 11.468e-6, 1.013),
    "R1234ze(E)": Refrigerant(0.1140416, 498_521.0, 0.93981, 0.87133, 11.942e-6, 1.007),
    "R410A": Refrigerant(0.0725854, 1_652_138.0, 0.88418, 0.73355, 12.882e-6, 1.066),
    "R32": Refrigerant(0.052024, 1_689_621.0, 0.88895, 0.74905, 12.613e-6, 1.030),
    "R152a": Refrigerant(0.066051, 596_414.0, 0.93454, 0.86044, 10.081e-6, 1.008),
    "R744": Refrigerant(0.0440098, 6_434_244.0, 0.81660, 0.47060, 14.915e-6, 1.322),
    "R290": Refrigerant(0.04409562, 952_075.0, 0.91925, 0.82140, 8.146e-6, 1.015),
    "R22": Refrigerant(0.086468, 1_043_918.0, 0.91993, 0.82322, 13.783e-6, 1.012),
}


def refrigerant(name: str) -> Refrigerant:
    """Return a refrigerant by name, with or without the hyphen.

    Raises:
        ValueError: The simulator does not know it.
    """
    for known, properties in REFRIGERANTS.items():
        if known.lower() == name.replace("-", "").lower():
            return properties
    known_names = ", ".join(REFRIGERANTS)
    raise ValueError(
        f"refrigerant {name!r} is not known to the simulator; use one of {known_names}"
    )
