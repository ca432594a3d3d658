"""Lists the follow-through: what goes with a repair, and what a job has not answered of it yet."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final, Self

from pydantic import Field, model_validator

from holdwatch_procedures.vehicles.job import NOT_JUDGED_HERE, WHOLE, Points, WeighingKind
from holdwatch_procedures.vehicles.validation import (
    RefusedError,
    Row,
    Text,
    Word,
    load_toml,
    packaged_text,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from holdwatch_procedures.vehicles.job import Answer, Job, Weighing
    from holdwatch_procedures.vehicles.vehicle import Vehicle

NAMEPLATE_TOLERANCE: Final = 0.05
"""A charge within this share of the nameplate counts as recharged to it (common practice, no
source)."""


class When(StrEnum):
    """What calls for a point."""

    REPAIR = "repair"
    OPENED_CIRCUIT = "opened-circuit"
    OPENED_MAIN_PART = "opened-main-part"
    DYE = "dye"  # put in at this visit
    REPAIR_WITH_DYE = "repair-with-dye"
    FOUND_NOT_REPAIRED = "found-not-repaired"


class Act(StrEnum):
    """What is done, for the cautions that stand beside it."""

    RECOVER = "recover"
    OPEN_CIRCUIT = "open-circuit"
    NITROGEN = "nitrogen"
    EVACUATE = "evacuate"
    CHARGE = "charge"
    LAMP = "lamp"
    LOOK = "look"


class Proof(StrEnum):
    """What must stand in the work order beside the answer."""

    NONE = "none"
    NOTE = "note"
    RECOVERED_WEIGHT = "recovered-weight"
    CHARGED_WEIGHT = "charged-weight"
    NITROGEN_PASS = "nitrogen-pass"  # noqa: S105 (an outcome, no password)
    VACUUM_PASS = "vacuum-pass"  # noqa: S105 (the same)
    LOOK_AGAIN_DAY = "look-again-day"
    ADVICE = "advice"


class Point(Row):
    """One thing that goes with a repair; one that is not ``refusable`` can only be done."""

    key: Word
    ask: Text
    why: Text
    when: tuple[When, ...] = Field(min_length=1)
    act: Act
    proof: Proof = Proof.NONE
    refusable: bool
    source: Text


class Caution(Row):
    """A warning with the acts that it stands beside."""

    acts: tuple[Act, ...] = Field(min_length=1)
    text: Text
    only_flammable: bool = False


class FollowThrough(Row):
    """The list of points and cautions; a shop keeps its own copy and edits it."""

    points: tuple[Point, ...] = Field(alias="point", min_length=1)
    cautions: tuple[Caution, ...] = Field(alias="caution", min_length=1)

    @model_validator(mode="after")
    def _has_no_point_twice(self) -> Self:
        keys = [point.key for point in self.points]
        twice = sorted({key for key in keys if keys.count(key) > 1})
        if twice:
            raise ValueError(f"point `{twice[0]}` stands twice")
        return self


@dataclass(frozen=True, slots=True)
class OpenPoint:
    """A point that a work order has not answered: what is asked, why, what is missing.

    ``written`` is what stands in the work order already and only waits to be confirmed: a mass over
    the scale.
    """

    key: str
    ask: str
    why: str
    missing: str
    cautions: tuple[str, ...]
    source: str
    written: str | None = None


def follow_through(text: str | None = None, *, where: str = "follow-through") -> FollowThrough:
    """Return the list of a TOML text, or the one that comes with the package.

    Raises:
        VehicleError: The text is no such list.
    """
    return load_toml(FollowThrough, text or packaged_text("follow_through.toml"), where=where)


def cautions_for(act: Act, table: FollowThrough, *, flammable: bool) -> tuple[str, ...]:
    """Return the cautions to show where an act is begun."""
    return tuple(
        caution.text
        for caution in table.cautions
        if act in caution.acts and (flammable or not caution.only_flammable)
    )


def open_points(
    work_order: Job,
    unit: Vehicle,
    table: FollowThrough,
    *,
    dye_in_unit: bool = False,
) -> list[OpenPoint]:
    """Return what the work order must still answer before it closes, in the list's order.

    A point is answered by ``done`` with its proof in the work order, or by a refusal with a reason
    where it may be refused. A deferral keeps the work order open unless it names a day to look
    again.

    Args:
        work_order: The visit.
        unit: Its unit, for the nameplate and the cautions.
        table: The list.
        dye_in_unit: Whether dye of an earlier visit is in the unit.
    """
    called = _called_for(work_order, dye_in_unit=dye_in_unit)
    answers = {answer.point: answer for answer in work_order.answers}
    still_open = []
    for point in table.points:
        if called.isdisjoint(point.when):
            continue
        answer = answers.get(point.key)
        missing = _missing(point, answer, work_order, unit)
        if missing is None:
            continue
        written = _written(point, work_order, unit) if answer is None else None
        if written is not None:
            missing = f"{written} is written down; confirm it by answering"
        cautions = cautions_for(point.act, table, flammable=unit.is_flammable)
        still_open.append(
            OpenPoint(point.key, point.ask, point.why, missing, cautions, point.source, written)
        )
    return still_open


def _written(point: Point, order: Job, unit: Vehicle) -> str | None:
    """Return the mass that already proves a point which nobody has answered."""
    if point.proof is Proof.RECOVERED_WEIGHT:
        masses = [w.grams for w in order.weighings if w.kind is WeighingKind.RECOVERED]
    elif point.proof is Proof.CHARGED_WEIGHT and _charge_missing(order, unit) is None:
        masses = [w.grams for w in _charges_since(order)]
    else:
        return None
    return f"{sum(masses):g} g" if masses else None


def check_closable(points: Iterable[OpenPoint], work_order: Job) -> None:
    """Refuse to close a work order with open points.

    Raises:
        RefusedError: Names every open point.
    """
    told = "; ".join(f"{point.key}: {point.missing}" for point in points)
    if told:
        raise RefusedError(f"work order {work_order.number} cannot close: {told}")


def _called_for(order: Job, *, dye_in_unit: bool) -> set[When]:
    called = set()
    if order.repairs:
        called.add(When.REPAIR)
    if any(repair.opened_circuit or repair.opened_main_part for repair in order.repairs):
        called.add(When.OPENED_CIRCUIT)
    if any(repair.opened_main_part for repair in order.repairs):
        called.add(When.OPENED_MAIN_PART)
    if order.dye:
        called.add(When.DYE)
    if order.repairs and (order.dye or dye_in_unit):
        called.add(When.REPAIR_WITH_DYE)
    if not order.repairs and any(f.points is Points.FOR for f in order.findings):
        called.add(When.FOUND_NOT_REPAIRED)
    return called


def _missing(point: Point, answer: Answer | None, order: Job, unit: Vehicle) -> str | None:
    """Return what a point still lacks, None where it is answered."""
    if answer is None:
        return "not answered"
    if answer.answer == "not needed":
        return None if point.refusable else "this point cannot be waived"
    if answer.answer == "deferred":
        if not point.refusable:
            return "this point cannot be put off"
        return None if answer.look_again_on is not None else "put off without a day to look again"
    return _PROOFS[point.proof](answer, order, unit)


def _no_proof(_answer: Answer, _order: Job, _unit: Vehicle) -> str | None:
    return None


def _note(answer: Answer, _order: Job, _unit: Vehicle) -> str | None:
    return None if answer.note else "the figures are missing in the note"


def _recovered(_answer: Answer, order: Job, _unit: Vehicle) -> str | None:
    there = any(w.kind is WeighingKind.RECOVERED for w in order.weighings)
    return None if there else "no recovered weight is written down (0 g if it was empty)"


def _charged(_answer: Answer, order: Job, unit: Vehicle) -> str | None:
    return _charge_missing(order, unit)


def _charges_since(order: Job) -> list[Weighing]:
    since = order.repaired_on or order.opened_on
    return [w for w in order.weighings if w.kind is WeighingKind.CHARGED and w.on >= since]


def _charge_missing(order: Job, unit: Vehicle) -> str | None:
    charges = _charges_since(order)
    if not charges:
        return "no charged weight since the repair is written down"
    if unit.nameplate_charge_g is None:
        return None
    grams = sum(weighing.grams for weighing in charges)
    if abs(grams - unit.nameplate_charge_g) > NAMEPLATE_TOLERANCE * unit.nameplate_charge_g:
        return f"{grams:g} g were charged, the nameplate says {unit.nameplate_charge_g:g} g"
    return None


def _nitrogen(_answer: Answer, order: Job, _unit: Vehicle) -> str | None:
    return _passed(order, "pressure-decay", "nitrogen hold of the whole system")


def _vacuum(_answer: Answer, order: Job, _unit: Vehicle) -> str | None:
    return _passed(order, "standing-vacuum", "standing-vacuum hold of the whole system")


def _passed(order: Job, procedure: str, words: str) -> str | None:
    """The newest such hold since the repair must have passed, not just one of several.

    One of the repair's own day counts only where it is bound as made after the repair.
    A pass that a file brought proves nothing; what it brought of a leak still stands against one.
    """
    since = order.repaired_on or order.opened_on
    holds = [
        hold
        for hold in order.holds
        if hold.procedure == procedure
        and hold.section == WHOLE
        and hold.on >= since
        and (hold.on != order.repaired_on or hold.after_repair)
    ]
    if not holds:
        return f"no {words} since the repair"
    holds = [hold for hold in holds if not (hold.judged_elsewhere and hold.outcome == "pass")]
    if not holds:
        return f"the {words} was {NOT_JUDGED_HERE}: hold it again"
    newest = max(enumerate(holds), key=lambda item: (item[1].on, item[0]))[1]
    return None if newest.outcome == "pass" else f"the last {words} was {newest.outcome}"


def _look_again(answer: Answer, order: Job, _unit: Vehicle) -> str | None:
    if answer.look_again_on is None:
        return "no day to look again is named"
    later = answer.look_again_on > order.opened_on
    return None if later else "the day to look again is not after this visit"


def _advised(_answer: Answer, order: Job, _unit: Vehicle) -> str | None:
    return None if any(order.advice) else "no advice is written down"


_PROOFS: Final[dict[Proof, Callable[[Answer, Job, Vehicle], str | None]]] = {
    Proof.NONE: _no_proof,
    Proof.NOTE: _note,
    Proof.RECOVERED_WEIGHT: _recovered,
    Proof.CHARGED_WEIGHT: _charged,
    Proof.NITROGEN_PASS: _nitrogen,
    Proof.VACUUM_PASS: _vacuum,
    Proof.LOOK_AGAIN_DAY: _look_again,
    Proof.ADVICE: _advised,
}
