"""The solver under the vacuum engine, against scipy's and against brute force."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy import optimize

from holdwatch_procedures.holds.vacuum.nnls import (
    NonNegativeSolver,
    RowCompressor,
    SlopeProfile,
    solve_nonnegative,
)


def _residual(table: np.ndarray, x: np.ndarray, data: np.ndarray) -> float:
    left = data - table @ x
    return float(left @ left)


def _brute_force(table: np.ndarray, data: np.ndarray) -> float:
    """Smallest residual over every subset of columns whose free answer is not negative."""
    best = float(data @ data)
    for size in range(1, table.shape[1] + 1):
        for subset in itertools.combinations(range(table.shape[1]), size):
            part = table[:, subset]
            x = np.linalg.lstsq(part, data, rcond=None)[0]
            if (x >= 0).all():
                best = min(best, _residual(part, x, data))
    return best


@pytest.mark.parametrize("seed", range(12))
def test_the_solver_finds_what_trying_every_subset_finds(seed: int) -> None:
    rng = np.random.default_rng(seed)
    table = rng.normal(size=(20, 7))
    table[:, 3] = table[:, 2] + 1e-6 * rng.normal(size=20)  # nearly dependent
    data = rng.normal(size=20) + 3.0 * table[:, 1]
    x = solve_nonnegative(table, data)
    assert (x >= 0).all()
    assert _residual(table, x, data) == pytest.approx(_brute_force(table, data), rel=1e-7)


def _desorption(seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A rise by desorption and leak at 5 s steps, and the nearly dependent columns for it."""
    rng = np.random.default_rng(seed)
    t = np.arange(rng.integers(40, 300)) * 5.0
    taus_s = np.geomspace(25.0, 2400.0, 36)
    table = np.column_stack([-np.expm1(-t[:, None] / taus_s), t / 3600.0]) / 0.4
    amounts = np.zeros(37)
    amounts[rng.integers(0, 36, 3)] = rng.uniform(5.0, 900.0, 3)
    amounts[-1] = rng.uniform(0.0, 500.0)
    return table, table @ amounts + rng.normal(size=t.size)


@pytest.mark.parametrize("seed", range(20))
def test_the_solver_against_scipy_on_nearly_dependent_columns(seed: int) -> None:
    table, data = _desorption(seed)
    ours, theirs = solve_nonnegative(table, data), optimize.nnls(table, data)[0]
    assert ours[-1] == pytest.approx(theirs[-1], rel=1e-7)
    assert table @ ours == pytest.approx(table @ theirs, abs=1e-7)
    assert _residual(table, ours, data) == pytest.approx(_residual(table, theirs, data), rel=1e-12)


@pytest.mark.parametrize("seed", range(10))
def test_where_the_solver_starts_has_no_part_in_the_answer(seed: int) -> None:
    table, data = _desorption(seed)
    cold = solve_nonnegative(table, data)
    begun = NonNegativeSolver(table, start=[0, 12, 35, 36])
    assert begun.solve(data) == pytest.approx(cold, rel=1e-6, abs=1e-6)
    begun.solve(data + 40.0 * table[:, 20])
    assert begun.solve(data) == pytest.approx(cold, rel=1e-6, abs=1e-6)


def test_a_column_that_must_stay_out_stays_out() -> None:
    table, data = _desorption(3)
    solver = NonNegativeSolver(table)
    assert solver.solve(data)[-1] > 0.0
    without = solver.solve(data, without=36)
    assert without[-1] == 0.0
    rest = optimize.nnls(table[:, :-1], data)[0]
    assert table @ without == pytest.approx(table[:, :-1] @ rest, abs=1e-6)


def test_a_row_is_folded_in_by_the_triangular_factor_of_what_is_stacked() -> None:
    rng = np.random.default_rng(4)
    table, factor = RowCompressor(6), np.zeros((6, 6))
    for row in rng.normal(size=(50, 6)):
        table.push(row)
        factor = np.asarray(np.linalg.qr(np.vstack([factor, row]), mode="r"))
        assert table.factor.tobytes() == factor.tobytes()


def test_compressed_rows_have_the_gram_matrix_of_all_rows() -> None:
    rng = np.random.default_rng(3)
    rows = rng.normal(size=(200, 6))
    table = RowCompressor(6)
    for row in rows:
        table.push(row)
    assert table.factor.T @ table.factor == pytest.approx(rows.T @ rows, abs=1e-9)
    assert table.squared_norm(np.ones(6)) == pytest.approx(float((rows.sum(axis=1) ** 2).sum()))
    assert table.factor.shape == (6, 6)


def _profile(data: np.ndarray, cap: float) -> tuple[SlopeProfile, np.ndarray]:
    t = np.arange(data.size) / 50.0
    columns = [np.ones_like(t), 1 - np.exp(-t / 0.4), 1 - np.exp(-t / 1.5), t, data]
    rows = np.column_stack(columns)
    table = RowCompressor(5)
    for row in rows:
        table.push(row)
    return SlopeProfile(table.factor, [1, 2], 2, 3, cap), rows


@pytest.mark.parametrize("cap", [1e9, 3.0])
def test_the_ends_of_the_interval_lie_where_chi_squared_has_risen_as_asked(cap: float) -> None:
    rng = np.random.default_rng(5)
    t = np.arange(120) / 50.0
    profile, _ = _profile(1.0 + 4.0 * (1 - np.exp(-t)) + 2.0 * t + rng.normal(0, 0.1, 120), cap)
    best = profile.best()
    for side in (-1, 1):
        end = profile.bound(best, 0.12, side)
        assert (end.slope - best.slope) * side > 0
        assert end.chi2 - best.chi2 == pytest.approx(0.12, rel=0.01)
        assert end.intercept + end.amplitudes.sum() <= cap * (1 + 1e-6)
    for slope in (best.slope - 0.3, best.slope + 0.3):
        assert profile.at(slope).chi2 >= best.chi2


def test_the_lower_end_stops_at_no_leak() -> None:
    rng = np.random.default_rng(6)
    profile, _ = _profile(5.0 + rng.normal(0, 0.1, 120), 1e9)
    best = profile.best()
    assert profile.bound(best, 1.0, -1).slope == 0.0


def test_the_chi_squared_of_a_fit_is_that_of_all_rows() -> None:
    rng = np.random.default_rng(7)
    t = np.arange(120) / 50.0
    profile, rows = _profile(1.0 + 2.0 * (1 - np.exp(-t)) + t + rng.normal(0, 0.1, 120), 1e9)
    fit = profile.best()
    x = np.array([fit.intercept, *fit.amplitudes, fit.slope])
    assert fit.chi2 == pytest.approx(_residual(rows[:, :-1], x, rows[:, -1]), rel=1e-8)
