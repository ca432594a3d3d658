"""How an evacuation by wire ends by its hold, or that it is to be pumped down once more."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdwatch_procedures.evacuation.orders import Outcome

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation.orders import HoldEnd


class Fate(NamedTuple):
    """How it ends; ``alarm`` where a person must look."""

    outcome: Outcome
    text: str
    alarm: bool = False


def after_hold(
    end: HoldEnd, pump_downs: int, most: int, *, linked: bool, shut: bool
) -> Fate | None:
    """Return how the evacuation ends by its hold; None where it is to be pumped down once more.

    Args:
        end: How the hold ended.
        pump_downs: How often it was pumped down.
        most: How often it may be.
        linked: Whether the relays can be reached.
        shut: Whether the valve is confirmed closed, and was all the while.
    """
    if not shut:
        text = (
            "The valve has not confirmed since the broker was away that it is closed: look at it."
        )
        return Fate(Outcome.INCONCLUSIVE, f"{end.sentence} {text}", alarm=True)
    if end.passed:
        return Fate(Outcome.PASS, end.sentence)
    if not end.moist:
        return Fate(Outcome.FAIL if end.failed else Outcome.INCONCLUSIVE, end.sentence)
    if pump_downs >= most:
        text = f"Still moist after {most} pump-downs: warm the cold parts, change the drier."
        return Fate(Outcome.INCONCLUSIVE, f"{end.sentence} {text}")
    if not linked:
        text = "The broker cannot be reached, so that it cannot be pumped down again."
        return Fate(Outcome.INCONCLUSIVE, f"{end.sentence} {text}")
    return None
