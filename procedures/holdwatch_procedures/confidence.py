"""Bounds that hold at every look: a normal-mixture confidence sequence centred at the criterion."""

from __future__ import annotations

import math

MIXTURE_SPREAD = 2.0
"""Standard deviation of the mixture in units of the criterion."""


def half_width(variance: float, limit: float, error_rate: float, spread: float) -> float:
    """Return the half-width of the sequence for one side, in the unit of ``limit``.

    An estimate with variance v of a drift stands for the information I = 1/v. Mixing the
    likelihood ratio over drifts N(limit, (spread·limit)²) and stopping when it reaches
    1/(2α) gives, with η = 1/(spread·limit)²,

        h = sqrt((I + η)/I² · ln((I + η)/(η (2α)²))).

    A drift that sits exactly on the limit is then called above it, ever, with probability
    at most α, and below it likewise, however often one looks. Source: H. Robbins,
    "Statistical methods related to the law of the iterated logarithm", 1970 (from memory).

    Args:
        variance: v, the variance of the estimate, > 0.
        limit: The criterion, > 0.
        error_rate: α, the share of wrong calls on this side, between 0 and 0.5.
        spread: Standard deviation of the mixture over the limit; 1 to 2 loses least.

    >>> round(half_width(0.04, 1.0, 0.01, 2.0), 5)
    0.7089
    """
    information = 1.0 / variance
    eta = 1.0 / (spread * limit) ** 2
    total = information + eta
    return math.sqrt(total * math.log(total / (eta * (2.0 * error_rate) ** 2))) / information


def smallest_limit(
    variance: float, systematic: float, error_rate: float, z: float, spread: float
) -> float:
    """Return the smallest limit that an estimate of zero could pass, in the unit of the slope.

    Solves L = sqrt(h(v, L)² + (z·c)²). For c = 0 and a spread k the information needed is
    I·L² = x with (x + 1/k²)·ln(k²(x + 1/k²)/(2α)²) = x², a number near 12 for 1 %.

    Args:
        variance: v, the random part of the slope's variance.
        systematic: c, the standard uncertainty of what is considered and not learned.
        error_rate: The allowed share of false passes.
        z: How many c the bound carries.
        spread: As in `half_width`.
    """
    floor = math.hypot(z * systematic, math.sqrt(variance))
    low, high = floor, 4.0 * floor
    while math.hypot(half_width(variance, high, error_rate, spread), z * systematic) > high:
        low, high = high, 2.0 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        if math.hypot(half_width(variance, middle, error_rate, spread), z * systematic) > middle:
            low = middle
        else:
            high = middle
        if high - low < 1e-4 * high:
            break
    return high
