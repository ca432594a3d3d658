"""Non-negative least squares on compressed rows, and the profile of one slope by it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

CLOSE = 5e-3
"""How near χ² must come to the end of an interval, as a share of its rise."""


def solve_nonnegative(table: FloatArray, data: FloatArray) -> FloatArray:
    """Return x ≥ 0 that minimises |table·x − data|².

    scipy's solver where it converges; it gives up on some of the nearly dependent columns that
    sums of exponentials are, and then the same active-set method follows here with a guard
    against cycling.

    Args:
        table: Columns to combine, in units of the data's standard deviation.
        data: What they must add up to, in the same unit.
    """
    try:
        return np.asarray(_scipy_nnls()(table, data)[0], dtype=np.float64)
    except RuntimeError:
        return active_set(table, data)


@cache
def _scipy_nnls() -> Callable[[FloatArray, FloatArray], tuple[FloatArray, float]]:
    # Imported late: scipy.optimize takes 0.4 s, and only a running hold needs it.
    from scipy.optimize import nnls  # noqa: PLC0415

    return nnls


def warm_up() -> None:
    """Do what the first use would otherwise wait for: scipy's import, 0.4 s and more."""
    solve_nonnegative(np.eye(2), np.ones(2))


def active_set(table: FloatArray, data: FloatArray) -> FloatArray:
    """Return x ≥ 0 that minimises |table·x − data|² (Lawson and Hanson 1974, chapter 23).

    A column whose entry brings nothing beyond rounding is barred until another one has entered.
    """
    gram = table.T @ table
    target = table.T @ data
    count = table.shape[1]
    used = np.zeros(count, dtype=bool)
    x = np.zeros(count)
    norms = np.sqrt(np.diag(gram))
    small = 1e-6 + 1e-12 * norms * math.sqrt(float(data @ data))
    barred = np.zeros(count, dtype=bool)
    for _ in range(6 * count):
        pull = table.T @ (data - table @ x)
        pull[used | barred] = 0.0
        entering = int(np.argmax(pull / (norms + 1e-300)))
        if pull[entering] <= small[entering]:
            break
        trial = used.copy()
        trial[entering] = True
        solved = _solve(gram, target, trial)
        if solved is None or solved[entering] <= 0.0:
            barred[entering] = True
            continue
        x, used = _feasible(gram, target, x, trial)
        barred[:] = False
    return x


def _solve(gram: FloatArray, target: FloatArray, used: npt.NDArray[np.bool_]) -> FloatArray | None:
    """Return the free least-squares answer on some columns, None where they are dependent."""
    index = np.flatnonzero(used)
    x = np.zeros(target.size)
    try:
        x[index] = np.linalg.solve(gram[np.ix_(index, index)], target[index])
    except np.linalg.LinAlgError:
        return None
    return x


