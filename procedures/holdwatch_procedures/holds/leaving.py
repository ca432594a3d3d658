"""When a running hold can end at the earliest, and when it ends at the latest."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwatch_procedures.holds.segment import Stretch

GAIN_EXPONENT = 2.0 / 3.0
"""The visible leak falls about as t^−1.5 under white noise, so that the time grows with the
ratio of leaks to this power."""


def time_left(
    longest_min: float, mark_ns: int | None, first_ns: int | None, stretch: Stretch | None
) -> tuple[float | None, float]:
    """Earliest and latest end, seconds from the start of the hold.

    The earliest is a forecast for a tight unit: when the smallest visible leak will have fallen
    to the criterion; None until the engine gives one. ``longest_min`` is the hold's longest
    duration, minutes.
    """
    start_s = (mark_ns if mark_ns is not None else first_ns or 0) / 1e9
    latest_s = start_s + longest_min * 60.0
    if stretch is None or stretch.estimate is None or stretch.scale is None:
        return None, latest_s
    estimate, limit = stretch.estimate, stretch.scale.limit_slope
    if not math.isfinite(estimate.smallest_visible):
        return None, latest_s
    ratio = max(estimate.smallest_visible / limit, 1.0)
    earliest_s = stretch.start_s + estimate.t_s * ratio**GAIN_EXPONENT
    return min(earliest_s, latest_s), latest_s
