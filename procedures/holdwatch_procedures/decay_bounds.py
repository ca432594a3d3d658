"""From what the bank knows to bounds: what is considered, and the smallest limit in sight."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

from holdwatch_procedures.confidence import smallest_limit
from holdwatch_procedures.decay_setup import Barometer, DecaySetup

if TYPE_CHECKING:
    from holdwatch_procedures.decay_bank import Posterior

BAROMETER_PA_PER_S = 60.0 / 3600.0
BAROMETER_MOST_PA = 500.0
"""A room's pressure that nobody measures: 60 Pa an hour, up to 500 Pa (standard uncertainty)."""


def systematic(setup: DecaySetup, posterior: Posterior, t_s: float, pa_per_k: float) -> float:
    """Return the standard uncertainty of all that is considered but the scale, Pa/s.

    Args:
        setup: What was declared and what is considered.
        posterior: What the bank knows.
        t_s: Time since the bank's start, s.
        pa_per_k: Pressure that one kelvin makes, Pa/K.
    """
    gain, lag, slow_lag, gauge = (float(value) for value in posterior.sensitivity)
    considered = setup.considered
    terms = [
        math.hypot(considered.gain, setup.kappa_u / setup.kappa) * gain,
        considered.lag * lag,
        considered.slow_lag * slow_lag,
        setup.tempco_pa_per_k * gauge,
    ]
    if t_s > 0.0 and setup.barometer is Barometer.CONSTANT:
        terms.append(min(BAROMETER_PA_PER_S * t_s, BAROMETER_MOST_PA) / t_s)
    if t_s > 0.0 and not setup.thermometer:
        drift_k = min(considered.blind_k_per_h * t_s / 3600.0, considered.blind_most_k)
        terms.append(pa_per_k * drift_k / t_s)
    return math.hypot(*terms)


def visible(setup: DecaySetup, posterior: Posterior, considered: float) -> float:
    """Return the smallest limit that a tight system could have passed by now, Pa/s.

    Args:
        setup: What was declared.
        posterior: What the bank knows.
        considered: Standard uncertainty from `systematic`, Pa/s.
    """
    return smallest_limit(
        posterior.variance,
        considered,
        setup.false_pass,
        NormalDist().inv_cdf(1.0 - setup.false_pass),
        setup.spread,
    )
