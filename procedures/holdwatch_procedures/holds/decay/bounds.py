"""From what the bank knows to bounds: what is considered, and the smallest limit in sight."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from statistics import NormalDist
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.confidence import smallest_limit
from holdwatch_procedures.holds.decay.setup import Barometer, DecaySetup
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_procedures.holds.decay.bank import Posterior

Z_SHARE = 2.33
"""How often a bound carries what is considered, near enough for choosing advice."""

BAROMETER_PA_PER_S = 60.0 / 3600.0
BAROMETER_MOST_PA = 500.0
"""A room's pressure that nobody measures: 60 Pa an hour, up to 500 Pa (standard uncertainty)."""


WALK_SLOPE = 1.1
"""A random walk of σ an hour moves a straight line's slope by √(6/5)·σ/√(T·hour)."""


@dataclass(frozen=True, slots=True)
class Blur:
    """What the instruments themselves leave unsaid, as standard uncertainties of a change.

    Attributes:
        gauge_pa: By rounding of the gauge, Pa.
        clamp_k: By rounding of the thermometer, K.
        still_s: How long the thermometer showed one value without being known to be alive, s.
    """

    gauge_pa: float = 0.0
    clamp_k: float = 0.0
    still_s: float = 0.0


SHARP = Blur()
"""Instruments that leave nothing unsaid."""


class Doubt(StrEnum):
    """What is considered and not learned, by what would lessen it."""

    CLAMP = "clamp"
    LAG = "lag"
    GAUGE = "gauge"
    BAROMETER = "barometer"
    BLIND = "blind"
    COARSE_GAUGE = "coarse gauge"
    COARSE_CLAMP = "coarse clamp"
    STILL_CLAMP = "still clamp"


def doubts(
    setup: DecaySetup, posterior: Posterior, t_s: float, pa_per_k: float, blur: Blur = SHARP
) -> dict[Doubt, float]:
    """Return the standard uncertainty by each thing considered but the scale, Pa/s.

    Args:
        setup: What was declared and what is considered.
        posterior: What the bank knows.
        t_s: Time since the bank's start, s.
        pa_per_k: Pressure that one kelvin makes, Pa/K.
        blur: What the instruments' steps leave unsaid.
    """
    gain, lag, slow_lag, gauge = posterior.sensitivity.tolist()
    considered = setup.considered
    found = {
        Doubt.CLAMP: math.hypot(considered.gain, setup.kappa_u / setup.kappa) * abs(gain),
        Doubt.LAG: math.hypot(considered.lag * lag, considered.slow_lag * slow_lag),
        Doubt.GAUGE: setup.tempco_pa_per_k * abs(gauge),
    }
    if t_s > 0.0 and setup.barometer is Barometer.CONSTANT:
        found[Doubt.BAROMETER] = min(BAROMETER_PA_PER_S * t_s, BAROMETER_MOST_PA) / t_s
    if t_s > 0.0:
        found[Doubt.COARSE_GAUGE] = blur.gauge_pa / t_s
        blind = not setup.thermometer
        drift_k = considered.unseen_drift_k(t_s if blind else min(blur.still_s, t_s))
        found[Doubt.BLIND if blind else Doubt.STILL_CLAMP] = pa_per_k * drift_k / t_s
        wander_k = WALK_SLOPE * setup.clamp_wander_k_per_h * math.sqrt(t_s / 3600.0)
        clamp_k = 0.0 if blind else math.hypot(blur.clamp_k, wander_k)
        found[Doubt.COARSE_CLAMP] = pa_per_k * clamp_k / t_s
    return found


@lru_cache(maxsize=64)
def quantile(share: float) -> float:
    """Return the standard normal quantile of a share."""
    return NormalDist().inv_cdf(share)


def advice(setup: DecaySetup, found: dict[Doubt, float], half_width: float) -> tuple[Say, ...]:
    """Return what would help most: a sentence for a doubt that makes half of the bound alone."""
    worst = max(found, key=found.__getitem__)
    if 2.0 * Z_SHARE * found[worst] < half_width:
        return ()
    key = f"decay.doubt.{worst}"
    if worst in {Doubt.STILL_CLAMP, Doubt.BLIND}:
        return (Say(key, drift_k=setup.considered.blind_k_per_h),)
    return (Say(key),)


def visible(setup: DecaySetup, posterior: Posterior, considered: float) -> float:
    """Return the smallest limit that a tight system could have passed by now, Pa/s.

    Args:
        setup: What was declared.
        posterior: What the bank knows.
        considered: Standard uncertainty of all that is considered, Pa/s.
    """
    return smallest_limit(
        posterior.variance,
        considered,
        setup.false_pass,
        quantile(1.0 - setup.false_pass),
        setup.spread,
    )
