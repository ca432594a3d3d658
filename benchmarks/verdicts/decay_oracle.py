"""An oracle for pressure-decay holds: it knows every covariance and time constant of a hold."""

from __future__ import annotations

import math

import numpy as np
from decay_world import BLOCK, ROOM_K, Array, Trace, lagged

WALD = math.log(0.99 / 0.01)


def oracle_path(trace: Trace, first: int = 60) -> tuple[Array, Array]:
    """Return the oracle's slope and its variance after each block from ``first`` on.

    A Kalman filter with the hold's own hidden temperature, transients, lag, noises, and prior
    variances of gain, tempco and span; the realisations it must learn. Only for learning the
    gain it is given the pipe's temperature without the clamp's noise: noise in a regressor
    would bias it.
    """
    truth, world = trace.truth, trace.truth.world
    kappa = world.kappa[0]
    b = kappa * truth.start_pa / ROOM_K
    rise = trace.pipe_k - ROOM_K
    held = rise.copy()
    for k in range(len(held)):
        if math.isnan(held[k]):
            held[k] = held[k - 1] if k else 0.0
    follow = lagged(held, truth.lag_s, BLOCK)
    pure = lagged(trace.true_pipe_k, truth.lag_s, BLOCK)
    shop = lagged(trace.room_k - ROOM_K, 600.0, BLOCK)
    n = len(follow)
    t = (np.arange(n) + 0.5) * BLOCK
    t -= t[first]
    z = trace.pressure_pa * ((ROOM_K + follow[first]) / (ROOM_K + follow)) ** kappa
    z = z - truth.start_pa
    outside = trace.barometer_pa
    w = (np.nan_to_num(trace.pressure_pa, nan=truth.start_pa) ** 2 - outside**2) / (
        truth.start_pa**2 - outside[first] ** 2
    )
    clock = np.concatenate([[0.0], np.cumsum(0.5 * (w[1:] + w[:-1]) * BLOCK)])
    clock -= clock[first]
    # a, s, fast, slow, hidden, gain, coloured noise, tempco, clamp wander
    gain_u = math.hypot(world.clamp_gain_sd, world.kappa[1] / kappa)
    span_u = world.span_per_day * truth.start_pa / 86400.0
    prior = [
        1e4**2,
        50.0**2 + span_u**2,
        (world.fast_k * math.exp(-600.0 / truth.fast_s)) ** 2 + 1e-6,
        (world.slow_k * math.exp(-600.0 / truth.slow_s)) ** 2,
        truth.hidden_k**2,
        gain_u**2,
        block_variance(truth.coloured_pa),
        world.tempco_pa_per_k**2 + 1e-9,
        world.clamp_wander_k**2,
    ]
    mean = np.zeros(9)
    cov = np.diag(prior)
    keep = np.ones(9)
    keep[4] = math.exp(-BLOCK / truth.hidden_s)
    keep[6] = math.exp(-1.0)
    keep[8] = math.exp(-BLOCK / 1200.0)
    fresh = np.diag([p * (1.0 - k * k) for p, k in zip(prior, keep, strict=True)])
    clamp_white = (truth.clamp_noise_k**2 + 0.1**2 / 12) / 10 * 10.0 / (10.0 + 2 * truth.lag_s)
    noise = (truth.noise_pa**2 + truth.resolution_pa**2 / 12) / BLOCK
    noise += b * b * clamp_white + 10.0
    outer = np.outer(keep, keep)
    slopes = np.full(n, np.nan)
    variances = np.full(n, np.nan)
    for k in range(first, n):
        if k > first:
            mean = mean * keep
            cov = cov * outer + fresh
        if not (math.isnan(z[k]) or math.isnan(rise[k])):
            row = np.array(
                [
                    1.0,
                    -clock[k],
                    b * math.exp(-t[k] / truth.fast_s),
                    b * math.exp(-t[k] / truth.slow_s),
                    b,
                    b * (pure[k] - pure[first]),
                    1.0,
                    shop[k] - shop[first],
                    b,
                ]
            )
            cross = cov @ row
            spread = row @ cross + noise
            mean = mean + cross * ((z[k] - row @ mean) / spread)
            cov = cov - np.outer(cross, cross) / spread
        slopes[k] = mean[1]
        variances[k] = cov[1, 1]
    return slopes, variances


def block_variance(coloured_pa: float) -> float:
    """Variance of a ten-second mean of noise that forgets itself in ten seconds."""
    return coloured_pa**2 * 0.736


def oracle_verdict(trace: Trace, limit: float, first_look: int = 90) -> tuple[str, int]:
    """Two one-sided sequential tests, L/4 against L and L against 2L, 1 % each way."""
    slopes, variances = oracle_path(trace)
    with np.errstate(invalid="ignore"):
        low = 0.75 * limit * (slopes - 0.625 * limit) / variances
        high = limit * (slopes - 1.5 * limit) / variances
    for k in range(first_look, len(slopes)):
        if low[k] < -WALD:
            return "pass", k
        if high[k] > WALD:
            return "fail", k
    return "inconclusive", len(slopes)
