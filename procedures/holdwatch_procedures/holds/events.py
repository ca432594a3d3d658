"""Defines the events that a hold returns: small frozen values, told once, in their order."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_procedures.holds.estimates import Cause
    from holdwatch_procedures.holds.verdict import Phase, Verdict
    from holdwatch_procedures.wording import Say


@dataclass(frozen=True, slots=True)
class PhaseChanged:
    """The hold has entered another phase.

    Attributes:
        t_ns: When, hold time, ns.
        phase: The phase that it entered.
        text: Why, for people.
    """

    t_ns: int
    phase: Phase
    text: Say


@dataclass(frozen=True, slots=True)
class Noted:
    """Something that people should know; the judging goes on.

    Attributes:
        t_ns: When it was found, hold time, ns.
        text: What, for people.
        causes: The words of the contract that it goes under; often none.
    """

    t_ns: int
    text: Say
    causes: tuple[Cause, ...] = ()


@dataclass(frozen=True, slots=True)
class Restarted:
    """A disturbance has ended a segment, and the judging starts anew.

    Attributes:
        t_ns: From when on it is judged anew, hold time, ns.
        text: Why, for people.
        causes: The words of the contract for what disturbed it.
    """

    t_ns: int
    text: Say
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class AlarmRaised:
    """Somebody must act at once.

    Attributes:
        t_ns: Time of the reading that raised it, hold time, ns.
        text: What is wrong and what to do, for people.
        causes: The words of the contract for it.
    """

    t_ns: int
    text: Say
    causes: tuple[Cause, ...]


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """One block of a hold for drawing: hold time, pressures, temperature, leak with bounds.

    ``compensated_pa`` is the temperature-compensated change since the engine's start;
    ``criterion_pa`` the change that a leak at the limit would have made by then.
    """

    t_s: float
    pressure_pa: float | None
    temperature_k: float | None
    compensated_pa: float | None
    criterion_pa: float | None
    leak_g_per_year: float | None
    low_g_per_year: float | None
    high_g_per_year: float | None
    smallest_visible_g_per_year: float | None

    def to_dict(self) -> dict[str, float | None]:
        """Return the point as a JSON object."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Decided:
    """The hold has its verdict; nothing comes after it.

    Attributes:
        t_ns: The newest time that was judged, hold time, ns.
        verdict: The verdict.
    """

    t_ns: int
    verdict: Verdict


HoldEvent: TypeAlias = "PhaseChanged | Noted | Restarted | AlarmRaised | CurvePoint | Decided"
"""What a hold may return."""


def curve_of(events: Iterable[HoldEvent]) -> list[CurvePoint]:
    """Return the points for drawing among events, in their order."""
    return [event for event in events if isinstance(event, CurvePoint)]
