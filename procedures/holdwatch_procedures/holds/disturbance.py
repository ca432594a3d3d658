"""What spoils a hold, or must be noted about it: one finding of a watch on the raw data."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Cause
    from holdwatch_procedures.wording import Say


class Action(StrEnum):
    """What a hold does about a spoiling event."""

    RESTART = "restart"  # judge anew from after the event; what came before may only fail
    VOID = "void"  # the hold can no longer pass; it ends undecided unless already failed
    NOTE = "note"  # told in the reasons; the judging goes on


@dataclass(frozen=True, slots=True)
class Spoil:
    """One spoiling event, as a watch found it.

    Attributes:
        cause: The word of the contract that it goes under.
        t_s: When it happened (not when it was noticed), seconds from the mark.
        text: One sentence for a person, rendered at the edge.
        action: What the hold does about it.
    """

    cause: Cause
    t_s: float
    text: Say
    action: Action
