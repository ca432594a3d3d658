"""The commands under ``holdwatch job``: what is done and found at a job, and what is open.

Each command makes one change of its options, by the models that requests and the store use.
"""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 (typer reads it when the command is made)
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from holdwatch_adapters.trace import read_trace
from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.desk import day_of, desk
from holdwatch_cli.jobs.running_service import at as address
from holdwatch_cli.judge import read_recipe_table
from holdwatch_cli.options import FOLDER, Data, Day, Json
from holdwatch_daemon.jobs import (
    TraceToBind,
    answer_sentence,
    change_job,
    dye_warning,
    job_view,
    judge_for,
    open_job,
    store_photograph,
)
from holdwatch_daemon.version import version
from holdwatch_procedures.vehicles import (
    NOT_JUDGED_HERE,
    Act,
    AddAdvice,
    AddDye,
    AddFinding,
    AddPart,
    AddRepair,
    AddWeighing,
    Advice,
    Answer,
    BindHold,
    CloseJob,
    DyeEntry,
    Finding,
    GiveAnswer,
    Part,
    ReopenJob,
    Repair,
    Row,
    WayIn,
    Weighing,
    load_row,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_daemon.jobs import JobView, Page, Story
    from holdwatch_procedures.vehicles import Change, HoldEntry, Job

_Row = TypeVar("_Row", bound=Row)

app = typer.Typer(
    name="job",
    help="Jobs, a vehicle's stays: what was weighed, held, found and repaired, and what is open.",
    no_args_is_help=True,
)

JobName = Annotated[
    str,
    typer.Argument(metavar="JOB", help="Number of the job, or a vehicle that has one open job."),
]
Place = Annotated[str, typer.Argument(help="Place, e.g. compressor.shaft-seal.")]
Note = Annotated[str, typer.Option(help="In words.")]


@app.command("open")
def open_(
    vehicle: Annotated[str, typer.Argument(help="Fleet number, plate or VIN.")],
    complaint: Annotated[str, typer.Option(help="What the customer says.")] = "",
    number: Annotated[
        str | None, typer.Option(help="Number of the work order; else the year's next.")
    ] = None,
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Begin a visit; says where to start the search.

    Example: holdwatch job open BM-02 --complaint "cools badly on hot days"
    """
    at, day = desk(data, as_json=json), day_of(on)
    if at.service is not None:
        body = {"complaint": complaint, "number": number, "on": day.isoformat()}
        told = at.service.change(address("vehicles", vehicle, "jobs"), body)
        given = str(told["visit"]["number"])
    else:
        given = at.book.write(
            lambda page: open_job(page, vehicle, complaint=complaint, number=number, on=day)
        )
    story, made = at.book.visit(given)
    view = job_view(at, story, made, today=day_of(None))
    text = [f"Visit {given} of {story.unit.name} is open.", *view.dye]
    if view.start_with_lamp:
        text += at.cautions(Act.LAMP, story.unit)
    raise typer.Exit(_answer(at, view, [*text, *suspect_lines(view)]))


@app.command()
def weigh(
    job: JobName,
    recovered: Annotated[float | None, typer.Option(min=0, help="Taken out, g.")] = None,
    charged: Annotated[float | None, typer.Option(min=0, help="Put in, g.")] = None,
    tolerance_g: Annotated[
        float, typer.Option(min=0, max=1000, help="Limit of error of the scale, g.")
    ] = 5.0,
    tops_up: Annotated[
        bool, typer.Option("--tops-up", help="The charge goes on top of what is in it.")
    ] = False,
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down what went over the scale.

    Example: holdwatch job weigh BM-02 --recovered 590
    """
    given = [
        (kind, value)
        for kind, value in (("recovered", recovered), ("charged", charged))
        if value is not None
    ]
    if len(given) != 1:
        raise typer.BadParameter("give --recovered or --charged, one of the two")
    kind, value = given[0]
    row = _row(
        Weighing, kind=kind, grams=value, on=day_of(on), tolerance_g=tolerance_g, tops_up=tops_up
    )
    raise typer.Exit(_change(desk(data, as_json=json), job, AddWeighing(row=row)))


@app.command()
def hold(
    job: JobName,
    hold_id: Annotated[
        str | None, typer.Argument(help="Number of the hold; else the vehicle's newest.")
    ] = None,
    section: Annotated[str, typer.Option(help="The part that was held alone.")] = "system",
    trace: Annotated[
        Path | None, typer.Option(help="Readings as CSV: judge and keep them as a hold.")
    ] = None,
    recipe: Annotated[Path | None, typer.Option(help="Recipe of --trace, TOML.")] = None,
    after_repair: Annotated[
        bool | None,
        typer.Option(
            "--after-repair/--before-repair",
            help="It proves a repair, or searches; else by whether a repair is written down.",
        ),
    ] = None,
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Bind a hold to the visit: one that the service recorded, or a trace.

    What the recipe leaves out (refrigerant, charge, volume, highest pressure) is the vehicle's.

    Example: holdwatch job hold BM-02 --section compressor

    Example: holdwatch job hold BM-02 --trace hold.csv --recipe hold.toml
    """
    at = desk(data, as_json=json)
    if trace is None and recipe is None:
        change = _row(BindHold, hold_id=hold_id, section=section, after_repair=after_repair)
        story, made = at.change_job(job, change)
    elif trace is None or recipe is None or hold_id is not None:
        raise typer.BadParameter("--trace and --recipe go together, and without a hold's number")
    else:
        files = (trace, recipe)
        story, made = _bring(at, job, files, section, after_repair, on=day_of(on))
    bound = made.holds[-1]
    view = job_view(at, story, made, today=day_of(None))
    text = [f"{made.number}: hold {bound.hold_id} of {bound.section}: {bound.sentence}"]
    if view.sections is not None and not bound.after_repair:
        text += [view.sections, *suspect_lines(view)]
    raise typer.Exit(_answer(at, view, text))


@app.command()
def find(
    job: JobName,
    place: Place,
    by: Annotated[str, typer.Option(help="Means, e.g. electronic-detector, dye, bubbles.")],
    nothing: Annotated[
        bool, typer.Option("--nothing", help="Nothing was found: against a leak there.")
    ] = False,
    strength: Annotated[str, typer.Option(help="weak, plain or strong.")] = "plain",
    misled_by: Annotated[
        list[str] | None, typer.Option(help="What could mislead, e.g. dye-from-earlier-repair.")
    ] = None,
    photo: Annotated[list[Path] | None, typer.Option(help="A picture. Again for more.")] = None,
    note: Note = "",
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down a find, or that nothing was found; says who is suspected now.

    Example: holdwatch job find BM-02 condenser --by electronic-detector --nothing
    """
    at, day = desk(data, as_json=json), day_of(on)
    row = _row(
        Finding,
        place=place,
        means=by,
        points="against" if nothing else "for",
        strength=strength,
        misled_by=misled_by or [],
        on=day,
        note=note,
    )
    found = AddFinding(row=row)
    story, made = _find(at, job, found, [(path.name, _picture(path)) for path in photo or []])
    view = job_view(at, story, made, today=day_of(None))
    text = [f"{made.number}: {found.done}", *suspect_lines(view)]
    raise typer.Exit(_answer(at, view, text))


@app.command()
def dye(
    job: JobName,
    name: Annotated[str, typer.Argument(help="Which dye.")],
    ml: Annotated[float, typer.Option(help="How much, ml.")],
    way: Annotated[str, typer.Option(help="oil, vacuum or running.")],
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down dye that was put in; warns of too much.

    Example: holdwatch job dye BM-02 "yellow for PAG" --ml 8 --way vacuum
    """
    ways = {"oil": WayIn.WITH_OIL, "vacuum": WayIn.UNDER_VACUUM, "running": WayIn.RUNNING_LOW_SIDE}
    if way not in ways:
        raise typer.BadParameter(f"--way {way}: write one of {', '.join(ways)}")
    row = _row(DyeEntry, dye=name, amount_ml=ml, on=day_of(on), way=ways[way])
    at, change = desk(data, as_json=json), AddDye(row=row)
    warning = dye_warning(at.book.visit(job)[0], change)
    raise typer.Exit(_change(at, job, change, before=[] if warning is None else [f"! {warning}"]))


@app.command()
def repair(
    job: JobName,
    place: Place,
    act: Annotated[str, typer.Option(help="renewed, resealed, tightened or cleaned.")] = "renewed",
    main_part: Annotated[
        bool, typer.Option("--main-part", help="A main part stood open: the drier goes with it.")
    ] = False,
    unopened: Annotated[
        bool, typer.Option("--unopened", help="The circuit stayed closed.")
    ] = False,
    oil_lost_ml: Annotated[float | None, typer.Option(help="Oil that left, ml.")] = None,
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down a repair; what goes with it must be answered before the visit closes.

    Example: holdwatch job repair BM-02 compressor.shaft-seal --main-part
    """
    row = _row(
        Repair,
        place=place,
        act=act,
        on=day_of(on),
        opened_circuit=not unopened,
        opened_main_part=main_part,
        oil_lost_ml=oil_lost_ml,
    )
    raise typer.Exit(_change(desk(data, as_json=json), job, AddRepair(row=row)))


@app.command()
def part(
    job: JobName,
    name: Annotated[str, typer.Argument(help="What was fitted.")],
    quantity: Annotated[int, typer.Option(min=1, help="How many.")] = 1,
    place: Annotated[str, typer.Option(help="Where.")] = "",
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down a part that was fitted.

    Example: holdwatch job part BM-02 "valve core" --quantity 2
    """
    row = _row(Part, name=name, quantity=quantity, place=place)
    raise typer.Exit(_change(desk(data, as_json=json), job, AddPart(row=row)))


@app.command()
def advise(
    job: JobName,
    words: Annotated[str, typer.Argument(help="What the customer is told.")],
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down advice for the customer.

    Example: holdwatch job advise BM-02 "Come back in September, or when it cools badly."
    """
    change = AddAdvice(row=_row(Advice, text=words))
    raise typer.Exit(_change(desk(data, as_json=json), job, change))


@app.command()
def answer(
    job: JobName,
    point: Annotated[str, typer.Argument(help="Point of the follow-through; `show` lists them.")],
    said: Annotated[str, typer.Argument(help="done, not-needed or deferred.")] = "done",
    note: Note = "",
    by: Annotated[str, typer.Option(help="Who did it.")] = "",
    look_again: Annotated[str | None, typer.Option(help="Day to look again.")] = None,
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Answer a point of the follow-through; a refusal needs its reason in --note.

    Example: holdwatch job answer BM-02 oil --note "20 ml out, 20 ml in"
    """
    again = None if look_again is None else day_of(look_again, "--look-again")
    at, settled = desk(data, as_json=json), said.replace("-", " ")
    row = _row(
        Answer,
        point=point,
        answer=settled,
        note=note,
        by=by,
        on=day_of(on),
        look_again_on=again,
    )
    story, made = at.change_job(job, GiveAnswer(row=row))
    view = job_view(at, story, made, today=day_of(None))
    text = [f"{made.number}: {answer_sentence(view, point, settled)}", *open_lines(view)]
    raise typer.Exit(_answer(at, view, text))


@app.command()
def close(job: JobName, on: Day = None, data: Data = FOLDER, json: Json = False) -> None:
    """Close a visit; refused, with the reasons, while a point of the follow-through is open.

    Example: holdwatch job close BM-02
    """
    at, day = desk(data, as_json=json), day_of(on)
    story, made = at.change_job(job, CloseJob(on=day))
    raise typer.Exit(_done(at, story, made, [f"Visit {made.number} is closed."]))


@app.command()
def reopen(job: JobName, data: Data = FOLDER, json: Json = False) -> None:
    """Open a closed visit again, to mend what was written down.

    Example: holdwatch job reopen 2026-0001
    """
    at = desk(data, as_json=json)
    story, made = at.change_job(job, ReopenJob())
    raise typer.Exit(_done(at, story, made, [f"Visit {made.number} is open again."]))


@app.command()
def show(job: JobName, data: Data = FOLDER, json: Json = False) -> None:
    """Show a visit, the suspects, and what is still to be answered, with its cautions.

    Example: holdwatch job show BM-02
    """
    at = desk(data, as_json=json)
    story, shown = at.book.visit(job)
    view = job_view(at, story, shown, today=day_of(None))
    text = [*job_lines(at, story, shown), *suspect_lines(view), *open_lines(view, cautions=True)]
    raise typer.Exit(_answer(at, view, text))


def _row(model: type[_Row], /, **fields: Any) -> _Row:
    """Return the row that options describe; what cannot be is named."""
    return load_row(model, fields, where=model.__name__.lower())


def _change(at: Desk, name: str, change: Change, *, before: Sequence[str] = ()) -> int:
    """Make a change; print its cautions and what was done."""
    story, made = at.change_job(name, change)
    cautions = [] if change.act is None else at.cautions(change.act, story.unit)
    return _done(at, story, made, [*before, *cautions, f"{made.number}: {change.what}."])


def _find(
    at: Desk, name: str, found: AddFinding, pictures: Sequence[tuple[str, bytes]]
) -> tuple[Story, Job]:
    """Write a finding with its pictures down, both or neither where no service runs."""

    def with_pictures(kept: Sequence[str]) -> AddFinding:
        return AddFinding(row=found.row.model_copy(update={"photographs": tuple(kept)}))

    if at.service is not None:
        kept = [at.service.keep_picture(called, content) for called, content in pictures]
        return at.change_job(name, with_pictures(kept))

    def change(page: Page) -> tuple[Story, Job]:
        folder = at.book.photo_folder
        stored = [store_photograph(page, folder, content, called) for called, content in pictures]
        return change_job(page, at.tables, name, with_pictures([one.sha256 for one in stored]))

    return at.book.write(change)


def _bring(
    at: Desk,
    name: str,
    files: tuple[Path, Path],
    section: str,
    after_repair: bool | None,
    *,
    on: date,
) -> tuple[Story, Job]:
    """Judge a trace by a recipe that the vehicle fills in, keep it as a hold, and bind it."""
    trace, recipe_file = files
    recipe = read_recipe_table(recipe_file)
    if at.service is not None:
        body = {
            "trace": _text_of(trace),
            "recipe": recipe,
            "section": section,
            "after_repair": after_repair,
            "on": on.isoformat(),
        }
        return at.sent(name, "traces", body)
    from holdwatch_physics.fluids import Fluids  # noqa: PLC0415 - slow to load

    judged = judge_for(
        at.book.visit(name)[0].unit,
        section,
        read_trace(trace),
        recipe,
        Fluids.load(),
        where=str(recipe_file),
        version=version(),
    )
    return at.change_job(name, TraceToBind(judged, on, section, after_repair))


def _text_of(trace: Path) -> str:
    try:
        return trace.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{trace}: cannot be read: {error}") from error


def _done(at: Desk, story: Story, made: Job, text: Sequence[str]) -> int:
    return _answer(at, job_view(at, story, made, today=day_of(None)), text)


def _answer(at: Desk, view: JobView, text: Sequence[str]) -> int:
    return at.answer(view.model_dump(mode="json"), text)


def _picture(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error


def suspect_lines(view: JobView) -> list[str]:
    """Return the suspects and the check that tells most next; nothing before anything was seen."""
    if not view.suspects:
        return []
    shares = ", ".join(f"{one.name} {100 * one.share:.0f} %" for one in view.suspects[:4])
    told = [f"Next: {one.check} (about {one.minutes:g} min)" for one in view.next_checks[:1]]
    return [f"Suspects: {shares}", *told]


def open_lines(view: JobView, *, cautions: bool = False) -> list[str]:
    """Return what is still to be answered, with what it warns of where that is wanted."""
    if not view.open_points:
        return []
    lines = ["Still to answer before it closes (holdwatch job answer):"]
    told: set[str] = set()
    for point in view.open_points:
        missing = point.missing
        if point.written is not None:
            command = f"holdwatch job answer {view.visit.number} {point.key}"
            missing = f"{point.written} is written down; confirm with {command}"
        lines.append(f"  {point.key:15}{point.ask} [{missing}]")
        if cautions:
            lines += [f"    ! {text}" for text in point.cautions if text not in told]
            told.update(point.cautions)
    return lines


def job_lines(desk: Desk, story: Story, order: Job) -> Iterator[str]:
    """Yield a visit in the order in which its parts are read."""
    tree = desk.tables.tree(story.unit)
    state = "open" if order.closed_on is None else f"closed {order.closed_on}"
    yield f"Visit {order.number} of {story.unit.name}, {order.opened_on}, {state}"
    if order.complaint:
        yield f"{'complaint':12}{order.complaint}"
    for weighing in order.weighings:
        more = " on top" if weighing.tops_up else ""
        yield (
            f"{weighing.kind:12}{weighing.grams:g} g{more} ±{weighing.tolerance_g:g} g, "
            f"{weighing.on}"
        )
    for finding in order.findings:
        words = "points to a leak" if finding.points == "for" else "nothing found"
        note = f" ({finding.note})" if finding.note else ""
        means = desk.tables.likelihoods.by_key(finding.means).name
        pictures = f", {len(finding.photographs)} pictures" if finding.photographs else ""
        yield f"{'finding':12}{tree.name(finding.place)}: {means}, {words}{note}{pictures}"
    for hold in order.holds:
        yield _hold(hold, tree.name(hold.section))
    for dye in order.dye:
        yield f"{'dye':12}{dye.amount_ml:g} ml of {dye.dye}, {dye.way}, {dye.on}"
    for repair in order.repairs:
        yield f"{'repair':12}{tree.name(repair.place)}: {repair.act}, {repair.on}"
    for part in order.parts:
        yield f"{'part':12}{part.quantity} × {part.name}"
    for advice in order.advice:
        yield f"{'advice':12}{advice}"
    for answer in order.answers:
        note = f": {answer.note}" if answer.note else ""
        again = "" if answer.look_again_on is None else f", look again {answer.look_again_on}"
        yield f"{'answer':12}{answer.point}: {answer.answer}{note}{again}"


def _hold(hold: HoldEntry, section: str) -> str:
    when = " after the repair" if hold.after_repair else ""
    bounds = ""
    if hold.low is not None and hold.high is not None:
        bounds = f", between {hold.low:.0f} and {hold.high:.0f} g a year"
    said = f"{hold.outcome.upper()}{bounds} ({hold.hold_id})"
    if hold.judged_elsewhere:
        said = f"{NOT_JUDGED_HERE}, no proof; the file says {said}"
    return f"{'hold':12}{section}{when}: {said}"
