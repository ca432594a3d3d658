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
VISCOSITY_PER_PA: Final = 7.8e-9  # relative rise of either with pressure, the same source
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


def _through_quarters(u: float, values: tuple[float, float, float, float]) -> float:
    """Return the quartic through 1 at u = 0 and the values at u = ¼, ½, ¾ and 1."""
    nodes = (0.0, 0.25, 0.5, 0.75, 1.0)
    total = 0.0
    for k, value in enumerate((1.0, *values)):
        weight = 1.0
        for j, node in enumerate(nodes):
            if j != k:
                weight *= (u - node) / (nodes[k] - node)
        total += weight * value
    return total


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """Vapour at 25 °C up to saturation, as far as a slow leak needs it.

    Pressures, compressibilities and the course of the viscosity are those of the reference
    equations by CoolProp 8.0.0 (for blends at the dew line). The viscosities at 1 atm of
    R-1234yf, R-152a, R-32 and R-1234ze(E) are those of the reference fits, which lie 3–10 %
    below the predictive ones that CoolProp has.

    Attributes:
        kg_per_mol: Molar mass.
        saturation_pa: Pressure at 25 °C.
        z: Compressibility at a quarter, half, three quarters and all of that pressure.
        viscosity: Pa·s at 25 °C and 1 atm.
        viscosity_ratios: Viscosity at the same four pressures over that at 1 atm.
    """

    kg_per_mol: float
    saturation_pa: float
    z: tuple[float, float, float, float]
    viscosity: float
    viscosity_ratios: tuple[float, float, float, float]

    def flow_integral(self, outside_pa: float = STANDARD_ATMOSPHERE_PA) -> float:
        """Return ∫ ρ/μ dp from the outside to saturation, mol/(m³·s), by Simpson's rule."""
        count = 64
        width = (self.saturation_pa - outside_pa) / count
        total = 0.0
        for k in range(count + 1):
            p = outside_pa + k * width
            u = p / self.saturation_pa
            density = p / (_through_quarters(u, self.z) * GAS_CONSTANT * REFERENCE_K)
            viscosity = self.viscosity * _through_quarters(u, self.viscosity_ratios)
            weight = 1.0 if k in {0, count} else 4.0 if k % 2 else 2.0
            total += weight * density / viscosity
        return total * width / 3.0


REFRIGERANTS: Final[dict[str, Refrigerant]] = {
    "R134a": Refrigerant(
        0.102032,
        665381.0,
        (0.96592, 0.92955, 0.89016, 0.84657),
        11.819e-6,
        (0.9984, 0.9946, 0.9915, 0.9893),
    ),
    "R1234yf": Refrigerant(
        0.1140416,
        682697.0,
        (0.96235, 0.92189, 0.87783, 0.82889),
        11.468e-6,
        (1.0004, 1.0025, 1.0066, 1.0134),
    ),
    "R1234ze(E)": Refrigerant(
        0.1140416,
        498521.0,
        (0.97075, 0.93981, 0.90684, 0.87133),
        11.942e-6,
        (1.0001, 1.0012, 1.0033, 1.0067),
    ),
    "R410A": Refrigerant(
        0.0725854,
        1652138.0,
        (0.94481, 0.88419, 0.81562, 0.73355),
        12.882e-6,
        (1.0076, 1.0206, 1.0388, 1.0663),
    ),
    "R32": Refrigerant(
        0.052024,
        1689621.0,
        (0.94681, 0.88895, 0.8244, 0.74905),
        12.613e-6,
        (1.0011, 1.0053, 1.0139, 1.0302),
    ),
    "R152a": Refrigerant(
        0.066051,
        596414.0,
        (0.96814, 0.93454, 0.89882, 0.86044),
        10.081e-6,
        (1.0002, 1.0015, 1.0039, 1.0077),
    ),
    "R744": Refrigerant(
        0.0440098,
        6434244.0,
        (0.91518, 0.8166, 0.69242, 0.4706),
        14.915e-6,
        (1.0134, 1.0412, 1.1, 1.3219),
    ),
    "R290": Refrigerant(
        0.04409562,
        952075.0,
        (0.96118, 0.91925, 0.87322, 0.8214),
        8.146e-6,
        (0.9994, 1.0006, 1.0055, 1.0152),
    ),
    "R22": Refrigerant(
        0.086468,
        1043918.0,
        (0.96149, 0.91993, 0.87438, 0.82322),
        13.783e-6,
        (1.0005, 1.0023, 1.006, 1.0123),
    ),
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
