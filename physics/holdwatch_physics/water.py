"""Vapour pressure of water and of ice: where moisture in a vacuum levels off."""

from __future__ import annotations

import math
from typing import Final

__all__ = [
    "CRITICAL_K",
    "CRITICAL_PA",
    "LOWEST_K",
    "TRIPLE_K",
    "TRIPLE_PA",
    "WaterError",
    "frost_or_dew_temperature_k",
    "log_slope_per_k",
    "over_ice_pa",
    "over_liquid_pa",
    "vapour_pressure_pa",
]

TRIPLE_K: Final = 273.16
"""Temperature at which ice, water and vapour stand side by side, K."""
TRIPLE_PA: Final = 611.657
"""Pressure there, Pa (IAPWS)."""
CRITICAL_K: Final = 647.096
CRITICAL_PA: Final = 22.064e6
LOWEST_K: Final = 50.0
"""Lower end of the sublimation formula, K."""

# IAPWS SR1-86(1992), saturation pressure: coefficient and exponent of τ = 1 − T/Tc.
_LIQUID: Final = (
    (-7.85951783, 1.0),
    (1.84408259, 1.5),
    (-11.7866497, 3.0),
    (22.6807411, 3.5),
    (-15.9618719, 4.0),
    (1.80122502, 7.5),
)
# IAPWS R14-08(2011), sublimation pressure: coefficient and exponent of θ = T/273.16.
_ICE: Final = (
    (-21.2144006, 0.333333333e-2),
    (27.3203819, 1.20666667),
    (-6.10598130, 1.70333333),
)


class WaterError(ValueError):
    """A temperature or pressure at which water has no vapour pressure."""


def over_liquid_pa(t_k: float) -> float:
    """Return the vapour pressure over liquid water, Pa.

    ln(p/pc) = (Tc/T) Σ aᵢ τ^bᵢ, τ = 1 − T/Tc: Wagner and Pruss, IAPWS SR1-86(1992); valid from
    the triple to the critical point, there within 0.025 % (from memory).

    Raises:
        WaterError: outside 273.16 to 647.096 K.

    >>> round(over_liquid_pa(293.15), 1)
    2339.2
    """
    if not TRIPLE_K <= t_k <= CRITICAL_K:
        raise WaterError(f"water at {t_k:g} K: liquid is known from {TRIPLE_K} to {CRITICAL_K} K")
    tau = 1.0 - t_k / CRITICAL_K
    return CRITICAL_PA * math.exp(CRITICAL_K / t_k * sum(a * tau**b for a, b in _LIQUID))


def over_ice_pa(t_k: float) -> float:
    """Return the vapour pressure over ice, Pa.

    ln(p/pt) = θ⁻¹ Σ aᵢ θ^bᵢ, θ = T/273.16, pt = 611.657 Pa: IAPWS R14-08(2011), from 50 K to
    the triple point.

    Raises:
        WaterError: outside 50 to 273.16 K.

    >>> round(over_ice_pa(230.0), 5)
    8.94735
    """
    if not LOWEST_K <= t_k <= TRIPLE_K:
        raise WaterError(f"ice at {t_k:g} K: ice is known from {LOWEST_K} to {TRIPLE_K} K")
    theta = t_k / TRIPLE_K
    return TRIPLE_PA * math.exp(sum(a * theta**b for a, b in _ICE) / theta)


def vapour_pressure_pa(t_k: float) -> float:
    """Return the vapour pressure of water at a wall, Pa: over ice below 273.16 K.

    Raises:
        WaterError: outside 50 to 647.096 K.

    >>> round(vapour_pressure_pa(263.15), 2)
    259.87
    """
    return over_ice_pa(t_k) if t_k < TRIPLE_K else over_liquid_pa(t_k)


def log_slope_per_k(t_k: float) -> float:
    """Return d ln p/dT of the vapour pressure, 1/K: about 0.062 at 20 °C.

    The derivative of the two formulae above, over ice below 273.16 K.

    Raises:
        WaterError: outside 50 to 647.096 K.
    """
    if t_k < TRIPLE_K:
        theta = t_k / TRIPLE_K
        log_ratio = math.log(over_ice_pa(t_k) / TRIPLE_PA)
        bent = math.fsum(a * b * theta ** (b - 1.0) for a, b in _ICE)
        return (bent - log_ratio) / t_k
    tau = 1.0 - t_k / CRITICAL_K
    log_ratio = math.log(over_liquid_pa(t_k) / CRITICAL_PA)
    bent = math.fsum(a * b * tau ** (b - 1.0) for a, b in _LIQUID)
    return -(log_ratio + bent) / t_k


def frost_or_dew_temperature_k(p_pa: float) -> float:
    """Return the temperature at which water vapour of this pressure condenses or freezes, K.

    Below 611.657 Pa it is the frost point over ice. A wall warmer than this has no free water.

    Raises:
        WaterError: the pressure is not between 1 mPa and the critical pressure.

    >>> round(frost_or_dew_temperature_k(66.6612) - 273.15, 2)  # 500 micron
    -24.48
    """
    if not 1e-3 <= p_pa <= CRITICAL_PA:
        raise WaterError(
            f"water vapour of {p_pa:g} Pa: the pressure must be between 0.001 "
            f"and {CRITICAL_PA:g} Pa"
        )
    ice = p_pa < TRIPLE_PA
    low, high = (LOWEST_K, TRIPLE_K) if ice else (TRIPLE_K, CRITICAL_K)
    curve = over_ice_pa if ice else over_liquid_pa
    t_k = TRIPLE_K
    target = math.log(p_pa)
    # Newton on ln p over 1/T, nearly a straight line; it settles in a handful of steps.
    for _ in range(50):
        miss = target - math.log(curve(t_k))
        per_inverse = log_slope_per_k(min(t_k, math.nextafter(TRIPLE_K, 0.0)) if ice else t_k)
        step = 1.0 / t_k - miss / (per_inverse * t_k * t_k)
        new = min(max(1.0 / step if step > 0.0 else high, low), high)
        if abs(new - t_k) <= 1e-10 * t_k:
            return new
        t_k = new
    return t_k
