"""Builds the views of a vehicle and a job: what was written down, and what follows from it."""

from __future__ import annotations

from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.jobs.changes import waiting_holds
from holdwatch_daemon.messages import Message
from holdwatch_daemon.store import answers
from holdwatch_procedures.vehicles import (
    NOTICED_SHARE_LOST,
    Job,
    Vehicle,
    balance_after,
    balance_sentence,
    best_checks,
    dye_on,
    open_points_of,
    sections_of,
    suspects,
    volume_sentence,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Sequence

    from holdwatch_daemon.jobs.access import Story, StoryDesk
    from holdwatch_procedures.vehicles import Ranking

MOST_SUSPECTS = 8
MOST_CHECKS = 3
MOST_WAITING = 20


class SuspectView(Message):
    """A place with the share of belief that the leak is there, and what speaks for and against."""

    place: str
    name: str
    share: float
    before: float
    findings: list[str]


class CheckView(Message):
    """A look that has not been made yet, with what it is expected to tell."""

    check: str
    means: str
    place: str
    bits: float
    minutes: float


class PointView(Message):
    """A point of the follow-through that is still open; ``refusable`` with a reason.

    ``written`` is a mass that stands in the visit already and only waits to be confirmed.
    """

    key: str
    ask: str
    why: str
    missing: str
    refusable: bool
    written: str | None
    cautions: list[str]
    source: str


class WaitingHold(Message):
    """A hold of the vehicle that belongs to no visit yet."""

    id: str
    started: str
    procedure: str
    outcome: str | None
    sentence: str | None


class WeightView(Message):
    """What went over the scale at a visit, g."""

    visit: str
    on: date
    kind: str
    grams: float
    tolerance_g: float
    tops_up: bool


class VehicleView(Message):
    """A vehicle, its visits (the oldest first), and what they say together.

    ``sentence`` comes first: the loss since the last repair. ``notice_g`` is the charge at and
    below which poor cooling is usually noticed, null without a nameplate.
    """

    unit: Vehicle
    visits: list[Job]
    name: str
    sentence: str
    volume: str
    section_volumes: dict[str, str]
    flammable: bool
    vin_check: str | None
    law_g_per_year: float
    notice_g: float | None
    balance: dict[str, Any] | None
    weights: list[WeightView]
    suspects: list[SuspectView]
    next_checks: list[CheckView]
    dye: list[str]
    start_with_lamp: bool
    waiting_holds: list[WaitingHold]


class JobView(Message):
    """A visit as it stands: what is written down, what is open, who is suspected.

    ``text`` tells what was just done; null where it was only looked at.
    """

    visit: Job
    unit: Vehicle
    sentence: str
    open_points: list[PointView]
    suspects: list[SuspectView]
    next_checks: list[CheckView]
    sections: str | None
    section_lines: list[str]
    dye: list[str]
    start_with_lamp: bool
    lamp: str | None = None
    dye_known: bool = False
    waiting_holds: list[WaitingHold]
    today: date
    cautions: tuple[str, ...] = ()
    text: str | None = None


def vehicle_view(
    desk: StoryDesk, story: Story, *, on: date, waiting: Sequence[WaitingHold] | None = None
) -> VehicleView:
    """Return a vehicle as it stands on a day.

    Raises:
        VehicleError: Rows that the tables do not know, or weighings that cannot be.
    """
    unit, visits = story.unit, story.visits
    ranking = suspects(unit, visits, desk.tables)
    made = balance_after(unit, visits)
    dye = dye_on(on, unit, visits)
    plate = unit.nameplate_charge_g
    check = unit.vin_check
    return VehicleView(
        unit=unit,
        visits=list(visits),
        name=unit.name,
        sentence=_loss_sentence(story) if made is None else balance_sentence(made),
        volume=volume_sentence(unit.volume),
        section_volumes={
            place: volume_sentence(volume) for place, volume in unit.section_volumes.items()
        },
        flammable=unit.is_flammable,
        vin_check=None if check is None else str(check),
        law_g_per_year=unit.law_g_per_year,
        notice_g=None if plate is None else (1.0 - NOTICED_SHARE_LOST) * plate,
        balance=None if made is None else made.to_dict(),
        weights=_weights(visits),
        suspects=_suspects(ranking),
        next_checks=_checks(desk, ranking, story, visits),
        dye=list(dye.sentences),
        start_with_lamp=dye.start_with_lamp,
        waiting_holds=_waiting(desk, unit) if waiting is None else list(waiting),
    )


def job_view(
    desk: StoryDesk,
    story: Story,
    order: Job,
    *,
    today: date,
    text: str | None = None,
    cautions: Sequence[str] = (),
    waiting: Sequence[WaitingHold] | None = None,
) -> JobView:
    """Return a visit as it stands, by what was known at it.

    Args:
        desk: Where.
        story: The vehicle's story.
        order: The visit.
        today: The day of the looking, which a change takes for its own where none is said.
        text: What was just done.
        cautions: Of the act that was just written down.
        waiting: Holds that no job has yet, where they were read already.

    Raises:
        VehicleError: Rows that the tables do not know.
    """
    unit = story.unit
    so_far = story.visits[: [visit.number for visit in story.visits].index(order.number) + 1]
    ranking = suspects(unit, so_far, desk.tables, searching=order.number)
    read = sections_of(order, unit, desk.tables)
    dye = dye_on(order.closed_on or order.opened_on, unit, so_far)
    points = open_points_view(desk, story, order)
    return JobView(
        visit=order,
        unit=unit,
        sentence=_visit_sentence(order, points, ranking),
        open_points=points,
        suspects=_suspects(ranking),
        next_checks=_checks(desk, ranking, story, so_far),
        sections=None if read is None else read.sentence,
        section_lines=[] if read is None else [part.sentence for part in read.sections],
        dye=list(dye.sentences),
        start_with_lamp=dye.start_with_lamp,
        lamp=dye.lamp,
        dye_known=bool(dye.in_unit),
        waiting_holds=_waiting_at(desk, story, order, waiting),
        today=today,
        cautions=tuple(cautions),
        text=text,
    )


def answer_sentence(view: JobView, point: str, said: str) -> str:
    """Say what came of an answer: the point is settled, or noted and still open, and why."""
    missing = next((one.missing for one in view.open_points if one.key == point), None)
    if missing is None:
        return f"{point}: {said}."
    return f"{point}: noted, but still open: {missing}."


def open_points_view(desk: StoryDesk, story: Story, order: Job) -> list[PointView]:
    """Return what a visit must still answer before it closes, with the cautions of each act."""
    refusable = {point.key: point.refusable for point in desk.tables.follow_through.points}
    return [
        PointView(
            key=point.key,
            ask=point.ask,
            why=point.why,
            missing=point.missing,
            refusable=refusable[point.key],
            written=point.written,
            cautions=list(point.cautions),
            source=point.source,
        )
        for point in open_points_of(order, story.unit, story.visits, desk.tables)
    ]


def _visit_sentence(order: Job, points: Sequence[PointView], ranking: Ranking) -> str:
    if order.closed_on is not None:
        return f"Closed on {order.closed_on}."
    count = len(points)
    told = (
        "Open." if not points else f"Open; {count} {'point' if count == 1 else 'points'} to answer."
    )
    if ranking.weighed:
        first = ranking.suspects[0]
        told += f" Most suspected: {first.name}, {100 * first.share:.0f} %."
    return told


def _loss_sentence(story: Story) -> str:
    """Say what the weights tell where nothing has paired since the last repair."""
    newest = next((v for v in reversed(story.visits) if v.repairs), None)
    before = None
    if newest is not None:
        before = balance_after(story.unit, story.visits, searching=newest.number)
    if before is not None:
        told = balance_sentence(before)
        return f"Before the repair: {told[:1].lower()}{told[1:]} The next weighing shows how it is."
    if any(visit.weighings for visit in story.visits):
        return "One weight more, at the next visit, and the loss between visits can be told."
    if story.visits:
        return "Nothing was weighed yet: weigh what comes out and what goes in at each visit."
    return "No visit yet."


def _weights(visits: Sequence[Job]) -> list[WeightView]:
    made = [
        WeightView(
            visit=visit.number,
            on=weighing.on,
            kind=weighing.kind.value,
            grams=weighing.grams,
            tolerance_g=weighing.tolerance_g,
            tops_up=weighing.tops_up,
        )
        for visit in visits
        for weighing in visit.weighings
    ]
    return sorted(made, key=lambda weight: weight.on)


def _suspects(ranking: Ranking) -> list[SuspectView]:
    if not ranking.weighed:
        return []
    return [
        SuspectView(
            place=one.place,
            name=one.name,
            share=one.share,
            before=one.prior,
            findings=[
                f"{weighed.finding.points} × {weighed.ratio:.2f}: {'; '.join(weighed.why)}"
                for weighed in one.findings
            ],
        )
        for one in ranking.suspects[:MOST_SUSPECTS]
    ]


def _checks(
    desk: StoryDesk, ranking: Ranking, story: Story, visits: Sequence[Job]
) -> list[CheckView]:
    return [
        CheckView(
            check=check.sentence,
            means=check.means,
            place=check.place,
            bits=check.bits,
            minutes=check.minutes,
        )
        for check in best_checks(ranking, story.unit, visits, desk.tables)[:MOST_CHECKS]
    ]


def _waiting_at(
    desk: StoryDesk, story: Story, order: Job, known: Sequence[WaitingHold] | None
) -> list[WaitingHold]:
    if order.closed_on is not None:
        return []
    return _waiting(desk, story.unit) if known is None else list(known)


def _waiting(desk: StoryDesk, unit: Vehicle) -> list[WaitingHold]:
    return desk.book.ask(lambda connection: read_waiting(connection, unit))


def read_waiting(connection: sqlite3.Connection, vehicle: Vehicle) -> list[WaitingHold]:
    """Return the holds of a vehicle that no job has yet, the newest first."""
    found = [
        answers.hold(connection, hold_id)
        for hold_id in waiting_holds(connection, vehicle, limit=MOST_WAITING)
    ]
    return [
        WaitingHold(
            id=row.id,
            started=row.started,
            procedure=row.procedure,
            outcome=row.outcome,
            sentence=row.sentence,
        )
        for row in found
        if row is not None
    ]
