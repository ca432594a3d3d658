"""A charge balance in words: the sentence that comes first, and how loss and law compare."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwatch_procedures.vehicles.balance import Balance


def period_words(made: Balance) -> str:
    """Return how long a balance looked: ``720 days in 2 periods``."""
    days = f"{made.days:.0f} days"
    return days + (f" in {len(made.pairs)} periods" if len(made.pairs) > 1 else "")


def balance_sentence(made: Balance) -> str:
    """Return what a balance says, in one sentence."""
    days = period_words(made)
    if made.high is None:
        return f"At least {made.low:.0f} g a year were lost over {days}."
    if made.low > 0.0:
        return f"Between {made.low:.0f} and {made.high:.0f} g a year were lost over {days}."
    if made.high > 0.0:
        return f"No loss is shown over {days}; one of up to {made.high:.0f} g a year may be there."
    return f"More came out than went in over {days}."
