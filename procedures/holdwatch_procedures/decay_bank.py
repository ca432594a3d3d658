"""A bank of small Kalman filters that share one slope and differ in the gas's hidden warmth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

INTERCEPT, SLOPE, HIDDEN, TRANSIENT = 0, 1, 2, 3
"""Places in a filter's state; the transients stand last."""


@dataclass(frozen=True, slots=True)
class BankSpec:
    """What the bank holds possible before it has seen anything.

    Attributes:
        hidden_sd_k: Grid of sizes of the temperature that no thermometer sees, K.
        hidden_weight: Prior weight of each size.
        hidden_time_s: Grid of its correlation times, s, equally likely.
        transient_s: Time constants of the transients that charging leaves, s.
        transient_sd_k: Standard deviation of each when the filters start, K.
        intercept_sd_pa: Standard deviation of the starting pressure, Pa.
        slope_sd: Standard deviation of the slope, Pa/s.
    """

    hidden_sd_k: tuple[float, ...] = (0.03, 0.06, 0.12, 0.25, 0.5)
    hidden_weight: tuple[float, ...] = (0.15, 0.25, 0.30, 0.20, 0.10)
    hidden_time_s: tuple[float, ...] = (400.0, 2000.0, 8000.0)
    transient_s: tuple[float, ...] = (250.0, 600.0)
    transient_sd_k: tuple[float, ...] = (0.5, 0.5)
    intercept_sd_pa: float = 2e4
    slope_sd: float = 50.0


@dataclass(frozen=True, slots=True)
class Posterior:
    """What the bank knows, averaged over its models.

    Attributes:
        slope: Mean of the slope, Pa/s.
        variance: Variance of the slope, within and between the models, (Pa/s)².
        sensitivity: Change of the slope by each considered column, Pa/s a unit.
        transient_rate: Pressure change that the transients still cause, Pa/s.
    """

    slope: float
    variance: float
    sensitivity: Array
    transient_rate: float


class Bank:
    """Filters y = a − s·τ + b·Σ cᵢe^(−t/τᵢ) + u + e, one for each kind of u.

    u is an Ornstein–Uhlenbeck process of standard deviation b·size and its own correlation
    time, e is white. The same gains run over further columns of data, of which nothing is
    learned: their slope states are the sensitivities of the slope to what is only considered.
    A look costs the same however long the hold.

    Args:
        spec: The grid and the priors.
        pa_per_k: b, the pressure that one kelvin makes, Pa/K.
        noise_variance: Variance of e, Pa².
        columns: How many considered columns there are.
        wander_pa2_per_s: Growth of the variance of the intercept, Pa²/s (a wandering gauge).
    """

    def __init__(
        self,
        spec: BankSpec,
        pa_per_k: float,
        noise_variance: float,
        columns: int,
        wander_pa2_per_s: float = 0.0,
    ) -> None:
        sizes = len(spec.hidden_sd_k)
        times = len(spec.hidden_time_s)
        self._spec = spec
        self._b = pa_per_k
        self._noise = noise_variance
        self._wander = wander_pa2_per_s
        self._variance = np.repeat((np.array(spec.hidden_sd_k) * pa_per_k) ** 2, times)
        self._rate = np.tile(1.0 / np.array(spec.hidden_time_s), sizes)
        self._log_weight = np.log(np.repeat(np.array(spec.hidden_weight) / times, times))
        models = sizes * times
        states = TRANSIENT + len(spec.transient_s)
        # One array holds covariances and means side by side: a step treats them alike.
        self._both: Array = np.zeros((models, states, states + 1 + columns))
        self._cov = self._both[:, :, :states]
        self._mean = self._both[:, :, states:]
        self._states = states
        self._cov[:, INTERCEPT, INTERCEPT] = spec.intercept_sd_pa**2
        self._cov[:, SLOPE, SLOPE] = spec.slope_sd**2
        self._cov[:, HIDDEN, HIDDEN] = self._variance
        for place, sd in enumerate(spec.transient_sd_k, TRANSIENT):
            self._cov[:, place, place] = sd**2
        self._t_s = 0.0
        self._row: Array = np.ones(states)
        self._steps: dict[float, tuple[Array, Array]] = {}

    def step(self, t_s: float, clock_s: float, values: Array | None) -> None:
        """Move to time t and, where there is a measurement, learn from it.

        Args:
            t_s: Time since the filters' start, s.
            clock_s: τ, the viscous clock, s.
            values: y in Pa and the considered columns, or None where nothing was measured.
        """
        self._predict(t_s - self._t_s)
        self._t_s = t_s
        if values is None:
            return
        row = self._row
        row[SLOPE] = -clock_s
        for place, time_s in enumerate(self._spec.transient_s, TRANSIENT):
            row[place] = self._b * math.exp(-t_s / time_s)
        seen = row @ self._both
        cross = seen[:, : self._states]
        spread = cross @ row + self._noise
        seen[:, self._states :] -= values
        miss = seen[:, self._states]
        self._log_weight -= 0.5 * (np.log(spread) + miss * miss / spread)
        self._both -= (cross / spread[:, None])[:, :, None] * seen[:, None, :]

    def _predict(self, dt_s: float) -> None:
        if dt_s <= 0.0:
            return
        if dt_s not in self._steps:
            keep = np.exp(-self._rate * dt_s)
            self._steps = {dt_s: (keep[:, None], self._variance * (1.0 - keep**2))}
        keep, fresh = self._steps[dt_s]
        self._both[:, HIDDEN, :] *= keep
        self._cov[:, :, HIDDEN] *= keep
        self._cov[:, HIDDEN, HIDDEN] += fresh
        self._cov[:, INTERCEPT, INTERCEPT] += self._wander * dt_s

    def posterior(self) -> Posterior:
        """Average over the models by how well each has foretold the data."""
        weight = np.exp(self._log_weight - self._log_weight.max())
        weight /= weight.sum()
        slopes = self._mean[:, SLOPE, :]
        averaged = weight @ slopes
        slope = float(averaged[0])
        variance = float(weight @ (self._cov[:, SLOPE, SLOPE] + (slopes[:, 0] - slope) ** 2))
        left = weight @ self._mean[:, TRANSIENT:, 0]
        rate = 0.0
        for amplitude, time_s in zip(left.tolist(), self._spec.transient_s, strict=True):
            rate -= self._b * amplitude / time_s * math.exp(-self._t_s / time_s)
        return Posterior(slope, variance, averaged[1:], rate)
