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

    Solves L = hypot(h(v, L), z·c) by repeating it: an error shrinks about twelvefold a round.

    Args:
        variance: v, the random part of the slope's variance.
        systematic: c, the standard uncertainty of what is considered and not learned.
        error_rate: The allowed share of false passes.
        z: How many c the bound carries.
        spread: As in `half_width`.
    """
    limit = math.hypot(z * systematic, 3.5 * math.sqrt(variance))
    for _ in range(12):
        last = limit
        limit = math.hypot(half_width(variance, last, error_rate, spread), z * systematic)
        if abs(limit - last) < 1e-6 * limit:
            break
    return limit
