"""Models a job: one stay of a vehicle, with its weighings, holds, findings, repairs and answers.

Each thing that is written down is one model: the body of a request, the options of a command, what
is stored, exported and reported is that object.
"""

from __future__ import annotations

from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from enum import StrEnum
from typing import Annotated, Final, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from holdwatch_procedures.vehicles.validation import Row, Text, Word

Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
"""A photograph or a trace is kept under the SHA-256 of its bytes, in small letters."""

WHOLE: Final = "system"
"""The section of a hold that is one of the whole unit."""
NOT_JUDGED_HERE: Final = "brought by a file, not judged here"
"""What stands beside a hold that the store has no readings and no verdict of."""


class WeighingKind(StrEnum):
    """Which way the refrigerant went over the scale."""

    CHARGED = "charged"
    RECOVERED = "recovered"


class Weighing(Row):
    """Refrigerant over the scale: how much, when, and how wrong the scale may be at most, g.

    ``tops_up`` marks refrigerant added to what was still in the unit.
    """

    kind: WeighingKind
    grams: float = Field(ge=0, le=1e6)
    on: date
    tolerance_g: float = Field(default=5.0, ge=0, le=1e4)
    tops_up: bool = False

    @model_validator(mode="after")
    def _only_a_charge_tops_up(self) -> Self:
        if self.tops_up and self.kind is not WeighingKind.CHARGED:
            raise ValueError("`tops_up` goes with a charge, not with a recovery")
        return self


class HoldEntry(Row):
    """What a hold of this visit said: outcome and leak with its deciding bounds, g a year.

    Attributes:
        hold_id: Number of the hold in the store.
        on: Day of the hold.
        procedure: Which kind.
        outcome: The verdict's word.
        section: The component (of the tree) that was held on its own; ``system`` for the whole.
        g_per_year: Estimate, None where the engine could not run.
        low: Lower deciding bound.
        high: Upper deciding bound.
        smallest_visible: Smallest leak the hold could have seen.
        readings_sha256: Hash of the readings judged.
        after_repair: Made after a repair of this visit: it proves that, and does not search.
        judged_elsewhere: A file brought it and the store does not hold it: a statement, no proof.
            The store works it out anew at each reading; what a file says of it is not believed.
            Left out where False, so that what was made before it was known stays the same.
    """

    hold_id: Word
    on: date
    procedure: Literal["pressure-decay", "standing-vacuum"]
    outcome: Literal["pass", "fail", "inconclusive"]
    section: Word = WHOLE
    g_per_year: float | None = None
    low: float | None = None
    high: float | None = None
    smallest_visible: float | None = Field(default=None, ge=0)
    readings_sha256: Sha256 | None = None
    sentence: Text = ""
    criterion: Text = ""
    after_repair: bool = False
    judged_elsewhere: bool = Field(default=False, exclude_if=lambda said: not said)

    @model_validator(mode="after")
    def _bounds_are_in_order(self) -> Self:
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError("`low` is above `high`")
        return self


class Points(StrEnum):
    """Which way a finding points."""

    FOR = "for"
    AGAINST = "against"


class Strength(StrEnum):
    """How plain a finding was."""

    WEAK = "weak"
    PLAIN = "plain"
    STRONG = "strong"


class Finding(Row):
    """One piece of inspection evidence for or against a leak at a place.

    Attributes:
        place: Component of the tree (or one of the unit's own places).
        means: How it was looked for; the likelihood table lists the means.
        points: For or against a leak there.
        strength: How plain it was.
        misled_by: Conditions of the likelihood table that held, each of which weakens it.
        on: Day.
        photographs: Hashes of pictures.
    """

    place: Word
    means: Word
    points: Points
    strength: Strength = Strength.PLAIN
    misled_by: tuple[Word, ...] = ()
    on: date
    note: Text = ""
    photographs: tuple[Sha256, ...] = ()


class WayIn(StrEnum):
    """How a dye came into the unit."""

    WITH_OIL = "with the oil at charging"
    UNDER_VACUUM = "under vacuum"
    RUNNING_LOW_SIDE = "into the running low side"


class DyeEntry(Row):
    """Dye put in: which, how much, when, by which way."""

    dye: Word
    amount_ml: float = Field(gt=0, le=1000)
    on: date
    way: WayIn


class Repair(Row):
    """Work on one place: what was done, and whether a main part or the circuit stood open.

    Attributes:
        place: Component that was worked on.
        act: What was done to it.
        opened_circuit: The circuit stood open to the air.
        opened_main_part: Compressor, condenser or evaporator was opened or changed: the drier
            goes with it.
        oil_lost_ml: Oil that left with the old part or the leak, as far as it is known.
    """

    place: Word
    act: Literal["renewed", "resealed", "tightened", "cleaned"]
    on: date
    opened_circuit: bool = True
    opened_main_part: bool = False
    oil_lost_ml: float | None = Field(default=None, ge=0, le=10000)


class Part(Row):
    """A part that was fitted."""

    name: Word
    quantity: int = Field(default=1, ge=1, le=1000)
    place: Annotated[str, Field(max_length=100)] = ""


class Answer(Row):
    """What the shop says to a point of the follow-through.

    ``done`` with what proves it where the point asks for that; ``not needed`` and ``deferred``
    only with a reason; ``look_again_on`` where the point asks for a day.
    """

    point: Word
    answer: Literal["done", "not needed", "deferred"]
    note: Text = ""
    by: Annotated[str, Field(max_length=100)] = ""
    on: date
    look_again_on: date | None = None

    @model_validator(mode="after")
    def _a_refusal_has_a_reason(self) -> Self:
        if self.answer != "done" and not self.note:
            raise ValueError(f"`{self.point}`: {self.answer!r} needs a reason in `note`")
        return self


class Job(Row):
    """One visit of one unit, in the order in which things happened.

    ``unit`` is any identifier of the unit; ``closed_on`` is None while it is open. Whether it may
    close is said by ``follow_through.open_points``.
    """

    number: Word
    unit: Word
    opened_on: date
    closed_on: date | None = None
    complaint: Text = ""
    weighings: tuple[Weighing, ...] = ()
    holds: tuple[HoldEntry, ...] = ()
    findings: tuple[Finding, ...] = ()
    dye: tuple[DyeEntry, ...] = ()
    repairs: tuple[Repair, ...] = ()
    parts: tuple[Part, ...] = ()
    advice: tuple[Text, ...] = ()
    answers: tuple[Answer, ...] = ()

    @model_validator(mode="after")
    def _closes_after_it_opens(self) -> Self:
        if self.closed_on is not None and self.closed_on < self.opened_on:
            raise ValueError(f"closed on {self.closed_on}, before it was opened {self.opened_on}")
        twice = {a.point for a in self.answers}
        if len(twice) != len(self.answers):
            raise ValueError("a point is answered twice; keep the later answer")
        return self

    @property
    def repaired_on(self) -> date | None:
        """Day of the last repair of this visit."""
        return max((repair.on for repair in self.repairs), default=None)
