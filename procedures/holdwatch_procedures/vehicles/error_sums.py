"""Small sums of measurement uncertainty: coverage of mixed errors, and agreement of results."""

from __future__ import annotations

import math
from typing import Final

_SMALL_SHARE: Final = 1e-5
_STEPS: Final = 60
"""Halvings of the bracket: to the last digits of a float."""


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of an error that is anywhere within ±a: a/√3 (GUM 4.3.7).

    >>> round(rectangular_u(15.0), 4)
    8.6603
    """
    return half_width / math.sqrt(3.0)


def normal_cdf(z: float) -> float:
    """Share of a standard normal below z."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _below(z: float) -> float:
    """Integral of the normal's share below, z·Φ(z) + φ(z)."""
    return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def half_width(sigma: float, reach: float, confidence: float) -> float:
    """Half-width of the interval that holds a normal error plus a rectangular one.

    With ``reach`` 0 it is the GUM's k·u (k = 1.960 at 95 %); with ``sigma`` 0 the rectangle's own
    share. Between them it is exact, where k·√(σ² + a²/3) would be too wide by up to a fifth and
    could let a wider one-sided allowance raise the upper bound.

    Args:
        sigma: Standard deviation of the normal error.
        reach: Half-width of the rectangular error.
        confidence: Share to be held, between 0 and 1.

    >>> round(half_width(1.0, 0.0, 0.95), 4), half_width(0.0, 10.0, 0.95)
    (1.96, 9.5)
    """
    if sigma <= 0.0:
        return confidence * reach
    share = 0.5 * (1.0 + confidence)
    plain = reach < _SMALL_SHARE * sigma
    low, high = 0.0, reach + 10.0 * sigma
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        if plain:
            held = normal_cdf(middle / sigma)
        else:
            held = (_below((middle + reach) / sigma) - _below((middle - reach) / sigma)) * (
                sigma / (2.0 * reach)
            )
        low, high = (middle, high) if held < share else (low, middle)
    return 0.5 * (low + high)


def chi_square_limit(degrees: int, z: float = 2.326) -> float:
    """Chi-square exceeded with the chance of a normal above z (1 % by default).

    Wilson and Hilferty's cube approximation, within 2 % from one degree of freedom on (against
    scipy, beside the tests).
    """
    share = 2.0 / (9.0 * degrees)
    return float(degrees * (1.0 - share + z * math.sqrt(share)) ** 3)
