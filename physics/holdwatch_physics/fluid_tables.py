"""Fluid properties from shipped tables: smooth fits to the equations of state, read in a moment.

``scripts/make_fluid_tables.py`` fits them; docs/fluids.md says how close they come. Two fits for
each fluid:

* Saturation: ln p and ln ρ as Chebyshev series in θ = √(1 − T/T_c), in which they stay smooth up
  to the critical point.
* Gas: p = ρ R T (1 + s·G(s, T)) with s = ρ/ρ_m(T), where ρ_m(T) is a little above the density of
  dry vapour, or a fixed density where nothing condenses. G and the viscosity are Chebyshev series
  in s and T, split into pieces of T; every derivative is that of the series itself, so that
  density, pressure and their slopes agree with each other.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

from holdwatch_physics.series import value, value_and_slope

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

Series: TypeAlias = tuple[float, ...]

FILE: Final = Path(__file__).parent / "data" / "fluid_tables.json"
_MICRO: Final = 1e-6
_CLOSE: Final = 1e-12
"""Newton's last step over its root: the next one would be the square of it."""
_MOST_STEPS: Final = 50


@dataclass(frozen=True, slots=True)
class Limits:
    """Where an equation of state holds.

    Attributes:
        t_min_k: Lowest temperature, K.
        t_max_k: Highest temperature, K.
        p_max_pa: Highest pressure, Pa.
        p_critical_pa: Critical pressure, Pa.
        boils_from_pa: Dew pressure at the lowest temperature, Pa.
    """

    t_min_k: float
    t_max_k: float
    p_max_pa: float
    p_critical_pa: float
    boils_from_pa: float


@dataclass(frozen=True, slots=True)
class Span:
    """An interval of a variable, and where in it a value lies: −1 … 1."""

    low: float
    high: float

    def holds(self, x: float) -> bool:
        """Tell whether the value lies in the interval, ends included."""
        return self.low <= x <= self.high

    def at(self, x: float) -> float:
        """Return the place of a value in the interval."""
        return (2.0 * x - self.low - self.high) / (self.high - self.low)

    @property
    def scale(self) -> float:
        """How far the place moves when the value does."""
        return 2.0 / (self.high - self.low)


@dataclass(frozen=True, slots=True)
class Boiling:
    """Saturation pressures and densities of one fluid over temperature.

    Attributes:
        critical_k: T_c of θ = √(1 − T/T_c), K.
        theta: Interval of the pressures.
        bubble: ln(p/Pa) of the boiling liquid.
        dew: ln(p/Pa) of the dry vapour; the same series for a pure fluid.
        bubble_ends: ``bubble`` at its coldest and its hottest.
        dew_ends: The same of ``dew``.
        density_theta: Interval of the densities.
        liquid: ln(ρ/(mol/m³)) of the boiling liquid.
        vapour: The same of the dry vapour.
    """

    critical_k: float
    theta: Span
    bubble: Series
    dew: Series
    bubble_ends: tuple[float, float]
    dew_ends: tuple[float, float]
    density_theta: Span
    liquid: Series
    vapour: Series

    def pressures(self, t_k: float) -> tuple[float, float] | None:
        """Return the (bubble, dew) pressure, Pa; None outside the table."""
        theta = self._theta(t_k)
        if not self.theta.holds(theta):
            return None
        x = self.theta.at(theta)
        return math.exp(value(self.bubble, x)), math.exp(value(self.dew, x))

    def densities(self, t_k: float) -> tuple[float, float] | None:
        """Return the (liquid, vapour) molar density, mol/m³; None outside the table."""
        theta = self._theta(t_k)
        if not self.density_theta.holds(theta):
            return None
        x = self.density_theta.at(theta)
        return math.exp(value(self.liquid, x)), math.exp(value(self.vapour, x))

    def temperatures(self, p_pa: float) -> tuple[float, float] | None:
        """Return the (bubble, dew) temperature, K; None outside the table."""
        log_p = math.log(p_pa)
        bubble_k = self._solve(self.bubble, self.bubble_ends, log_p)
        dew_k = bubble_k if self.dew is self.bubble else self._solve(self.dew, self.dew_ends, log_p)
        return None if bubble_k is None or dew_k is None else (bubble_k, dew_k)

    def _theta(self, t_k: float) -> float:
        return math.sqrt(max(0.0, 1.0 - t_k / self.critical_k))

    def _solve(self, series: Series, ends: tuple[float, float], log_p: float) -> float | None:
        """Return the temperature of a logarithm of pressure, by Newton's method over T.

        The start lies where ln p would be straight over 1/T; ln p bends downwards over T, so that
        after the first step none goes past the root.
        """
        span = self.theta
        coldest, hottest = ends
        t_low, t_high = self._t_k(span.high), self._t_k(span.low)
        if log_p > hottest and span.low == 0.0:
            return t_high  # the series ends with the boiling itself
        if not coldest <= log_p <= hottest:
            return None
        share = (log_p - coldest) / (hottest - coldest)
        t_k = 1.0 / ((1.0 - share) / t_low + share / t_high)
        for _ in range(_MOST_STEPS):
            theta = min(max(self._theta(t_k), span.low), span.high)
            y, slope = value_and_slope(series, span.at(theta))
            if not slope < 0.0:  # flat in θ: at the critical point
                break
            step = (y - log_p) / (slope * span.scale) * 2.0 * self.critical_k * theta
            t_k = min(max(t_k + step, t_low), t_high)
            if abs(step) <= _CLOSE * t_k:
                break
        return t_k

    def _t_k(self, theta: float) -> float:
        return self.critical_k * (1.0 - theta * theta)


