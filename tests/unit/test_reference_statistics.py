"""The statistics under the verdicts, against certified data and reference libraries."""

from __future__ import annotations

import math
from importlib.resources import files

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from holdwatch_procedures.holds.confidence import half_width
from holdwatch_procedures.holds.decay.bank import Bank, BankSpec
from holdwatch_procedures.holds.segment import LinearFit


def norris() -> list[tuple[float, float]]:
    """NIST's statistical reference data set Norris, as scipy ships it: (x, y)."""
    folder = files("scipy.stats").joinpath("tests", "data", "nist_linregress")
    lines = folder.joinpath("Norris.dat").read_text(encoding="utf-8").splitlines()
    rows = [line.split() for line in lines[60:] if len(line.split()) == 2]
    return [(float(x), float(y)) for y, x in rows]


def test_the_plain_slope_meets_the_certified_values_of_norris() -> None:
    points = norris()
    assert len(points) == 36
    line = LinearFit()
    line.extend(points)
    # Certified values, NIST Statistical Reference Datasets, Norris.
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)


def test_times_of_the_size_of_an_epoch_lose_no_digits() -> None:
    line = LinearFit()
    line.extend((1.75e9 + x, 1.0e6 + y) for x, y in norris())
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-6)


@pytest.mark.parametrize("size_k", [0.03, 0.3])
def test_a_filter_is_generalised_least_squares_step_by_step(size_k: float) -> None:
    # One model of the bank, all its covariances written out, given to statsmodels' GLS.
    b, noise, time_s, faded = 3700.0, 150.0, 2000.0, (250.0, 600.0)
    spec = BankSpec(
        hidden_sd_k=(size_k,),
        hidden_weight=(1.0,),
        hidden_time_s=(time_s,),
        transient_s=faded,
        intercept_sd_pa=1e7,
        slope_sd=1e4,
    )
    t = np.arange(0.0, 3600.0, 10.0)
    lag = np.abs(t[:, None] - t[None, :])
    hidden = (b * size_k) ** 2 * np.exp(-lag / time_s)
    warmth = sum(
        (b * sd) ** 2 * np.outer(np.exp(-t / each), np.exp(-t / each))
        for each, sd in zip(faded, spec.transient_sd_k, strict=True)
    )
    covariance = hidden + warmth + noise**2 * np.eye(t.size)
    chance = np.random.default_rng(3)
    y = 500.0 - 0.8 * t + np.linalg.cholesky(covariance) @ chance.standard_normal(t.size)

    bank = Bank(spec, b, noise**2, columns=0)
    for each, value in zip(t, y, strict=True):
        bank.step(float(each), float(each), np.array([value]))
    ours = bank.posterior()

    design = np.column_stack([np.ones(t.size), -t])
    reference = sm.GLS(y, design, sigma=covariance).fit()
    # GLS scales by the residuals; the covariance here is known, so its own inverse is the spread.
    spread = np.linalg.inv(design.T @ np.linalg.solve(covariance, design))[1, 1]
    assert ours.slope == pytest.approx(reference.params[1], rel=1e-4)
    assert ours.variance == pytest.approx(spread, rel=1e-3)


def test_the_sequence_is_wider_than_one_look_and_narrower_than_a_bound_for_all_of_them() -> None:
    # One look at 1 % a side is 2.33 sigma; a bound over 10,000 looks (Bonferroni) is 4.75.
    width = half_width(1.0, 1.0, 0.01, 1.0)
    one = stats.norm.ppf(0.99)
    all_looks = stats.norm.ppf(1.0 - 0.01 / 10_000)
    assert one < width < all_looks


def test_walds_expected_time_is_what_a_drift_needs() -> None:
    # Wald 1945: two hypotheses one apart, 1 % each way: E[log ratio] is 0.98·ln 99 at the end.
    chance = np.random.default_rng(11)
    bound, used = math.log(99.0), []
    for _ in range(1500):
        total, looks = 0.0, 0
        while abs(total) < bound:
            looks += 1
            total += chance.normal(1.0, 10.0) / 100.0 - 0.005
        used.append(looks)
    expected = 0.98 * math.log(99.0) / 0.005
    assert np.mean(used) == pytest.approx(expected, rel=0.08)
