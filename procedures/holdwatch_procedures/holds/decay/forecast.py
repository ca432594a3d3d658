"""Forecasts what a pressure-decay hold can see, by the very filters that will judge it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_procedures.holds.decay.bank import Bank
from holdwatch_procedures.holds.decay.engine import (
    FIRST_LOOK,
    READINGS_A_BLOCK,
    Quantisation,
    doubts,
    visible,
)
from holdwatch_procedures.holds.decay.signal import COLUMNS, FLOOR_S, LAG_TIME_S
from holdwatch_procedures.holds.estimates import BLOCK_S
from holdwatch_procedures.holds.resolution import rounding_doubt

if TYPE_CHECKING:
    from holdwatch_procedures.holds.decay.setup import DecaySetup

MOST_DRIFT_K = 4.0
"""A room is not assumed to drift further than this in one hold, K."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a forecast assumes of the place.

    Attributes:
        pressure_pa: Absolute test pressure, Pa.
        warmth_k: Temperature of gas and pipe at the start, K.
        hidden_k: Standard deviation of the gas temperature that no thermometer sees, K.
        hidden_s: Its correlation time, s.
        drift_k_per_h: Steady drift of the room, K/h, up to 4 K in all.
        thermometer_noise_k: Scatter of single thermometer readings, K.
    """

    pressure_pa: float
    warmth_k: float = 295.15
    hidden_k: float = 0.1
    hidden_s: float = 2000.0
    drift_k_per_h: float = 1.0
    thermometer_noise_k: float = 0.05


@dataclass(frozen=True, slots=True)
class Sight:
    """The smallest limit that can be passed after a time.

    Attributes:
        t_s: Time from the mark, s.
        limit_pa_per_s: Smallest limit that a tight system can then pass, Pa/s.
    """

    t_s: float
    limit_pa_per_s: float


def block_noise(setup: DecaySetup, place: Surroundings, pa_per_k: float) -> float:
    """Return the variance of a block's normalised pressure that readings will show, Pa²."""
    resolution = setup.resolution_pa or 0.0
    noise = setup.noise_pa if setup.noise_pa is not None else 0.5 * resolution
    seen = noise**2 + resolution**2 / 12.0
    if setup.thermometer:
        seen += (pa_per_k * place.thermometer_noise_k) ** 2
    return max(seen / READINGS_A_BLOCK, 1.0)


def expected_blur(setup: DecaySetup) -> Quantisation:
    """Return what the gauge's declared steps will leave unsaid.

    Rounding averages out from a noise of half a step on, and not at all below 0.15 steps.
    """
    if setup.resolution_pa is None or setup.noise_pa is None:
        return Quantisation()
    ratio = setup.noise_pa / setup.resolution_pa
    coarse = min(max((0.5 - ratio) / 0.35, 0.0), 1.0)
    return Quantisation(gauge_pa=rounding_doubt(setup.resolution_pa, coarse))


def forecast_path(setup: DecaySetup, place: Surroundings, minutes: float) -> list[Sight]:
    """Return what is in sight at each block of a hold of so many minutes from the mark.

    Runs the filters' covariances without data, for one size of the hidden temperature: the
    one that the bank would recognise. The figures are those of a hold as expected; single
    holds scatter about them.
    """
    t0 = place.warmth_k
    b = setup.kappa * place.pressure_pa / t0
    spec = replace(
        setup.bank_spec,
        hidden_sd_k=(place.hidden_k,),
        hidden_weight=(1.0,),
        hidden_time_s=(place.hidden_s,),
    )
    bank = Bank(
        spec, b, block_noise(setup, place, b), COLUMNS, setup.gauge_wander_pa_per_h**2 / 3600.0
    )
    span_s = max(minutes * 60.0 - FLOOR_S, BLOCK_S)
    path: list[Sight] = []
    best = math.inf
    quantisation = expected_blur(setup)
    for k in range(int(span_s / BLOCK_S)):
        t_s = k * BLOCK_S
        # The columns are for a drift of 1 K/s; what they do to the slope is in proportion.
        lags = [time_s * math.expm1(-t_s / time_s) for time_s in LAG_TIME_S]
        seen = b if setup.thermometer else 0.0
        values = [0.0, seen * t_s, *(seen * lag for lag in lags), t_s]
        bank.step(t_s, t_s, np.array(values))
        if k + 1 >= FIRST_LOOK:
            drift = min(place.drift_k_per_h / 3600.0, MOST_DRIFT_K / t_s)
            known = bank.posterior()
            posterior = replace(known, sensitivity=drift * known.sensitivity)
            unlearned = math.hypot(*doubts(setup, posterior, t_s, b, quantisation).values())
            best = min(best, visible(setup, posterior, unlearned))
            path.append(Sight(FLOOR_S + t_s + BLOCK_S, best))
    return path


def forecast(setup: DecaySetup, place: Surroundings, minutes: float) -> float:
    """Return the smallest limit that a hold of so many minutes can pass, Pa/s; ∞ if too short."""
    path = forecast_path(setup, place, minutes)
    return path[-1].limit_pa_per_s if path else math.inf


def minutes_to_see(
    setup: DecaySetup, place: Surroundings, limit_pa_per_s: float, most_minutes: float = 2880.0
) -> float | None:
    """Return the minutes from the mark until a limit is in sight; None if not in that time."""
    for sight in forecast_path(setup, place, most_minutes):
        if sight.limit_pa_per_s <= limit_pa_per_s:
            return sight.t_s / 60.0
    return None