@dataclass(frozen=True, slots=True)
class Isotherm:
    """A gas at one temperature: series over density alone.

    Attributes:
        t_k: Temperature, K.
        rt: R T with the gas constant of the fluid's equation, J/mol.
        densest: ρ_m, mol/m³: as far as the table goes.
        densest_slope: d ln ρ_m/dT, 1/K.
        g: G over s.
        g_slope: ∂G/∂T at constant s, 1/K.
        micro: Viscosity over s, µPa·s.
    """

    t_k: float
    rt: float
    densest: float
    densest_slope: float
    g: Series
    g_slope: Series
    micro: Series

    @property
    def highest_pa(self) -> float:
        """The pressure at the end of the table, Pa."""
        return self.pressure(self.densest)

    def pressure(self, rho: float) -> float:
        """Return the pressure at a molar density, Pa."""
        s = rho / self.densest
        return rho * self.rt * (1.0 + s * value(self.g, 2.0 * s - 1.0))

    def pressure_and_slope(self, rho: float) -> tuple[float, float]:
        """Return the pressure, Pa, and its slope over density, J/mol."""
        s = rho / self.densest
        g, g_x = value_and_slope(self.g, 2.0 * s - 1.0)
        return (
            rho * self.rt * (1.0 + s * g),
            self.rt * (1.0 + 2.0 * s * g + s * s * 2.0 * g_x),
        )

    def pressure_slope_t(self, rho: float) -> float:
        """Return ∂p/∂T at constant density, Pa/K."""
        s = rho / self.densest
        x = 2.0 * s - 1.0
        g, g_x = value_and_slope(self.g, x)
        sg_t = s * value(self.g_slope, x) - s * self.densest_slope * (g + 2.0 * s * g_x)
        return rho * self.rt * ((1.0 + s * g) / self.t_k + sg_t)

    def density(self, p_pa: float) -> float:
        """Return the molar density at a pressure up to ``highest_pa``, mol/m³."""
        rho = min(p_pa / self.rt, self.densest)
        for _ in range(_MOST_STEPS):
            p, slope = self.pressure_and_slope(rho)
            step = (p_pa - p) / slope
            rho += step
            if abs(step) <= _CLOSE * rho:
                break
        return rho

    def viscosity(self, rho: float) -> float:
        """Return the viscosity at a molar density, Pa·s."""
        return _MICRO * value(self.micro, 2.0 * rho / self.densest - 1.0)


@dataclass(frozen=True, slots=True)
class Piece:
    """A gas over an interval of temperature; rows run over s, their entries over T.

    Attributes:
        t: The interval, K.
        densest: ln ρ_m over T.
        g: G over s and T.
        micro: Viscosity over s and T, µPa·s.
    """

    t: Span
    densest: Series
    g: tuple[Series, ...]
    micro: tuple[Series, ...]

    def isotherm(self, t_k: float, r_gas: float) -> Isotherm:
        """Return the gas at one temperature of the interval."""
        y = self.t.at(t_k)
        scale = self.t.scale
        log_densest, densest_slope = value_and_slope(self.densest, y)
        both = [value_and_slope(row, y) for row in self.g]
        return Isotherm(
            t_k=t_k,
            rt=r_gas * t_k,
            densest=math.exp(log_densest),
            densest_slope=densest_slope * scale,
            g=tuple(g for g, _ in both),
            g_slope=tuple(slope * scale for _, slope in both),
            micro=tuple(value(row, y) for row in self.micro),
        )


@dataclass(frozen=True, slots=True)
class FluidTable:
    """Everything tabled of one fluid.

    Attributes:
        limits: Where its equation of state holds.
        r_gas: The gas constant that its equation carries, J/(mol·K).
        boiling: Its saturation; None for gases, which boil far below a workshop's cold.
        pieces: Its gas, by temperature.
    """

    limits: Limits
    r_gas: float
    boiling: Boiling | None
    pieces: tuple[Piece, ...]

    def isotherm(self, t_k: float) -> Isotherm | None:
        """Return the gas at a temperature; None where the table does not reach."""
        for piece in self.pieces:
            if piece.t.holds(t_k):
                return piece.isotherm(t_k, self.r_gas)
        return None


def read_tables(file: Path = FILE) -> dict[str, FluidTable]:
    """Return the shipped tables by the name that the equation of state goes by."""
    found = json.loads(file.read_text(encoding="ascii"))
    return {key: table_from(each) for key, each in found["fluids"].items()}


def table_from(each: Mapping[str, Any]) -> FluidTable:
    """Return one fluid's table from its part of the file."""
    boiling = each["boiling"]
    return FluidTable(
        limits=Limits(**each["limits"]),
        r_gas=each["r_gas"],
        boiling=None if boiling is None else _boiling(boiling),
        pieces=tuple(
            Piece(
                t=Span(*piece["t_k"]),
                densest=tuple(piece["log_densest"]),
                g=_rows(piece["g"]),
                micro=_rows(piece["viscosity_micro"]),
            )
            for piece in each["gas"]
        ),
    )


def _boiling(each: Mapping[str, Any]) -> Boiling:
    bubble = tuple(each["log_bubble"])
    dew = bubble if each["log_dew"] is None else tuple(each["log_dew"])
    return Boiling(
        critical_k=each["critical_k"],
        theta=Span(*each["theta"]),
        bubble=bubble,
        dew=dew,
        bubble_ends=(value(bubble, 1.0), value(bubble, -1.0)),
        dew_ends=(value(dew, 1.0), value(dew, -1.0)),
        density_theta=Span(*each["density_theta"]),
        liquid=tuple(each["log_liquid"]),
        vapour=tuple(each["log_vapour"]),
    )


def _rows(table: Sequence[Sequence[float]]) -> tuple[Series, ...]:
    return tuple(tuple(row) for row in table)
