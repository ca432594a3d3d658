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


def systematic(setup: DecaySetup, posterior: Posterior, t_s: float) -> float:
    """Return the standard uncertainty of all that is considered but the scale, Pa/s."""
    gain, lag, gauge = (float(value) for value in posterior.sensitivity)
    terms = [
        math.hypot(setup.considered.gain, setup.kappa_u / setup.kappa) * gain,
        setup.considered.lag * lag,
        setup.tempco_pa_per_k * gauge,
    ]
    if setup.barometer is Barometer.CONSTANT and t_s > 0.0:
        terms.append(min(BAROMETER_PA_PER_S * t_s, BAROMETER_MOST_PA) / t_s)
    return math.hypot(*terms)


def visible(setup: DecaySetup, posterior: Posterior, t_s: float) -> float:
    """Return the smallest limit that a tight system could have passed by now, Pa/s."""
    return smallest_limit(
        posterior.variance,
        systematic(setup, posterior, t_s),
        setup.false_pass,
        NormalDist().inv_cdf(1.0 - setup.false_pass),
        setup.spread,
    )
