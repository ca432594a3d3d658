"""The plain leak estimate: V/R · Δ(p/ZT)/Δt, with no claim about its uncertainty."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_physics.fluids import R_GAS

if TYPE_CHECKING:
    from collections.abc import Iterable


class PlainSlope:
    """Least-squares slope of x over t, from two points on.

    Sums are kept about the first point, so that times and values of any size lose no digits
    (checked against the certified values of the NIST statistical reference data sets).
    """

    def __init__(self) -> None:
        self.points = 0
        self._t0 = 0.0
        self._x0 = 0.0
        self._mean_t = 0.0
        self._mean_x = 0.0
        self._stt = 0.0
        self._stx = 0.0

    def add(self, t: float, x: float) -> None:
        """Take one more point in."""
        if self.points == 0:
            self._t0, self._x0 = t, x
        self.points += 1
        dt = t - self._t0 - self._mean_t
        dx = x - self._x0 - self._mean_x
        self._mean_t += dt / self.points
        self._mean_x += dx / self.points
        rest = t - self._t0 - self._mean_t
        self._stt += dt * rest
        self._stx += dx * rest

    def extend(self, points: Iterable[tuple[float, float]]) -> None:
        """Take many points in."""
        for t, x in points:
            self.add(t, x)

    @property
    def slope(self) -> float | None:
        """The slope, or None while all points share one time."""
        return self._stx / self._stt if self._stt > 0.0 else None

    @property
    def intercept(self) -> float | None:
        """The value at t = 0, or None where there is no slope."""
        slope = self.slope
        if slope is None:
            return None
        return self._x0 + self._mean_x - slope * (self._t0 + self._mean_t)


def amount_density(pressure_pa: float, compressibility: float, gas_k: float) -> float:
    """Amount of gas in a cubic metre, p/(Z·R·T), mol/m³.

    Source: real-gas law; 40 CFR 1065.644 uses its slope times the volume as the leak rate.

    >>> round(amount_density(101325.0, 1.0, 273.15), 4)
    44.615
    """
    return pressure_pa / (compressibility * R_GAS * gas_k)
