"""Chebyshev series at one point, in plain arithmetic: the same bits on every machine.

``numpy.polynomial`` makes the coefficients (``scripts/make_fluid_tables.py``) and checks these
sums in the tests; at a single point its own sum costs ten times as much as the loops here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence


def value(series: Sequence[float], x: float) -> float:
    """Return Σ cₙ Tₙ(x) for x in −1 … 1 (Clenshaw 1955); 0 for an empty series.

    >>> value([1.0, 2.0, 3.0], 0.5)  # 1 + 2·0.5 + 3·(2·0.25 − 1)
    0.5
    """
    if not series:
        return 0.0
    twice = 2.0 * x
    one = two = 0.0
    for c in series[:0:-1]:
        one, two = twice * one - two + c, one
    return x * one - two + series[0]


def value_and_slope(series: Sequence[float], x: float) -> tuple[float, float]:
    """Return Σ cₙ Tₙ(x) and its derivative over x; zeros for an empty series.

    >>> value_and_slope([1.0, 2.0, 3.0], 0.5)  # slope 2 + 3·4·0.5
    (0.5, 8.0)
    """
    if not series:
        return 0.0, 0.0
    twice = 2.0 * x
    one = two = d_one = d_two = 0.0
    for c in series[:0:-1]:
        d_one, d_two = twice * d_one - d_two + 2.0 * one, d_one
        one, two = twice * one - two + c, one
    return x * one - two + series[0], x * d_one - d_two + one
