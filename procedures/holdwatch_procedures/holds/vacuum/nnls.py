"""Non-negative least squares on compressed rows, and the profile of one slope by it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]

CLOSE = 5e-3
"""How near χ² must come to the end of an interval, as a share of its rise."""

DEPENDENT = 2e-14
"""A column whose part across the basis is at most this share of it depends on the basis."""


def solve_nonnegative(table: FloatArray, data: FloatArray) -> FloatArray:
    """Return x ≥ 0 that minimises |table·x − data|².

    Args:
        table: Columns to combine, in units of the data's standard deviation.
        data: What they must add up to, in the same unit.
    """
    return NonNegativeSolver(table).solve(data)


class NonNegativeSolver:
    """Finds x ≥ 0 that minimises |table·x − data|², for one table and data after data.

    The active-set method of Lawson and Hanson (Solving Least Squares Problems, 1974, chapter 23).
    The columns in use are kept as an orthonormal basis, never as normal equations, because sums
    of exponentials are nearly dependent. Each problem starts from the columns that the last one
    used: where the data changed little they are the answer's, which saves nearly all the work.
    """

    def __init__(self, table: FloatArray, start: Iterable[int] = ()) -> None:
        """Take the columns.

        Args:
            table: Columns to combine, in units of the data's standard deviation.
            start: Columns that the first answer probably uses; they save time and do not bind.
        """
        self._columns = np.ascontiguousarray(table.T)
        count, rows = self._columns.shape
        self._norms: list[float] = np.sqrt((self._columns**2).sum(axis=1)).tolist()
        self._basis = np.empty((min(count, rows), rows))
        self._factor: list[list[float]] = []
        self._used: list[int] = []
        for column in start:
            self._enter(column)

    @property
    def in_use(self) -> list[int]:
        """The columns that the last answer used, in the order in which they came in."""
        return list(self._used)

    def solve(self, data: FloatArray, *, without: int | None = None) -> FloatArray:
        """Return x.

        Args:
            data: What the columns must add up to, in the unit of the table.
            without: A column that must stay out of this answer.
        """
        if without in self._used:
            self._leave(self._used.index(without))
        x, left = self._free_answer(data)
        while x and min(x) <= 0.0:
            self._keep(x)
            x, left = self._free_answer(data)
        turns = 3 * len(self._norms)  # rounding could let columns come and go for ever
        while turns > 0 and self._enter_best(left, without):
            x, left, took = self._descend(data, [*x, 0.0])
            turns -= took
        answer = np.zeros(len(self._norms))
        answer[self._used] = x
        return answer

    def _descend(self, data: FloatArray, x: list[float]) -> tuple[list[float], FloatArray, int]:
        """Go from a feasible x to the free answer, dropping columns that would go negative.

        Returns:
            The answer on the columns that stay, what it leaves of the data, and the steps taken.
        """
        took = 1
        goal, left = self._free_answer(data)
        while goal and min(goal) <= 0.0:
            ends = [
                now / (now - to) if to <= 0.0 else math.inf for now, to in zip(x, goal, strict=True)
            ]
            share = min(ends)
            x = [now + share * (to - now) for now, to in zip(x, goal, strict=True)]
            x[ends.index(share)] = 0.0
            x = self._keep(x)
            goal, left = self._free_answer(data)
            took += 1
        return goal, left, took

    def _free_answer(self, data: FloatArray) -> tuple[list[float], FloatArray]:
        """Return the least-squares answer on the columns in use, and what it leaves of the data."""
        basis = self._basis[: len(self._used)]
        parts, left = _project(basis, data)
        rest: list[float] = parts.tolist()
        answer = [0.0] * len(rest)
        for i in reversed(range(len(rest))):
            column = self._factor[i]
            answer[i] = rest[i] / column[i]
            for j in range(i):
                rest[j] -= answer[i] * column[j]
        return answer, left

    def _enter_best(self, left: FloatArray, without: int | None) -> bool:
        """Take in the column that takes most from what is left; False where none does."""
        if len(self._used) == len(self._basis):
            return False
        pull = self._columns.dot(left)
        pull[self._used] = 0.0
        if without is not None:
            pull[without] = 0.0
        while True:
            column = int(pull.argmax())
            if pull[column] <= 0.0:
                return False
            if self._enter(column):
                if self._basis[len(self._used) - 1].dot(left) > 0.0:
                    return True
                self._leave(len(self._used) - 1)
            pull[column] = 0.0  # its pull was rounding

    def _enter(self, column: int) -> bool:
        """Add a column to the basis; False where it depends on those in use."""
        used = len(self._used)
        parts, across = _project(self._basis[:used], self._columns[column])
        height = math.sqrt(across.dot(across))
        if height <= DEPENDENT * self._norms[column]:
            return False
        self._basis[used] = across / height
        self._factor.append([*parts.tolist(), height])
        self._used.append(column)
        return True

    def _keep(self, x: list[float]) -> list[float]:
        """Take out the columns whose x is not above zero; return the x of the others."""
        for place in reversed(range(len(x))):
            if x[place] <= 0.0:
                self._leave(place)
        return [value for value in x if value > 0.0]

    def _leave(self, place: int) -> None:
        """Take out the column at a place; those behind it are put to the rest of the basis."""
        behind = self._used[place + 1 :]
        del self._used[place:], self._factor[place:]
        for column in behind:
            self._enter(column)


def _project(basis: FloatArray, vector: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return a vector's parts along an orthonormal basis, and what lies across it.

    Gram and Schmidt's step, done twice: once leaves rounding along the basis.
    """
    parts = basis.dot(vector)
    across = vector - parts.dot(basis)
    again = basis.dot(across)
    across -= again.dot(basis)
    return parts + again, across


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
        like: Mapping[bool, Sequence[int]] | None = None,
    ) -> None:
        """Take the compressed rows apart.

        Args:
            factor: Triangular factor; column 0 is the intercept's, the last one the data.
            atoms: Indices of the non-negative columns; those under the cap come first.
            capped: How many of them the cap counts.
            slope: Index of the slope column.
            cap: Highest allowed a + ΣA, in the unit of the data.
            like: `in_use` of a profile of nearly the same rows; saves time, nothing else.
        """
        self._cap = cap
        self._capped = capped
        self._ones = factor[:, 0]
        self._atoms = factor[:, atoms]
        self._slope = factor[:, slope]
        self._data = factor[:, -1]
        self._like = like or {}
        self._solvers: dict[bool, NonNegativeSolver] = {}

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

    @property
    def in_use(self) -> dict[bool, list[int]]:
        """The columns that the last answers used, the intercept free or on the cap."""
        return {capped: solver.in_use for capped, solver in self._solvers.items()}

    def _solve(self, target: FloatArray, *, capped: bool, slope_free: bool) -> FloatArray:
        """Return the amplitudes, and the slope behind them, that fit a target best."""
        solver = self._solvers.get(capped)
        if solver is None:
            atoms = self._on_cap if capped else self._atoms[1:]
            table = np.column_stack([atoms, self._slope[0 if capped else 1 :]])
            solver = NonNegativeSolver(table, self._like.get(capped, ()))
            self._solvers[capped] = solver
        data = target - self._cap * self._ones if capped else target[1:]
        return solver.solve(data, without=None if slope_free else self._atoms.shape[1])

    def at(self, slope: float) -> Fit:
        """Return the best fit with the slope held at a value."""
        target = self._data - slope * self._slope
        free = self._free_fit(self._solve(target, capped=False, slope_free=False)[:-1], slope)
        if self._within_cap(free):
            return free
        on_cap = self._solve(target, capped=True, slope_free=False)
        return self._capped_fit(on_cap[:-1], slope)

    def best(self) -> Fit:
        """Return the best fit with the slope free, but not negative."""
        solution = self._solve(self._data, capped=False, slope_free=True)
        free = self._free_fit(solution[:-1], float(solution[-1]))
        if self._within_cap(free):
            return free
        solution = self._solve(self._data, capped=True, slope_free=True)
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
