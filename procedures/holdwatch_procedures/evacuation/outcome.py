"""How an evacuation by wire ends by its hold, or that it is to be pumped down once more."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from holdwatch_procedures.evacuation.orders import Outcome
from holdwatch_procedures.wording import Say, sentences

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation.orders import HoldEnd


class Fate(NamedTuple):
    """How it ends; ``alarm`` where a person must look."""

    outcome: Outcome
    text: Say
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
        text = sentences(end.sentence, Say("evacuation.valve_unknown"))
        return Fate(Outcome.INCONCLUSIVE, text, alarm=True)
    if end.passed:
        return Fate(Outcome.PASS, end.sentence)
    if not end.moist:
        return Fate(Outcome.FAIL if end.failed else Outcome.INCONCLUSIVE, end.sentence)
    if pump_downs >= most:
        text = sentences(end.sentence, Say("evacuation.still_moist", pump_downs=most))
        return Fate(Outcome.INCONCLUSIVE, text)
    if not linked:
        text = sentences(end.sentence, Say("evacuation.not_again"))
        return Fate(Outcome.INCONCLUSIVE, text)
    return None
