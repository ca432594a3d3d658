"""Writes amounts that every shop reads alike: masses and durations."""

from __future__ import annotations

import math


def grams_text(value: float, *, up: bool = False) -> str:
    """A leak with its unit, to two or three digits; ``up`` never rounds below the value.

    >>> grams_text(417.3), grams_text(417.3, up=True), grams_text(18340.0), grams_text(6.28)
    ('420 g', '420 g', '18 kg', '6.3 g')
    """
    if not math.isfinite(value):
        return "an unknown amount"
    unit, number = ("kg", value / 1e3) if abs(value) >= 1e4 else ("g", value)
    if number == 0.0:
        return f"0 {unit}"
    step = 10.0 ** (math.floor(math.log10(abs(number))) - 1)
    rounded = (math.ceil if up else round)(number / step) * step
    decimals = max(0, -math.floor(math.log10(step)))
    return f"{rounded:.{decimals}f} {unit}"


def duration_text(seconds: float) -> str:
    """A duration for people.

    >>> duration_text(1500), duration_text(30000)
    ('25 min', '8 h 20 min')
    """
    whole = max(0, round(seconds / 60.0))
    hours, rest = divmod(whole, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"
