"""The commands under ``holdwatch visit``: options in, one room's work, exit status out."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 (typer reads it when the command is made)
from typing import Annotated, Any

import typer

from holdwatch_cli.options import FOLDER, Data, Day, Json

app = typer.Typer(
    name="visit",
    help="Visits (work orders): what was weighed, held, found and repaired, and what is open.",
    no_args_is_help=True,
)

Visit = Annotated[
    str, typer.Argument(help="Number of the visit, or a vehicle that has one open visit.")
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

    Example: holdwatch visit open BM-02 --complaint "cools badly on hot days"
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_open

    at = desk(data, as_json=json)
    raise typer.Exit(run_open(at, vehicle, complaint=complaint, number=number, on=day_of(on)))


@app.command()
def weigh(
    visit: Visit,
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

    Example: holdwatch visit weigh BM-02 --recovered 590
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_add
    from holdwatch_procedures.vehicles.follow_through import Act

    given = [
        (kind, value)
        for kind, value in (("recovered", recovered), ("charged", charged))
        if value is not None
    ]
    if len(given) != 1:
        raise typer.BadParameter("give --recovered or --charged, one of the two")
    kind, value = given[0]
    row = {
        "kind": kind,
        "grams": value,
        "on": day_of(on).isoformat(),
        "tolerance_g": tolerance_g,
        "tops_up": tops_up,
    }
    act = Act.RECOVER if kind == "recovered" else Act.CHARGE
    what = f"{kind} {value:g} g"
    at = desk(data, as_json=json)
    raise typer.Exit(run_add(at, visit, "weighings", row, what=what, act=act))


@app.command()
def hold(
    visit: Visit,
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

    Example: holdwatch visit hold BM-02 --section compressor

    Example: holdwatch visit hold BM-02 --trace hold.csv --recipe hold.toml
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit_holds import run_hold, run_trace

    at = desk(data, as_json=json)
    if trace is None and recipe is None:
        raise typer.Exit(run_hold(at, visit, hold_id, section=section, after_repair=after_repair))
    if trace is None or recipe is None or hold_id is not None:
        raise typer.BadParameter("--trace and --recipe go together, and without a hold's number")
    files = (trace, recipe)
    raise typer.Exit(
        run_trace(at, visit, files, section=section, after_repair=after_repair, on=day_of(on))
    )


@app.command()
def find(
    visit: Visit,
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

    Example: holdwatch visit find BM-02 condenser --by electronic-detector --nothing
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_find

    row: dict[str, Any] = {
        "place": place,
        "means": by,
        "points": "against" if nothing else "for",
        "strength": strength,
        "misled_by": misled_by or [],
        "on": day_of(on).isoformat(),
        "note": note,
    }
    raise typer.Exit(run_find(desk(data, as_json=json), visit, row, photo or []))


@app.command()
def dye(
    visit: Visit,
    name: Annotated[str, typer.Argument(help="Which dye.")],
    ml: Annotated[float, typer.Option(help="How much, ml.")],
    way: Annotated[str, typer.Option(help="oil, vacuum or running.")],
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down dye that was put in; warns of too much.

    Example: holdwatch visit dye BM-02 "yellow for PAG" --ml 8 --way vacuum
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_dye
    from holdwatch_procedures.vehicles.job import WayIn

    ways = {"oil": WayIn.WITH_OIL, "vacuum": WayIn.UNDER_VACUUM, "running": WayIn.RUNNING_LOW_SIDE}
    if way not in ways:
        raise typer.BadParameter(f"--way {way}: write one of {', '.join(ways)}")
    day = day_of(on)
    row = {"dye": name, "amount_ml": ml, "on": day.isoformat(), "way": str(ways[way])}
    raise typer.Exit(run_dye(desk(data, as_json=json), visit, row, on=day))


@app.command()
def repair(
    visit: Visit,
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

    Example: holdwatch visit repair BM-02 compressor.shaft-seal --main-part
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_add
    from holdwatch_procedures.vehicles.follow_through import Act

    row = {
        "place": place,
        "act": act,
        "on": day_of(on).isoformat(),
        "opened_circuit": not unopened,
        "opened_main_part": main_part,
        "oil_lost_ml": oil_lost_ml,
    }
    what = f"{place} {act}"
    shown = None if unopened else Act.OPEN_CIRCUIT
    at = desk(data, as_json=json)
    raise typer.Exit(run_add(at, visit, "repairs", row, what=what, act=shown))


@app.command()
def part(
    visit: Visit,
    name: Annotated[str, typer.Argument(help="What was fitted.")],
    quantity: Annotated[int, typer.Option(min=1, help="How many.")] = 1,
    place: Annotated[str, typer.Option(help="Where.")] = "",
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down a part that was fitted.

    Example: holdwatch visit part BM-02 "valve core" --quantity 2
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.visit import run_add

    row = {"name": name, "quantity": quantity, "place": place}
    what = f"fitted {quantity} × {name}"
    raise typer.Exit(run_add(desk(data, as_json=json), visit, "parts", row, what=what))


@app.command()
def advise(
    visit: Visit,
    words: Annotated[str, typer.Argument(help="What the customer is told.")],
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write down advice for the customer.

    Example: holdwatch visit advise BM-02 "Come back in September, or when it cools badly."
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.visit import run_add

    at = desk(data, as_json=json)
    raise typer.Exit(run_add(at, visit, "advice", words, what="advice written down"))


@app.command()
def answer(
    visit: Visit,
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

    Example: holdwatch visit answer BM-02 oil --note "20 ml out, 20 ml in"
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_answer

    again = None if look_again is None else day_of(look_again, "--look-again").isoformat()
    row = {
        "point": point,
        "answer": said.replace("-", " "),
        "note": note,
        "by": by,
        "on": day_of(on).isoformat(),
        "look_again_on": again,
    }
    raise typer.Exit(run_answer(desk(data, as_json=json), visit, row))


@app.command()
def close(visit: Visit, on: Day = None, data: Data = FOLDER, json: Json = False) -> None:
    """Close a visit; refused, with the reasons, while a point of the follow-through is open.

    Example: holdwatch visit close BM-02
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.visit import run_close

    raise typer.Exit(run_close(desk(data, as_json=json), visit, on=day_of(on)))


@app.command()
def reopen(visit: Visit, data: Data = FOLDER, json: Json = False) -> None:
    """Open a closed visit again, to mend what was written down.

    Example: holdwatch visit reopen 2026-0001
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.visit import run_reopen

    raise typer.Exit(run_reopen(desk(data, as_json=json), visit))


@app.command()
def show(visit: Visit, data: Data = FOLDER, json: Json = False) -> None:
    """Show a visit, the suspects, and what is still to be answered, with its cautions.

    Example: holdwatch visit show BM-02
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.visit import run_show

    raise typer.Exit(run_show(desk(data, as_json=json), visit))
