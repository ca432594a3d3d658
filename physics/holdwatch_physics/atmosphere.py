"""The standard atmosphere: what a barometer reads on average at an altitude."""

from __future__ import annotations

from typing import Final

__all__ = ["HIGHEST_M", "LOWEST_M", "SEA_LEVEL_PA", "AltitudeError", "standard_pressure"]

SEA_LEVEL_PA: Final = 101_325.0
_SEA_LEVEL_K: Final = 288.15
_LAPSE_K_PER_M: Final = 0.0065
_EXPONENT: Final = 9.80665 / (_LAPSE_K_PER_M * 287.05287)
LOWEST_M: Final = -2_000.0
HIGHEST_M: Final = 11_000.0
"""Upper end of the layer in which temperature falls steadily, m."""


class AltitudeError(ValueError):
    """An altitude outside the standard's lowest layer."""


def standard_pressure(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere, Pa absolute.

    p = 101325 · (1 − 0.0065 H/288.15)^5.25588 (ISO 2533, troposphere), with H the geopotential
    altitude; a map's height above sea level is 0.3 m more at 1500 m, which is 4 Pa. The weather
    moves the true pressure by 1 to 3 kPa around it, so a barometer is better.

    Raises:
        AltitudeError: below −2000 m or above 11 000 m.

    >>> round(standard_pressure(1500.0))
    84556
    """
    if not LOWEST_M <= altitude_m <= HIGHEST_M:
        raise AltitudeError(
            f"altitude of {altitude_m:g} m: the standard atmosphere is used from "
            f"{LOWEST_M:.0f} to {HIGHEST_M:.0f} m"
        )
    ratio = 1.0 - _LAPSE_K_PER_M * altitude_m / _SEA_LEVEL_K
    return float(SEA_LEVEL_PA * ratio**_EXPONENT)