def _feasible(
    gram: FloatArray, target: FloatArray, x: FloatArray, used: npt.NDArray[np.bool_]
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Walk from a feasible x towards the free answer, dropping columns that would go negative."""
    used = used.copy()
    while used.any():
        solved = _solve(gram, target, used)
        if solved is None:
            used[np.flatnonzero(used)[-1]] = False
            continue
        negative = used & (solved <= 0.0)
        if not negative.any():
            return solved, used
        share = x[negative] / np.maximum(x[negative] - solved[negative], 1e-300)
        x = x + float(share.min()) * (solved - x)
        out = np.flatnonzero(negative)[int(np.argmin(share))]
        used = used & (x > 1e-12)
        used[out] = False
        x = np.where(used, x, 0.0)
    return np.zeros(target.size), used


class RowCompressor:
    """Keeps the triangular factor of all rows seen, so that memory and cost stay constant.

    ``factor`` has the same Gram matrix as the full table of rows: every least-squares problem
    on the columns gives the same answer from it. Factors are updated by orthogonal reflections
    (never by normal equations), because sums of exponentials are nearly dependent.
    """

    def __init__(self, columns: int) -> None:
        self.factor: FloatArray = np.zeros((columns, columns))
        self.rows = 0
        self._stacked: FloatArray = np.zeros((columns + 1, columns))
        self._below = np.tri(columns, k=-1, dtype=bool)

    def push(self, row: FloatArray) -> None:
        """Fold one row in."""
        stacked = self._stacked
        stacked[:-1] = self.factor
        stacked[-1] = row
        # The mode "r" gives the same, and takes half its time to set to zero what is below.
        reflected, _ = np.linalg.qr(stacked, mode="raw")
        self.factor = reflected.T[:-1]
        self.factor[self._below] = 0.0
        self.rows += 1

    def squared_norm(self, coefficients: FloatArray) -> float:
        """Return the sum of squares of rows · coefficients over all rows."""
        product = self.factor @ coefficients
        return float(product @ product)


@dataclass(frozen=True, slots=True)
class Fit:
    """One solution of the constrained least-squares problem.

    Attributes:
        slope: Coefficient of the slope column.
        amplitudes: Coefficients of the non-negative columns, in their order.
        intercept: Coefficient of the first column.
        chi2: Sum of squared residuals.
        chi2_slope: Derivative of ``chi2`` by the slope along the profile.
    """

    slope: float
    amplitudes: FloatArray
    intercept: float
    chi2: float
    chi2_slope: float


class SlopeProfile:
    """min |y − a − L·t − Σ A_i e_i|² over a, A ≥ 0, a + Σ(capped A) ≤ cap, as a function of L.

    The problem is convex: no starting values, one answer. The free intercept is eliminated
    exactly; where the cap binds, a = cap − ΣA is put in and the rest is again a non-negative
    problem (for a convex problem the optimum lies on a constraint that the free optimum breaks).
    """

    def __init__(
        self,
        factor: FloatArray,
        atoms: npt.NDArray[np.intp] | list[int],
        capped: int,
        slope: int,
        cap: float,
    ) -> None:
        """Take the compressed rows apart.

        Args:
            factor: Triangular factor; column 0 is the intercept's, the last one the data.
            atoms: Indices of the non-negative columns; those under the cap come first.
            capped: How many of them the cap counts.
            slope: Index of the slope column.
            cap: Highest allowed a + ΣA, in the unit of the data.
        """
        self._cap = cap
        self._capped = capped
        self._ones = factor[:, 0]
        self._atoms = factor[:, atoms]
        self._slope = factor[:, slope]
        self._data = factor[:, -1]

    @cached_property
    def _on_cap(self) -> FloatArray:
        """The non-negative columns where the cap binds."""
        columns = self._atoms.copy()
        columns[:, : self._capped] -= self._ones[:, None]
        return columns

    @cached_property
    def _floor(self) -> Fit:
        """The best fit without any slope."""
        return self.at(0.0)

    def at(self, slope: float) -> Fit:
        """Return the best fit with the slope held at a value."""
        target = self._data - slope * self._slope
        free = self._free_fit(solve_nonnegative(self._atoms[1:], target[1:]), slope)
        if self._within_cap(free):
            return free
        on_cap = solve_nonnegative(self._on_cap, target - self._cap * self._ones)
        return self._capped_fit(on_cap, slope)

    def best(self) -> Fit:
        """Return the best fit with the slope free, but not negative."""
        table = np.column_stack([self._atoms, self._slope])
        solution = solve_nonnegative(table[1:], self._data[1:])
        free = self._free_fit(solution[:-1], float(solution[-1]))
        if self._within_cap(free):
            return free
        table = np.column_stack([self._on_cap, self._slope])
        solution = solve_nonnegative(table, self._data - self._cap * self._ones)
        return self._capped_fit(solution[:-1], float(solution[-1]))

    def _within_cap(self, fit: Fit) -> bool:
        top = fit.intercept + float(fit.amplitudes[: self._capped].sum())
        return top <= self._cap + 1e-9 * abs(self._cap)

    def _free_fit(self, amplitudes: FloatArray, slope: float) -> Fit:
        left = self._data - slope * self._slope - self._atoms @ amplitudes
        intercept = float(left[0] / self._ones[0])
        left = left[1:]
        return Fit(
            slope,
            amplitudes,
            intercept,
            float(left @ left),
            float(-2.0 * (left @ self._slope[1:])),
        )

    def _capped_fit(self, amplitudes: FloatArray, slope: float) -> Fit:
        target = self._data - slope * self._slope - self._cap * self._ones
        left = target - self._on_cap @ amplitudes
        intercept = self._cap - float(amplitudes[: self._capped].sum())
        return Fit(
            slope,
            amplitudes,
            intercept,
            float(left @ left),
            float(-2.0 * (left @ self._slope)),
        )

    def information(self, fit: Fit) -> float:
        """Return the curvature ½ d²χ²/dL² at a fit, with its amplitudes in use free."""
        used = self._atoms[1:, fit.amplitudes > 0.0]
        column = self._slope[1:]
        if used.shape[1]:
            base, _ = np.linalg.qr(used)
            column = column - base @ (base.T @ column)
        return float(column @ column)

    def bound(self, best: Fit, rise: float, side: int, near: float | None = None) -> Fit:
        """Return the fit at which χ² has risen by ``rise`` above the best one.

        χ² is convex and piecewise a parabola in the slope: steps go in turn to where the present
        parabola and the chord of √χ² meet the goal, kept inside the bracket found so far.

        Args:
            best: The best fit.
            rise: Rise of χ² that ends the interval.
            side: +1 for the upper, −1 for the lower end; the lower end stops at zero.
            near: Where the end was at the last look; saves steps, no influence on the answer.
        """
        goal = best.chi2 + rise
        if side < 0:
            floor = self._floor
            if best.slope <= 0.0 or floor.chi2 <= goal:
                return floor
        inside, outside = best.slope, math.inf if side > 0 else 0.0
        height, depth = math.nan, 0.0  # √ of the rise of χ² at the outer and the inner point
        if near is not None and side * (near - best.slope) > 0.0:
            slope = near
        else:
            slope = best.slope + side * math.sqrt(rise / max(self.information(best), 1e-300))
        fit = best
        for turn in range(40):
            if not min(inside, outside) < slope < max(inside, outside):
                slope = 0.5 * (inside + outside)
            fit = self.at(slope)
            excess = fit.chi2 - goal
            if abs(excess) <= CLOSE * rise:
                break
            root = math.sqrt(max(excess + rise, 0.0))
            if excess > 0.0:
                outside, height = slope, root
            else:
                inside, depth = slope, root
            if turn % 2 and math.isfinite(height) and height > depth:
                slope = inside + (outside - inside) * (math.sqrt(rise) - depth) / (height - depth)
            else:
                slope += self._step_to(fit, excess, side)
        return fit

    def _step_to(self, fit: Fit, excess: float, side: int) -> float:
        """Return the step to the goal if the columns in use stay in use (χ² is then a parabola)."""
        curvature = max(self.information(fit), 1e-300)
        half = 0.5 * fit.chi2_slope
        root = math.sqrt(max(half * half - curvature * excess, 0.0))
        return (side * root - half) / curvature
