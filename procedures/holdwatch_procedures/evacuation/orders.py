"""What an unattended evacuation orders and tells, and the figures that it keeps to."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from holdwatch_procedures.wording import Say

from holdwatch_procedures.evacuation.interlock import PUMP_OPENS_BELOW_PA


class Relay(StrEnum):
    """What is switched by wire; on means open for the valve and running for the pump."""

    VALVE = "valve"
    PUMP = "pump"


class Step(StrEnum):
    """What an unattended evacuation is doing."""

    IDLE = "idle"
    STARTING_PUMP = "starting pump"
    OPENING = "opening valve"
    PUMPING = "pumping"
    CLOSING = "closing valve"
    ISOLATING = "seeing the isolation"
    STOPPING_PUMP = "stopping pump"
    STARTING_HOLD = "starting hold"
    HOLDING = "holding"
    SHUTTING = "shutting the valve"
    SHUTTING_PUMP = "shutting the pump"


class Outcome(StrEnum):
    """How an unattended evacuation ended."""

    PASS = "pass"  # noqa: S105 - an outcome, no password
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"
    STOPPED = "stopped"
    FAULT = "fault"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, slots=True)
class Figures:
    """What one unattended evacuation keeps to.

    Attributes:
        target_pa: Pressure to reach, Pa absolute.
        held_s: How long the pressure must stay at or below it, s.
        longest_pump_s: Longest pump-down, s.
        answer_s: Within what time a relay must confirm a command, s.
        isolation_s: Within what time after closing the pressure must be seen to rise, s.
        most_pump_downs: How often it may pump down, the first time included.
        most_above_room_pa: Pressure above the room's at which the valve may be open, Pa.
        resolution_pa: Step of the vacuum gauge, Pa; None where unknown.
    """

    target_pa: float
    held_s: float = 300.0
    longest_pump_s: float = 3600.0
    answer_s: float = 10.0
    isolation_s: float = 600.0
    most_pump_downs: int = 3
    most_above_room_pa: float = PUMP_OPENS_BELOW_PA
    resolution_pa: float | None = None


@dataclass(frozen=True, slots=True)
class Switch:
    """Command a relay; ``again`` where the same was commanded before and not confirmed."""

    relay: Relay
    on: bool
    again: bool = False


@dataclass(frozen=True, slots=True)
class BeginHold:
    """Begin the standing vacuum, counted from ``since_ns``, when the valve was confirmed closed.

    ``continues`` names the earlier holds of this evacuation that it is to be judged with.
    """

    since_ns: int
    continues: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class EndHold:
    """End the running hold: what it stood on is no longer so."""

    why: Say


AlarmKind = Literal["wire_fault", "wire_unconfirmed", "wire_pressure"]
"""Alarms of valve and pump: an evacuation ended by a fault, a relay that does not confirm that it
is off, and pressure behind a valve that is not confirmed closed."""


@dataclass(frozen=True, slots=True)
class RaiseAlarm:
    """A person must look."""

    kind: AlarmKind
    text: Say


@dataclass(frozen=True, slots=True)
class Stepped:
    """The evacuation went on to a step, or has something to say about it."""

    step: Step
    text: Say


@dataclass(frozen=True, slots=True)
class Heard:
    """A relay confirmed a command, did not, or was switched by hand."""

    relay: Relay
    on: bool
    how: Literal["confirmed", "unanswered", "by hand"]


@dataclass(frozen=True, slots=True)
class Ended:
    """The evacuation is over."""

    outcome: Outcome
    text: Say


Order = Switch | BeginHold | EndHold | RaiseAlarm | Stepped | Heard | Ended


@dataclass(frozen=True, slots=True)
class HoldEnd:
    """How a hold of the evacuation ended.

    Attributes:
        passed: Whether it passed.
        failed: Whether it failed.
        moist: Whether moisture or outgassing was named, and no leak.
        sentence: Its verdict in one sentence.
        continues: Whether a later hold can be judged together with it.
    """

    passed: bool
    failed: bool
    moist: bool
    sentence: Say
    continues: bool
