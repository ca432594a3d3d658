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
        # Views and room for results, made once: a step is many small operations, and what it
        # costs is mostly making arrays.
        self._hidden_row = self._both[:, HIDDEN, :]
        self._hidden_column = self._cov[:, :, HIDDEN]
        self._hidden_cov = self._cov[:, HIDDEN, HIDDEN]
        self._intercept_cov = self._cov[:, INTERCEPT, INTERCEPT]
        self._slope_cov = self._cov[:, SLOPE, SLOPE]
        self._slope_means = self._mean[:, SLOPE, :]
        self._slope_mean = self._mean[:, SLOPE, 0]
        self._amplitudes = self._mean[:, TRANSIENT:, 0]
        self._seen: Array = np.empty((models, states + 1 + columns))
        self._cross = self._seen[:, :states]
        self._misses = self._seen[:, states:]
        self._miss = self._seen[:, states]
        self._spread: Array = np.empty(models)
        self._gain: Array = np.empty((models, states))
        self._change: Array = np.empty_like(self._both)
        self._gain_column = self._gain[:, :, None]
        self._seen_row = self._seen[:, None, :]
        self._spread_column = self._spread[:, None]

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
        row, spread, miss = self._row, self._spread, self._miss
        row[SLOPE] = -clock_s
        for place, time_s in enumerate(self._spec.transient_s, TRANSIENT):
            row[place] = self._b * math.exp(-t_s / time_s)
        np.matmul(row, self._both, out=self._seen)
        np.matmul(self._cross, row, out=spread)
        spread += self._noise
        self._misses -= values
        self._log_weight -= 0.5 * (np.log(spread) + miss * miss / spread)
        np.divide(self._cross, self._spread_column, out=self._gain)
        np.multiply(self._gain_column, self._seen_row, out=self._change)
        self._both -= self._change

    def _predict(self, dt_s: float) -> None:
        if dt_s <= 0.0:
            return
        if dt_s not in self._steps:
            keep = np.exp(-self._rate * dt_s)
            self._steps = {dt_s: (keep[:, None], self._variance * (1.0 - keep**2))}
        keep, fresh = self._steps[dt_s]
        self._hidden_row *= keep
        self._hidden_column *= keep
        self._hidden_cov += fresh
        self._intercept_cov += self._wander * dt_s

    def posterior(self) -> Posterior:
        """Average over the models by how well each has foretold the data."""
        # The reductions of the ufuncs: the methods go through a Python function to the same.
        weight = np.exp(self._log_weight - np.maximum.reduce(self._log_weight))
        weight /= np.add.reduce(weight)
        averaged = weight @ self._slope_means
        slope = float(averaged[0])
        off = self._slope_mean - slope
        variance = float(weight @ (self._slope_cov + off * off))
        left = weight @ self._amplitudes
        rate = 0.0
        for amplitude, time_s in zip(left.tolist(), self._spec.transient_s, strict=True):
            rate -= self._b * amplitude / time_s * math.exp(-self._t_s / time_s)
        return Posterior(slope, variance, averaged[1:], rate)
