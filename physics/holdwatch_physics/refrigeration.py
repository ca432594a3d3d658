"""Superheat and subcooling: how far a line is from boiling."""

from __future__ import annotations

import math

__all__ = ["LineTemperatureError", "subcooling_k", "superheat_k"]


class LineTemperatureError(ValueError):
    """A temperature that no line can have."""


def _checked(name: str, t_k: float) -> float:
    """Return the temperature if it is one."""
    if not (math.isfinite(t_k) and t_k > 0.0):
        raise LineTemperatureError(f"{name} of {t_k} K: it must be above 0 K")
    return t_k


def superheat_k(line_k: float, dew_k: float) -> float:
    """Return how far a vapour line is above the dew temperature at its pressure, K.

    For a blend it is the dew temperature that counts: there the last drop boils away. Around 0
    the line carries liquid. A value below 0 cannot last: clamp and gauge disagree, or are not at
    the same place; it is returned as it is, so that it can be seen.

    Raises:
        LineTemperatureError: a temperature is not a number above 0 K.

    >>> round(superheat_k(line_k=281.15, dew_k=275.15), 6)
    6.0
    """
    return _checked("line temperature", line_k) - _checked("dew temperature", dew_k)


def subcooling_k(bubble_k: float, line_k: float) -> float:
    """Return how far a liquid line is below the bubble temperature at its pressure, K.

    For a blend it is the bubble temperature that counts: there the first bubble forms. Around 0
    the line carries vapour. A value below 0 cannot last, as with :func:`superheat_k`.

    Raises:
        LineTemperatureError: a temperature is not a number above 0 K.

    >>> round(subcooling_k(bubble_k=313.15, line_k=308.15), 6)
    5.0
    """
    return _checked("bubble temperature", bubble_k) - _checked("line temperature", line_k)
