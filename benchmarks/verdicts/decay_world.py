"""Simulated pressure-decay holds with the nuisances of a shop, for campaigns on the verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from holdwatch_procedures.holds.estimates import Block, Clamp
from holdwatch_procedures.holds.resolution import Resolution, ResolutionWatch

Array = NDArray[np.float64]

ROOM_K = 295.15
BLOCK = 10
"""Samples in a block, one a second."""


@dataclass(frozen=True, slots=True)
class World:
    """Ranges from which each hold draws; a pair is (low, high), uniform unless said.

    Attributes:
        gauge_bar: Test pressure, bar gauge.
        drift_k_per_h: Standard deviation of the room's drift, K/h, bounded in all by 4 K.
        swing_k: Amplitude of the heating's cycle in the pipe.
        swing_s: Its period.
        hidden_k: Size of the gas temperature that no clamp sees, log-uniform.
        hidden_s: Its correlation time, log-uniform.
        fast_s: Time constant of the quick charging transient.
        slow_s: Time constant of the slow one.
        fast_k: Standard deviation of the quick one at the mark, K.
        slow_k: Standard deviation of the slow one at the mark, K.
        clamp_gain_sd: Standard deviation of the clamp's gain about one.
        clamp_gain: Mean of it.
        lag_s: Time constant of gas behind pipe.
        clamp_noise_k: White noise of the clamp, one sample.
        clamp_wander_k: Slow wander of the clamp.
        noise_pa: White noise of the gauge, one sample.
        coloured_pa: Correlated part of it (lag-one correlation 0.9 a second).
        resolution_pa: Steps of the gauge, one of these.
        clamp_resolution_k: Steps of the clamp.
        tempco_pa_per_k: Standard deviation of the gauge's own temperature effect.
        span_per_day: Standard deviation of the drift of the span, relative, a day.
        weather_pa_per_h: Standard deviation of the barometer's trend.
        kappa: True exponent: mean and standard deviation.
        doors_per_h: Doors opened: the room falls by up to 2 K and recovers in 15 min.
        dropouts_per_h: Gaps of 10 to 120 s.
        outliers: Share of wild samples.
        nodes: Whether the gas is in four parts of the plant that follow their own air, with the
            clamp on one of them; replaces gain, lag and transients.
    """

    gauge_bar: tuple[float, float] = (8.0, 18.0)
    drift_k_per_h: float = 1.0
    swing_k: tuple[float, float] = (0.0, 0.4)
    swing_s: tuple[float, float] = (900.0, 5400.0)
    hidden_k: tuple[float, float] = (0.02, 0.2)
    hidden_s: tuple[float, float] = (300.0, 6000.0)
    fast_s: tuple[float, float] = (120.0, 300.0)
    slow_s: tuple[float, float] = (400.0, 900.0)
    fast_k: float = 4.0
    slow_k: float = 1.0
    clamp_gain_sd: float = 0.05
    clamp_gain: float = 1.0
    lag_s: tuple[float, float] = (0.0, 200.0)
    clamp_noise_k: tuple[float, float] = (0.05, 0.12)
    clamp_wander_k: float = 0.02
    noise_pa: tuple[float, float] = (100.0, 600.0)
    coloured_pa: tuple[float, float] = (0.0, 200.0)
    resolution_pa: tuple[float, ...] = (690.0,)
    clamp_resolution_k: float = 0.1
    tempco_pa_per_k: float = 100.0
    span_per_day: float = 2e-5
    weather_pa_per_h: float = 60.0
    kappa: tuple[float, float] = (1.03, 0.006)
    doors_per_h: float = 0.0
    dropouts_per_h: float = 0.5
    outliers: float = 5e-4
    nodes: bool = False


NOMINAL = World()
BENIGN = World(
    drift_k_per_h=0.25,
    swing_k=(0.0, 0.1),
    hidden_k=(0.02, 0.06),
    clamp_gain_sd=0.03,
    noise_pa=(50.0, 200.0),
)
HARSH = World(
    drift_k_per_h=2.0,
    swing_k=(0.2, 1.0),
    hidden_k=(0.1, 0.3),
    clamp_noise_k=(0.05, 0.2),
    noise_pa=(300.0, 1000.0),
    tempco_pa_per_k=200.0,
    doors_per_h=2.0,
    dropouts_per_h=3.0,
    outliers=2e-3,
)
WORLDS = {
    "nominal": NOMINAL,
    "benign": BENIGN,
    "harsh": HARSH,
    "loose clamp": replace(NOMINAL, clamp_gain=0.88, clamp_gain_sd=0.02),
    "four parts": replace(NOMINAL, nodes=True, hidden_k=(0.01, 0.1)),
    "quiet coarse gauge": replace(NOMINAL, noise_pa=(20.0, 100.0), coloured_pa=(0.0, 20.0)),
}


@dataclass(frozen=True, slots=True)
class Truth:
    """What a hold drew, for the oracle and the score."""

    start_pa: float
    slope: float
    hidden_k: float
    hidden_s: float
    fast_s: float
    slow_s: float
    lag_s: float
    gain: float
    clamp_noise_k: float
    noise_pa: float
    coloured_pa: float
    resolution_pa: float
    tempco: float
    world: World = field(repr=False)


@dataclass(frozen=True, slots=True)
class Trace:
    """Ten-second blocks of one hold; NaN where a block is empty.

    Attributes:
        truth: What was drawn.
        pressure_pa: Absolute pressure.
        pipe_k: Clamp.
        room_k: Room.
        barometer_pa: Barometer.
        true_pipe_k: The pipe itself, about the room's start.
        gauge: The gauge's own readings, one a second, NaN where one is missing; None where
            nobody kept them.
        clamp: The clamp's, likewise.
    """

    truth: Truth
    pressure_pa: Array
    pipe_k: Array
    room_k: Array
    barometer_pa: Array
    true_pipe_k: Array
    gauge: Array | None = None
    clamp: Array | None = None

    def blocks(self) -> list[Block]:
        """Return the blocks as the engine takes them."""
        gauge, clamp = resolutions(self.gauge), resolutions(self.clamp)
        return [
            Block(
                index=k,
                t_s=(k + 0.5) * BLOCK,
                pressure_pa=None if math.isnan(p) else p,
                pressure_sd_pa=0.0,
                pressure_n=BLOCK,
                pipe_k=None if math.isnan(t) else t,
                coldest_k=None,
                ambient_k=room,
                barometer_pa=outside,
                pressure_resolution=gauge[k] if gauge else None,
                clamps=(Clamp("pipe_temperature", t, clamp[k]),)
                if clamp and not math.isnan(t)
                else (),
            )
            for k, (p, t, room, outside) in enumerate(
                zip(
                    self.pressure_pa.tolist(),
                    self.pipe_k.tolist(),
                    self.room_k.tolist(),
                    self.barometer_pa.tolist(),
                    strict=True,
                )
            )
        ]


def resolutions(series: Array | None) -> list[Resolution | None]:
    """Return what each block of an instrument's readings shows of it."""
    if series is None:
        return []
    watch = ResolutionWatch(None)
    found = []
    for k in range(len(series) // BLOCK):
        for place in range(k * BLOCK, (k + 1) * BLOCK):
            if not math.isnan(series[place]):
                watch.add(float(place), float(series[place]))
        found.append(watch.close())
    return found


def lagged(signal: Array, time_s: float, dt_s: float = 1.0) -> Array:
    """Follow a signal with a first-order lag, starting settled."""
    if time_s <= 0.0:
        return signal
    keep = math.exp(-dt_s / time_s)
    out: Array = lfilter([1.0 - keep], [1.0, -keep], signal - signal[0]) + signal[0]
    return out


def coloured(rng: np.random.Generator, n: int, sd: float, time_s: float) -> Array:
    """Return an Ornstein–Uhlenbeck path of n seconds, stationary from the start."""
    keep = math.exp(-1.0 / time_s)
    kick = rng.standard_normal(n) * sd * math.sqrt(1.0 - keep * keep)
    kick[0] = rng.standard_normal() * sd
    out: Array = lfilter([1.0], [1.0, -keep], kick)
    return out


def room(rng: np.random.Generator, world: World, n: int) -> Array:
    """Return the room's temperature about its start, K."""
    t = np.arange(n, dtype=float)
    hours = n / 3600.0
    rate = rng.normal(0.0, world.drift_k_per_h)
    rate = math.copysign(min(abs(rate), 4.0 / hours, 3.0), rate)
    swing = rng.uniform(*world.swing_k) * np.sin(
        2 * np.pi * (t / rng.uniform(*world.swing_s) + rng.uniform())
    )
    out: Array = rate * t / 3600.0 + swing + coloured(rng, n, 0.1, 3000.0)
    for _ in range(rng.poisson(world.doors_per_h * hours)):
        at = int(rng.integers(n))
        out[at:] -= rng.uniform(0.3, 2.0) * np.exp(-np.arange(n - at) / 900.0)
    return out


def loguniform(rng: np.random.Generator, bounds: tuple[float, float]) -> float:
    """Draw log-uniformly."""
    return float(math.exp(rng.uniform(math.log(bounds[0]), math.log(bounds[1]))))


def gas_pressure(start_pa: float, slope: float, kappa: float, warmth: Array, out: Array) -> Array:
    """Integrate the viscous leak and the gas's temperature into absolute pressure, each second."""
    heat = ((ROOM_K + warmth) / (ROOM_K + warmth[600])) ** kappa
    head = start_pa**2 - out[0] ** 2
    amount = np.full(len(warmth), start_pa)
    for _ in range(4):
        rate = ((amount * heat) ** 2 - out**2) / head
        amount = start_pa - slope * np.concatenate([[0.0], np.cumsum(rate[:-1])])
    pressure: Array = amount * heat
    return pressure


def one_part(rng: np.random.Generator, truth: Truth, shop: Array) -> tuple[Array, Array]:
    """Return pipe and gas: the gas is the lagged pipe times a gain, and two transients."""
    world = truth.world
    t = np.arange(len(shop), dtype=float)
    slow = rng.normal(0.0, world.slow_k) * np.exp(-t / truth.slow_s)
    fast = rng.normal(0.0, world.fast_k) * np.exp(-t / truth.fast_s)
    pipe = lagged(shop, 300.0) + rng.uniform(0.2, 0.8) * slow
    return pipe, truth.gain * lagged(pipe, truth.lag_s) + slow + fast


def four_parts(rng: np.random.Generator, shop: Array) -> tuple[Array, Array]:
    """Return pipe and gas of a plant whose parts follow their own air in their own time.

    Pipes, condenser, evaporator, compressor with accumulator: each a metal node that relaxes
    to its air, and gas that relaxes to the metal; charging leaves the gas warm and the metal by
    what p·V (4 kJ at 15 bar and 2.5 L) does to its 5 to 10 kJ/K. The air at each part strays
    from the shop's. The clamp sits on pipes or condenser, lags, and feels the air a little.
    """
    n = len(shop)
    t = np.arange(n, dtype=float)
    share = rng.dirichlet([3.0, 6.0, 4.0, 5.0])
    metal_s = [rng.uniform(*span) for span in ((240, 480), (300, 900), (600, 1800), (1800, 5400))]
    heat = rng.uniform(2.0, 10.0)
    warmth = np.zeros(n)
    metals = []
    for part in range(4):
        air = shop + coloured(rng, n, rng.uniform(0.02, 0.15), 3600.0)
        metal = lagged(air, metal_s[part])
        metal = metal + rng.uniform(0.05, 0.6) * np.exp(-t / metal_s[part])
        gas_s = rng.uniform(30.0, 150.0)
        gas = lagged(metal, gas_s) + heat * rng.uniform(0.7, 1.3) * np.exp(-t / gas_s)
        warmth += share[part] * gas
        metals.append(metal)
    on = metals[int(rng.integers(2))]
    felt = rng.uniform(0.0, 0.1)
    pipe = lagged((1.0 - felt) * on + felt * shop, rng.uniform(20.0, 90.0))
    return pipe, warmth


def simulate(rng: np.random.Generator, world: World, slope: float, minutes: float) -> Trace:
    """Draw one hold that loses ``slope`` Pa/s at its start and lasts ``minutes`` from the mark."""
    n = int(minutes * 60)
    t = np.arange(n, dtype=float)
    start = 1e5 * rng.uniform(*world.gauge_bar) + 101325.0
    truth = Truth(
        start_pa=start,
        slope=slope,
        hidden_k=loguniform(rng, world.hidden_k),
        hidden_s=loguniform(rng, world.hidden_s),
        fast_s=rng.uniform(*world.fast_s),
        slow_s=rng.uniform(*world.slow_s),
        lag_s=rng.uniform(*world.lag_s),
        gain=rng.normal(world.clamp_gain, world.clamp_gain_sd),
        clamp_noise_k=rng.uniform(*world.clamp_noise_k),
        noise_pa=rng.uniform(*world.noise_pa),
        coloured_pa=rng.uniform(*world.coloured_pa),
        resolution_pa=float(rng.choice(world.resolution_pa)),
        tempco=rng.normal(0.0, world.tempco_pa_per_k),
        world=world,
    )
    shop = room(rng, world, n)
    pipe, warmth = four_parts(rng, shop) if world.nodes else one_part(rng, truth, shop)
    warmth = warmth + coloured(rng, n, truth.hidden_k, truth.hidden_s)
    outside = 101325.0 + rng.normal(0.0, world.weather_pa_per_h) * t / 3600.0
    outside += np.cumsum(rng.normal(0.0, 40.0 / 60.0, n))
    kappa = rng.normal(*world.kappa)
    pressure = gas_pressure(start, slope, kappa, warmth, outside)
    span = 1.0 + rng.normal(0.0, world.span_per_day) * t / 86400.0
    gauge = (pressure - outside) * span + rng.normal(0.0, 3000.0)
    gauge += truth.tempco * lagged(shop, 600.0)
    gauge += rng.normal(0.0, truth.noise_pa, n) + coloured(rng, n, truth.coloured_pa, 10.0)
    wild = np.flatnonzero(rng.uniform(size=n) < world.outliers)
    gauge[wild] += rng.choice([-1.0, 1.0], len(wild)) * rng.uniform(3e3, 5e4, len(wild))
    gauge = np.round(gauge / truth.resolution_pa) * truth.resolution_pa
    clamp = pipe + coloured(rng, n, world.clamp_wander_k, 1200.0)
    clamp += rng.normal(0.0, truth.clamp_noise_k, n)
    step = world.clamp_resolution_k
    clamp = np.round(clamp / step) * step + ROOM_K
    for series in (gauge, clamp):
        for _ in range(rng.poisson(world.dropouts_per_h * n / 3600.0)):
            at = int(rng.integers(n))
            series[at : at + int(rng.integers(10, 120))] = np.nan
    seen_out = np.round((outside + rng.normal(0.0, 5.0, n)) / 10.0) * 10.0
    return Trace(
        truth=truth,
        pressure_pa=robust_blocks(gauge + seen_out),
        pipe_k=mean_blocks(clamp),
        room_k=mean_blocks(shop + rng.normal(0.0, 0.05, n) + ROOM_K),
        barometer_pa=mean_blocks(seen_out),
        true_pipe_k=mean_blocks(pipe),
        gauge=gauge,
        clamp=clamp,
    )


def mean_blocks(series: Array) -> Array:
    """Average over each block; NaN where it is empty."""
    rows = series[: len(series) // BLOCK * BLOCK].reshape(-1, BLOCK)
    good = ~np.isnan(rows)
    count = good.sum(axis=1)
    total = np.where(good, rows, 0.0).sum(axis=1)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def robust_blocks(series: Array) -> Array:
    """Average over each block without what lies 4 robust sigmas and 3 kPa off its median."""
    rows = series[: len(series) // BLOCK * BLOCK].reshape(-1, BLOCK)
    empty: NDArray[np.bool_] = np.isnan(rows).min(axis=1)
    safe = np.where(empty[:, None], 0.0, rows)
    middle = np.nanmedian(safe, axis=1)
    off = np.abs(safe - middle[:, None])
    allowed = np.maximum(4 * 1.4826 * np.nanmedian(off, axis=1), 3000.0)
    kept = np.where(off <= allowed[:, None], safe, np.nan)
    out = np.nanmean(kept, axis=1)
    return np.where(empty, np.nan, out)
