"""The commands under ``holdwatch vehicle``: options in, one room's work, exit status out."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 (typer reads it when the command is made)
from typing import Annotated

import typer

from holdwatch_cli.jobs.vehicle_options import Fields, with_vehicle_fields
from holdwatch_cli.options import FOLDER, Data, Day, Json

app = typer.Typer(
    name="vehicle",
    help="Vehicles (units under test): what they are, and what their visits say together.",
    no_args_is_help=True,
)

Name = Annotated[str, typer.Argument(help="Fleet number, plate or VIN.")]
Limit = Annotated[int, typer.Option(min=1, max=100_000, help="Most vehicles to print.")]


@app.command()
@with_vehicle_fields
def add(
    *,
    fleet_number: Annotated[str | None, typer.Argument(help="The shop's name for it.")] = None,
    said: Fields,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Add a vehicle.

    Example: holdwatch vehicle add BM-02 --plate "LIB 202" --refrigerant R134a --charge-g 900
    --oil "PAG 46" --oil-ml 180 --evaporators 2 --volume-class van-two-evaporators
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.vehicle import given_fields, run_add

    at = desk(data, as_json=json)
    raise typer.Exit(run_add(at, given_fields({"fleet_number": fleet_number, **said}, at)))


@app.command()
@with_vehicle_fields
def change(
    *,
    name: Name,
    fleet_number: Annotated[str | None, typer.Option(help="The shop's new name for it.")] = None,
    said: Fields,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Change what is known of a vehicle; what is not named stays.

    Example: holdwatch vehicle change BM-02 --plate "LIB 303"
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.vehicle import given_fields, run_change

    at = desk(data, as_json=json)
    raise typer.Exit(run_change(at, name, given_fields({"fleet_number": fleet_number, **said}, at)))


@app.command()
def show(name: Name, on: Day = None, data: Data = FOLDER, json: Json = False) -> None:
    """Show a vehicle, its visits, the loss between them, the suspects and what to check next.

    Example: holdwatch vehicle show "lib 202"
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.vehicle import run_show

    raise typer.Exit(run_show(desk(data, as_json=json), name, on=day_of(on)))


@app.command("list")
def list_(limit: Limit = 100, data: Data = FOLDER, json: Json = False) -> None:
    """List the vehicles.

    Example: holdwatch vehicle list --limit 20
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.vehicle import run_list

    raise typer.Exit(run_list(desk(data, as_json=json), limit=limit))


@app.command()
def find(
    words: Annotated[str, typer.Argument(help="Any part of fleet number, plate or VIN.")],
    limit: Limit = 20,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Find vehicles by any identifier; capitals, spaces and dashes make no difference.

    Exit status 1 where there is none.

    Example: holdwatch vehicle find lib202
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.vehicle import run_find

    raise typer.Exit(run_find(desk(data, as_json=json), words, limit=limit))


@app.command()
def volume(
    name: Name,
    bottle_l: Annotated[float | None, typer.Option(help="Bottle with its valve, l.")] = None,
    bottle_u_ml: Annotated[
        float, typer.Option(min=0, help="Standard uncertainty of that, ml.")
    ] = 5.0,
    before_kpa_g: Annotated[
        float | None, typer.Option(help="Bottle before it is opened, kPa gauge.")
    ] = None,
    before_c: Annotated[float | None, typer.Option(help="Bottle's temperature then, °C.")] = None,
    left_pa: Annotated[
        float | None, typer.Option(help="Left in the evacuated unit, Pa absolute.")
    ] = None,
    after_kpa_g: Annotated[
        float | None, typer.Option(help="Both once it stands still, kPa gauge.")
    ] = None,
    after_c: Annotated[float | None, typer.Option(help="Bottle's temperature then, °C.")] = None,
    pipe_c: Annotated[float | None, typer.Option(help="The unit's pipes then, °C.")] = None,
    barometer_kpa: Annotated[float | None, typer.Option(help="The room, kPa absolute.")] = None,
    hose_ml: Annotated[float, typer.Option(min=0, help="Hose between both, ml.")] = 0.0,
    section: Annotated[
        str, typer.Option(help="The part that was open to the bottle, shut off from the rest.")
    ] = "system",
    on: Day = None,
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Measure the internal volume by nitrogen from a known bottle; bare, it prints the steps.

    Caution: eye protection; regulated dry nitrogen with a relief device only, never oxygen or
    compressed air, never above the highest allowed pressure. Local codes come first.

    Example: holdwatch vehicle volume BM-02 --bottle-l 2 --before-kpa-g 900 --before-c 21
    --left-pa 40 --after-kpa-g 262 --after-c 20.5 --pipe-c 21 --barometer-kpa 101.3
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.vehicle import run_volume, run_volume_steps

    at = desk(data, as_json=json)
    asked = {
        "bottle_l": bottle_l,
        "before_kpa_g": before_kpa_g,
        "before_c": before_c,
        "left_pa": left_pa,
        "after_kpa_g": after_kpa_g,
        "after_c": after_c,
        "pipe_c": pipe_c,
        "barometer_kpa": barometer_kpa,
    }
    if all(value is None for value in asked.values()):
        raise typer.Exit(run_volume_steps(at, name))
    said = {**asked, "bottle_u_ml": bottle_u_ml, "hose_ml": hose_ml}
    raise typer.Exit(run_volume(at, name, said, section=section, on=day_of(on)))


@app.command()
def tables(data: Data = FOLDER, json: Json = False) -> None:
    """Write the tables (places, likelihoods, follow-through, volumes) into the folder, to edit.

    Example: holdwatch vehicle tables --data holdwatch-data
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.vehicle import run_tables
    from holdwatch_procedures.vehicles import FILES

    raise typer.Exit(run_tables(desk(data, as_json=json), data, FILES))


@app.command("export")
def export_(
    out: Annotated[Path, typer.Argument(help="File: .json for all, .csv for one table.")],
    name: Annotated[
        str | None, typer.Option("--vehicle", help="Only this one; all if left out.")
    ] = None,
    table: Annotated[
        str, typer.Option(help="For .csv: units, weighings, findings, holds, dye …")
    ] = "units",
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Write vehicles and their visits to a file.

    Example: holdwatch vehicle export fleet.json

    Example: holdwatch vehicle export weights.csv --table weighings
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.files import run_export

    raise typer.Exit(run_export(desk(data, as_json=json), out, vehicle=name, table=table))


@app.command("import")
def import_(
    file: Annotated[Path, typer.Argument(help="File: .json, or .csv of one table.")],
    table: Annotated[
        str, typer.Option(help="For .csv: units, weighings, findings, holds, dye …")
    ] = "units",
    data: Data = FOLDER,
    json: Json = False,
) -> None:
    """Take vehicles and visits from a file, all or none; what is known already is replaced.

    Example: holdwatch vehicle import fleet.csv --table units
    """
    from holdwatch_cli.jobs.desk import desk
    from holdwatch_cli.jobs.files import run_import

    raise typer.Exit(run_import(desk(data, as_json=json), file, table=table))
