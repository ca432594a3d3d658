"""The pressure-decay engine against its test vector and its own promises."""

from __future__ import annotations

import math

import pytest

from holdwatch_procedures.holds.confidence import half_width
from holdwatch_procedures.holds.decay.bank import Bank, BankSpec
from holdwatch_procedures.holds.decay.engine import DecayEngine, scatter_variance
from holdwatch_procedures.holds.decay.setup import Barometer, Considered, DecaySetup
from holdwatch_procedures.holds.decay.signal import COLUMNS, GasSignal
from holdwatch_procedures.holds.estimates import Block, Estimate

VECTOR = DecaySetup(
    limit_pa_per_s=1.0,
    resolution_pa=690.0,
    considered=Considered(gain=0.06, lag=0.20, slow_lag=0.0, scale=0.03, tails=1.0),
    bank=BankSpec(),
    barometer=Barometer.MEASURED,
    start_k=295.15,
)
"""The published vector: two transients, one lag, κ = 1, nothing else considered."""


def vector_block(k: int) -> Block:
    t = (k + 0.5) * 10.0
    warm = 25.0 + 0.5 * math.sin(2 * math.pi * t / 3600.0) + 0.8 * math.exp(-t / 400.0)
    gauge = (
        1.6e6 * (1.0 + (warm - 25.0) / 295.15)
        - 101325.0
        - 0.5 * t
        + 300.0 * math.sin(1.7 * k)
        + 150.0 * math.sin(0.9 * k + 1.0)
    )
    return Block(
        index=k,
        t_s=t,
        pressure_pa=gauge + 101325.0,
        pressure_sd_pa=0.0,
        pressure_n=10,
        pipe_k=warm + 273.15,
        coldest_k=None,
        ambient_k=None,
        barometer_pa=101325.0,
    )


def run(setup: DecaySetup, blocks: int) -> list[Estimate | None]:
    engine = DecayEngine(setup)
    return [engine.push(vector_block(k)) for k in range(blocks)]


@pytest.mark.parametrize(
    ("after", "slope", "sd", "systematic", "h", "bound"),
    [
        (89, 0.27455, 1.22826, 0.53645, 4.35271, 4.52802),
        (209, 0.52710, 0.23034, 0.24158, 0.80852, 0.98461),
        (419, 0.51011, 0.06092, 0.34517, 0.23453, 0.83643),
    ],
)
def test_the_engine_reproduces_the_test_vector(
    *, after: int, slope: float, sd: float, systematic: float, h: float, bound: float
) -> None:
    # Figures: a simulation trial of this algorithm, blocks counted after settling. It rounded
    # the 99 % point of the normal law to 2.326, hence the wider tolerance on the bound.
    estimate = run(VECTOR, 60 + after + 1)[-1]
    assert estimate is not None
    assert estimate.slope == pytest.approx(slope, abs=1e-4)
    assert estimate.high - estimate.slope == pytest.approx(bound, abs=2e-4)
    assert estimate.slope - estimate.low == pytest.approx(bound, abs=2e-4)
    plain = 1.959964 * math.hypot(sd, systematic)
    assert estimate.high95 - estimate.slope == pytest.approx(plain, abs=1e-4)
    assert half_width(sd**2, 1.0, 0.01, 2.0) == pytest.approx(h, abs=1e-4)


def test_the_bank_reproduces_the_first_look_of_the_vector() -> None:
    # The vector's first look knew the noise of all ninety early blocks.
    signal = GasSignal(VECTOR)
    rows = [row for k in range(150) if (row := signal.push(vector_block(k))) is not None]
    noise = scatter_variance([signal.normalised(row) for row in rows], 690.0)
    bank = Bank(BankSpec(), signal.pa_per_k, noise, COLUMNS)
    for row in rows[:30]:
        bank.step(row.t_s, row.clock_s, signal.values(row))
    posterior = bank.posterior()
    gain, lag, _, _ = posterior.sensitivity
    systematic = math.hypot(0.06 * gain, 0.20 * lag, 0.03 * posterior.slope)
    assert posterior.slope == pytest.approx(1.14265, abs=1e-4)
    assert math.sqrt(posterior.variance) == pytest.approx(4.75943, abs=1e-4)
    assert systematic == pytest.approx(0.12370, abs=1e-4)


def test_the_sequence_alone_has_the_published_half_width() -> None:
    # v = 0.04, L = 1, 1 % each way, mixture of twice the limit: the trial's figure.
    assert half_width(0.04, 1.0, 0.01, 2.0) == pytest.approx(0.70890, abs=1e-5)
