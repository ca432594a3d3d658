"""Simulated gauges and thermometers show the faults that they are given, and no others."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from holdwatch_simulators.probes import (
    AirThermometer,
    Barometer,
    Blemishes,
    Gauge,
    GaugeModel,
    PipeClamp,
    ThermometerModel,
    Truth,
)
from holdwatch_simulators.scenario import ProbeSpec

QUIET = GaugeModel()
TRUTH = Truth(0.0, 1.1e6, 1.0e5, 294.0, 290.0)


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def at(t_s: float, pressure_pa: float = 1.1e6, ambient_k: float = 290.0) -> Truth:
    return replace(TRUTH, t_s=t_s, pressure_pa=pressure_pa, ambient_k=ambient_k)


def blemished(**faults: float) -> GaugeModel:
    return replace(QUIET, blemishes=Blemishes(**faults))


def read_many(gauge: Gauge, count: int) -> list[float]:
    values = [gauge.read(at(float(k))) for k in range(count)]
    return [value for value in values if value is not None]


def test_each_reference_reads_against_its_own_zero() -> None:
    model = replace(QUIET, calibrated_k=290.0)
    assert Gauge(model, rng()).read(TRUTH) == pytest.approx(1.0e6)
    assert Gauge(replace(model, reference="absolute"), rng()).read(TRUTH) == pytest.approx(1.1e6)
    sealed = replace(model, reference="sealed", sealed_pa=101_325.0)
    assert Gauge(sealed, rng()).read(TRUTH) == pytest.approx(1.1e6 - 101_325.0)


def test_a_gauge_saturates_at_both_ends() -> None:
    gauge = Gauge(replace(QUIET, low_pa=0.0, high_pa=5e5, blemishes=Blemishes(noise=50.0)), rng())
    assert all(gauge.read(at(k, 1.1e6)) == 5e5 for k in range(50))
    assert all(gauge.read(at(50 + k, 0.5e5)) == 0.0 for k in range(50))


def test_a_thermometer_saturates_at_both_ends() -> None:
    model = ThermometerModel(low_k=273.15, high_k=293.15, lag_s=0.0, ambient_share=0.0)
    clamp = PipeClamp(model, rng())
    assert clamp.read(TRUTH) == 293.15
    assert clamp.read(replace(TRUTH, t_s=1.0, pipe_k=250.0)) == 273.15


def test_white_noise_has_the_stated_size() -> None:
    values = read_many(Gauge(blemished(noise=200.0), rng()), 20_000)
    assert np.std(values) == pytest.approx(200.0, rel=0.03)
    assert np.mean(values) == pytest.approx(1.0e6, abs=8.0)


def test_noise_may_grow_with_the_value() -> None:
    values = read_many(Gauge(blemished(noise_share=0.002), rng()), 5000)
    assert np.std(values) == pytest.approx(2000.0, rel=0.05)


def test_slow_noise_has_the_stated_size_and_memory() -> None:
    values = np.array(
        read_many(Gauge(blemished(slow_noise=100.0, slow_noise_s=30.0), rng()), 60_000)
    )
    assert np.std(values) == pytest.approx(100.0, rel=0.08)
    correlation = float(np.corrcoef(values[:-30], values[30:])[0, 1])
    assert correlation == pytest.approx(math.exp(-1.0), abs=0.06)


def test_drift_is_a_walk_of_the_stated_size_after_an_hour() -> None:
    ends = [Gauge(blemished(drift_per_h=500.0), rng(seed)) for seed in range(400)]
    after = []
    for gauge in ends:
        gauge.read(at(0.0))
        for minute in range(1, 61):
            value = gauge.read(at(60.0 * minute))
        assert value is not None
        after.append(value - 1.0e6)
    assert np.std(after) == pytest.approx(500.0, rel=0.12)


def test_values_are_whole_multiples_of_the_resolution() -> None:
    values = read_many(Gauge(blemished(noise=1000.0, resolution=690.0), rng()), 200)
    assert all(value / 690.0 == pytest.approx(round(value / 690.0), abs=1e-9) for value in values)
    assert len(set(values)) > 3


def test_offset_and_scale_are_applied() -> None:
    assert Gauge(blemished(offset=1500.0, scale=1.01), rng()).read(TRUTH) == pytest.approx(
        1.0e6 * 1.01 + 1500.0
    )


def test_the_zero_follows_the_bodys_temperature_with_its_lag() -> None:
    model = GaugeModel(
        high_pa=3.5e6, tempco_share_of_span_per_k=0.0002, calibrated_k=290.0, body_s=600.0
    )
    gauge = Gauge(model, rng())
    assert gauge.read(at(0.0)) == pytest.approx(1.0e6)
    assert gauge.read(at(600.0, ambient_k=300.0)) == pytest.approx(
        1.0e6 + 0.0002 * 3.5e6 * 10.0 * (1.0 - math.exp(-1.0))
    )
    assert gauge.read(at(1e5, ambient_k=300.0)) == pytest.approx(1.0e6 + 7000.0, rel=1e-6)


def test_dropouts_come_as_often_as_stated() -> None:
    assert len(read_many(Gauge(blemished(dropout=0.1), rng()), 20_000)) == pytest.approx(
        18_000, rel=0.01
    )


def test_silences_come_in_stretches() -> None:
    gauge = Gauge(blemished(silences_per_h=6.0, dropout_s=60.0), rng())
    heard = [gauge.read(at(float(k))) is not None for k in range(50_000)]
    stretches = [len(list(run)) for said, run in itertools.groupby(heard) if not said]
    assert len(stretches) == pytest.approx(6.0 * 50_000 / 3600.0, rel=0.3)
    assert np.mean(stretches) == pytest.approx(60.0, rel=0.3)


def test_a_stuck_gauge_repeats_its_last_value() -> None:
    gauge = Gauge(blemished(noise=100.0, stuck_from_s=50.0), rng())
    values = read_many(gauge, 100)
    assert len(set(values[:50])) == 50
    assert set(values[50:]) == {values[49]}


def test_a_zeroed_gauge_shifts_once() -> None:
    gauge = Gauge(blemished(shift_at_s=10.0, shift=-3000.0), rng())
    values = read_many(gauge, 20)
    assert values == pytest.approx([1.0e6] * 10 + [1.0e6 - 3000.0] * 10)


def test_a_flat_battery_silences_a_probe() -> None:
    gauge = Gauge(blemished(battery_percent=10.0, battery_percent_per_h=5.0), rng())
    assert gauge.battery_percent(3600.0) == pytest.approx(5.0)
    assert gauge.read(at(7199.0)) is not None
    assert gauge.read(at(7201.0)) is None
    assert gauge.battery_percent(1e6) == 0.0


def test_a_clamp_mixes_in_the_air_and_lags() -> None:
    clamp = PipeClamp(ThermometerModel(ambient_share=0.05, lag_s=10.0), rng())
    assert clamp.read(TRUTH) == pytest.approx(294.0 - 0.05 * 4.0)
    warmer = replace(TRUTH, t_s=10.0, pipe_k=304.0)
    target = 304.0 - 0.05 * 14.0
    assert clamp.read(warmer) == pytest.approx(target + (293.8 - target) * math.exp(-1.0))


def test_a_fallen_clamp_reads_the_air() -> None:
    clamp = PipeClamp(ThermometerModel(lag_s=1.0, fallen_from_s=100.0), rng())
    assert clamp.read(replace(TRUTH, t_s=99.0)) == pytest.approx(293.8)
    assert clamp.read(replace(TRUTH, t_s=200.0)) == pytest.approx(290.0)


def test_shop_probes_read_the_shop() -> None:
    barometer = Barometer(GaugeModel(reference="absolute", calibrated_k=290.0), rng())
    assert barometer.read(TRUTH) == pytest.approx(1.0e5)
    assert AirThermometer(ThermometerModel(), rng()).read(TRUTH) == pytest.approx(290.0)


def test_a_probe_in_the_wrong_place_is_refused() -> None:
    spec = ProbeSpec("pipe_temperature", "pipe", GaugeModel(), "degC", "clamp")
    with pytest.raises(ValueError, match="pipe_temperature: a GaugeModel cannot sit at pipe"):
        spec.build(rng())
    vented = ProbeSpec("barometer", "barometer", GaugeModel(), "kPaa", "wall")
    with pytest.raises(ValueError, match="cannot sit at barometer"):
        vented.build(rng())
