"""Changes a job: one union of all that can be written down, and the one function that applies it.

A change is data, as a request, a command of the terminal and an event carry it; applying it needs
no clock, file or database.
"""

from __future__ import annotations

from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from pydantic import Field, TypeAdapter

from holdwatch_procedures.vehicles.follow_through import Act, check_closable
from holdwatch_procedures.vehicles.job import (
    WHOLE,
    Answer,
    DyeEntry,
    Finding,
    HoldEntry,
    Job,
    Part,
    Points,
    Repair,
    Weighing,
    WeighingKind,
)
from holdwatch_procedures.vehicles.overview import open_points_of
from holdwatch_procedures.vehicles.suspects import weigh
from holdwatch_procedures.vehicles.validation import (
    NotKnownError,
    RefusedError,
    Row,
    VehicleError,
    Word,
    load_row,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from holdwatch_procedures.vehicles.overview import Tables
    from holdwatch_procedures.vehicles.vehicle import Vehicle

JobNumber = Annotated[str, Field(pattern=r"^[^\s\x00-\x1f/](.{0,98}[^\s])?$")]
"""What a shop may call a job: something without a slash, and no blank at either end."""


class Advice(Row):
    """What the customer is told."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]


class _Change(Row):
    """One change of a job; ``what`` says it for people and events, ``act`` names its cautions."""

    @property
    def route(self) -> str:
        """Where it is sent to, below the job's own address."""
        word = str(getattr(self, "change", ""))
        return FIELDS.get(word) or ROUTES.get(word, word)

    @property
    def body(self) -> dict[str, Any]:
        """What is sent there: the row that is written down, or the change itself."""
        plain = self.model_dump(mode="json", exclude={"change"})
        row: dict[str, Any] = plain.get("row", plain)
        return row

    @property
    def what(self) -> str:
        """What is done, in a few words."""
        raise NotImplementedError

    @property
    def done(self) -> str:
        """What was done, as a sentence."""
        return f"{self.what}."

    @property
    def act(self) -> Act | None:
        """The act whose cautions stand beside it."""
        return None


class AddWeighing(_Change):
    """Writes down what went over the scale."""

    change: Literal["weighing"] = "weighing"
    row: Weighing

    @property
    def what(self) -> str:
        """The mass and its direction."""
        return f"{self.row.kind} {self.row.grams:g} g"

    @property
    def act(self) -> Act:
        """Recovering, or charging."""
        return Act.RECOVER if self.row.kind is WeighingKind.RECOVERED else Act.CHARGE


class AddFinding(_Change):
    """Writes down what was looked at, and which way it points."""

    change: Literal["finding"] = "finding"
    row: Finding

    @property
    def what(self) -> str:
        """The place, the means and the result."""
        words = "found" if self.row.points is Points.FOR else "nothing found"
        return f"{self.row.place} by {self.row.means}: {words}"


class AddDye(_Change):
    """Writes down dye that was put in."""

    change: Literal["dye"] = "dye"
    row: DyeEntry

    @property
    def what(self) -> str:
        """How much of what, and the way in."""
        return f"{self.row.amount_ml:g} ml of {self.row.dye} {self.row.way}"


class AddRepair(_Change):
    """Writes down work on one place."""

    change: Literal["repair"] = "repair"
    row: Repair

    @property
    def what(self) -> str:
        """The place and what was done to it."""
        return f"{self.row.place} {self.row.act}"

    @property
    def act(self) -> Act | None:
        """Opening the circuit, where it stood open."""
        return Act.OPEN_CIRCUIT if self.row.opened_circuit else None


class AddPart(_Change):
    """Writes down a part that was fitted."""

    change: Literal["part"] = "part"
    row: Part

    @property
    def what(self) -> str:
        """How many of what."""
        return f"fitted {self.row.quantity} × {self.row.name}"


class AddAdvice(_Change):
    """Writes down advice for the customer."""

    change: Literal["advice"] = "advice"
    row: Advice

    @property
    def what(self) -> str:
        """That it was written down; the words themselves are long."""
        return "advice written down"

    @property
    def done(self) -> str:
        """The same as a sentence."""
        return "Advice written down."


class GiveAnswer(_Change):
    """Answers a point of the follow-through, in place of an earlier answer to it."""

    change: Literal["answer"] = "answer"
    row: Answer

    @property
    def what(self) -> str:
        """The point and the answer."""
        return f"{self.row.point}: {self.row.answer}"


class AddHold(_Change):
    """Makes a hold evidence of the job, with the verdict that the store has of it."""

    change: Literal["hold entry"] = "hold entry"
    row: HoldEntry

    @property
    def what(self) -> str:
        """The hold, its section and its outcome."""
        return f"hold {self.row.hold_id} of {self.row.section}: {self.row.outcome}"

    @property
    def done(self) -> str:
        """That it is bound."""
        return "The hold is bound."


class BindHold(_Change):
    """Asks to bind a hold of the store: the one named, else the vehicle's newest.

    Whoever applies it looks the hold up and applies :class:`AddHold` in its place.

    Attributes:
        hold_id: The hold.
        section: The part that was held alone; ``system`` for the whole.
        after_repair: It proves a repair; None says so where a repair is written down.
    """

    change: Literal["hold"] = "hold"
    hold_id: Annotated[str, Field(max_length=200)] | None = None
    section: Word = WHOLE
    after_repair: bool | None = None

    @property
    def what(self) -> str:
        """Which hold is asked for."""
        return f"hold {self.hold_id or 'newest'} of {self.section}"

    @property
    def done(self) -> str:
        """That it is bound."""
        return "The hold is bound."


class RemoveRow(_Change):
    """Takes one row out of an open job, counted from 0, to mend what was written down."""

    change: Literal["remove"] = "remove"
    field: Literal["weighings", "findings", "holds", "dye", "repairs", "parts", "advice", "answers"]
    position: Annotated[int, Field(ge=0, le=100_000)]

    @property
    def what(self) -> str:
        """Which kind of row."""
        return f"{self.field}: one taken out"

    @property
    def done(self) -> str:
        """That it is out."""
        return "Taken out."


class CloseJob(_Change):
    """Closes a job whose follow-through is answered."""

    change: Literal["close"] = "close"
    on: date

    @property
    def what(self) -> str:
        """That it is closed."""
        return "visit closed"

    @property
    def done(self) -> str:
        """The same as a sentence."""
        return "The visit is closed."


class ReopenJob(_Change):
    """Opens a closed job again, to mend what was written down."""

    change: Literal["reopen"] = "reopen"

    @property
    def what(self) -> str:
        """That it is open again."""
        return "visit opened again"

    @property
    def done(self) -> str:
        """The same as a sentence."""
        return "The visit is open again."


Change = Annotated[
    AddWeighing
    | AddFinding
    | AddDye
    | AddRepair
    | AddPart
    | AddAdvice
    | GiveAnswer
    | AddHold
    | BindHold
    | RemoveRow
    | CloseJob
    | ReopenJob,
    Field(discriminator="change"),
]
"""Everything that can be done to a job once it is open."""

_ADAPTER: Final[TypeAdapter[Change]] = TypeAdapter(Change)

FIELDS: Final[Mapping[str, str]] = {
    "weighing": "weighings",
    "finding": "findings",
    "dye": "dye",
    "repair": "repairs",
    "part": "parts",
    "advice": "advice",
    "answer": "answers",
    "hold entry": "holds",
}
"""The field of :class:`Job` that each change adds a row to."""

ROUTES: Final[Mapping[str, str]] = {"hold": "holds"}
"""Where a change is sent to whose word is not the route's."""


def read_change(given: Mapping[str, Any]) -> Change:
    """Return the change that JSON describes.

    Raises:
        ValidationError: It is none.
    """
    return _ADAPTER.validate_python(given)


def apply_change(
    job: Job, change: Change, vehicle: Vehicle, jobs: Sequence[Job], tables: Tables
) -> Job:
    """Return a job as it is once a change is made.

    Args:
        job: The job as it is.
        change: The change; a hold comes as :class:`AddHold`.
        vehicle: The vehicle.
        jobs: All its jobs, the oldest first.
        tables: The shop's tables.

    Raises:
        RefusedError: The job is closed, or may not close yet.
        VehicleError: A place, means, condition or point that the tables do not know, or no such
            row.
    """
    if isinstance(change, ReopenJob):
        return job.model_copy(update={"closed_on": None})
    _check_open(job, vehicle)
    if isinstance(change, CloseJob):
        check_closable(open_points_of(job, vehicle, jobs, tables), job)
        fields = job.model_dump(mode="json") | {"closed_on": change.on}
        return load_row(Job, fields, where=f"visit {job.number}")
    if isinstance(change, RemoveRow):
        return _without(job, change)
    if isinstance(change, BindHold):
        raise TypeError("a hold is looked up in the store before it is added")
    if isinstance(change, AddFinding):
        weigh(change.row, tables.likelihoods)  # means and conditions must be in the table
    made = _with_row(job, change, tables)
    check_places(made, vehicle, tables)
    return made


def with_hold(job: Job, vehicle: Vehicle, hold: HoldEntry) -> Job:
    """Return an open job with a hold whose section was validated when it was bound.

    Raises:
        RefusedError: The job is closed.
    """
    _check_open(job, vehicle)
    return job.model_copy(update={"holds": (*job.holds, hold)})


def check_places(job: Job, vehicle: Vehicle, tables: Tables) -> None:
    """Refuse places that the vehicle's component tree does not have.

    Raises:
        VehicleError: Names the place and those there are.
    """
    places = {finding.place for finding in job.findings}
    places.update([repair.place for repair in job.repairs], [hold.section for hold in job.holds])
    tree = tables.tree(vehicle)
    for place in sorted(places):
        tree.place(place)


def _check_open(job: Job, vehicle: Vehicle) -> None:
    if job.closed_on is not None:
        raise RefusedError(
            f"visit {job.number} was closed on {job.closed_on}: open it again to mend it, or "
            "open a new one",
            at_terminal=f"holdwatch job reopen {job.number}, holdwatch job open {vehicle.name}",
        )


def _with_row(
    job: Job,
    change: AddWeighing
    | AddFinding
    | AddDye
    | AddRepair
    | AddPart
    | AddAdvice
    | GiveAnswer
    | AddHold,
    tables: Tables,
) -> Job:
    field = FIELDS[change.change]
    known: tuple[Any, ...] = getattr(job, field)
    row: Any = change.row
    if isinstance(change, AddAdvice):
        row = change.row.text
    elif isinstance(change, GiveAnswer):
        points = [point.key for point in tables.follow_through.points]
        if change.row.point not in points:
            raise VehicleError(
                f"{change.row.point!r} is no point: write one of {', '.join(points)}"
            )
        known = tuple([answer for answer in job.answers if answer.point != change.row.point])
    return job.model_copy(update={field: (*known, row)})


def _without(job: Job, change: RemoveRow) -> Job:
    known: tuple[Any, ...] = getattr(job, change.field)
    if change.position >= len(known):
        raise NotKnownError(f"visit {job.number} has no {change.field} number {change.position}")
    rest = (*known[: change.position], *known[change.position + 1 :])
    return job.model_copy(update={change.field: rest})
