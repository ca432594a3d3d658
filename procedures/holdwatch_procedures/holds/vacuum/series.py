"""Several standing vacuums of one work order, judged together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdwatch_procedures.holds.estimates import Estimate

REPEATS = Say("vacuum.repeats")
FADED = Say("vacuum.faded")


@dataclass(frozen=True, slots=True)
class CombinedHolds:
    """The leak as all holds together bound it, Pa/s.

    Attributes:
        slope: The best estimate that no hold contradicts.
        low: Lower bound: a slope that every hold it rests on has shown.
        high: Upper bound: the smallest of the holds' upper bounds.
        repeats: Whether at least two holds each bound the leak from below, without contradiction.
        faded: Whether a hold rose faster than a later one allows.
        notes: Sentences for the reasons.
    """

    slope: float
    low: float
    high: float
    repeats: bool
    faded: bool
    notes: tuple[Say, ...]


def combine_holds(estimates: Sequence[Estimate]) -> CombinedHolds:
    """Combine the last estimates of successive holds on the same closed system, oldest first.

    A leak of air is there in every hold with the same slope; desorption only adds to it, and
    fades from one pump-down to the next. So each hold's upper bound bounds the leak, and the
    smallest is taken. A lower bound may contain release slower than the engine's 40 minutes:
    one that a later hold's upper bound contradicts has faded and is dropped; of the remaining
    ones the second largest is taken where two or more are above zero (two holds vouch for it),
    else the only one.

    The combined bounds fail at most as often as the single ones together: with k holds at 1 %
    each, at most k %. Give the holds 1/k of the stated rate where that matters.

    Args:
        estimates: One for each hold, in the order of time; only those that are ``ready`` count.

    Raises:
        ValueError: No hold is ready.
    """
    ready = [estimate for estimate in estimates if estimate.ready]
    if not ready:
        raise ValueError("no hold lasted long enough to combine; hold at least 8 minutes")
    high = min(estimate.high for estimate in ready)
    standing = [
        (index, estimate)
        for index, estimate in enumerate(ready)
        if all(estimate.low <= later.high for later in ready[index + 1 :])
    ]
    faded = len(standing) < len(ready)
    lows = sorted((e.low for _, e in standing if e.low > 0.0), reverse=True)
    repeats = len(lows) > 1
    low = lows[1] if repeats else (lows[0] if lows else 0.0)
    low = min(low, high)
    newest = standing[-1][1]
    slope = min(max(newest.slope, low), high)
    notes = ((FADED,) if faded else ()) + ((REPEATS,) if repeats else ())
    return CombinedHolds(slope, low, high, repeats, faded, notes)
