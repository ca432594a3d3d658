"""The commands: options in, one room's work, exit status out."""

from __future__ import annotations

import logging
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from holdwatch_cli.asked import asked
from holdwatch_cli.errors import EXIT_UNUSABLE, is_users, tell
from holdwatch_cli.fleet_commands import app as fleet_app
from holdwatch_cli.jobs.vehicle_commands import app as vehicle_app
from holdwatch_cli.jobs.visit_commands import app as visit_app
from holdwatch_cli.journal import formatter_for
from holdwatch_cli.keeping_commands import app as keeping_app
from holdwatch_cli.token_commands import app as token_app

app = typer.Typer(
    name="holdwatch",
    help="Watches vacuum and nitrogen holds on air-conditioning systems, and gives verdicts.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # its rendering takes longer to load than everything else here
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)

app.add_typer(vehicle_app, short_help="Vehicles (units under test) and what their visits say.")
app.add_typer(fleet_app, short_help="A chain of shops in one PostgreSQL database.")
app.add_typer(visit_app, short_help="Visits (work orders): weighed, held, found and done.")
app.add_typer(token_app, short_help="Tokens: who may watch and who may operate.")

Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Port = Annotated[
    int | None, typer.Option(min=0, max=65535, help="Port of the bay screen; 0 takes a free one.")
]
Config = Annotated[Path | None, typer.Option(help="Configuration, TOML (docs/shop.example.toml).")]


@app.callback()
def options(
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks and more log.")] = False,
) -> None:
    """Options that stand before the command."""
    lines = logging.StreamHandler(sys.stderr)
    lines.setFormatter(formatter_for(sys.stderr, os.environ))
    logging.basicConfig(level=logging.DEBUG if debug else logging.INFO, handlers=[lines])
    if not debug:
        # It warns that a program is missing which nothing here needs.
        logging.getLogger("bleak.backends.bluezdbus.version").setLevel(logging.ERROR)
    logging.captureWarnings(True)


@app.command()
def demo(
    port: Port = None,
    data: Annotated[
        Path, typer.Option(help="Folder of the SQLite file, made where it is missing.")
    ] = Path("holdwatch-demo"),
    config: Config = None,
    speed: Annotated[
        float, typer.Option(min=1, max=600, help="Simulated seconds a second.")
    ] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulation's chance.")] = 1,
    by_wire: Annotated[
        bool, typer.Option("--by-wire", help="Let relays evacuate the first bay, unattended.")
    ] = False,
) -> None:
    """Run two simulated bays to their verdicts, with the bay screen.

    Example: holdwatch demo --speed 60
    """
    from holdwatch_cli.demo.command import run_demo

    raise typer.Exit(
        run_demo(port=port, data=data, config=config, speed=speed, seed=seed, by_wire=by_wire)
    )


@app.command()
def serve(
    config: Config = None,
    port: Port = None,
    data: Annotated[Path | None, typer.Option(help="Folder of the SQLite file.")] = None,
) -> None:
    """Watch the configured probes and bays until stopped.

    Example: holdwatch serve --config shop.toml
    """
    from holdwatch_cli.serve import run_serve

    raise typer.Exit(run_serve(config=config, port=port, data=data))


@app.command()
def scan(
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="How long to listen.")] = 10.0,
    config: Config = None,
    json: Json = False,
) -> None:
    """List the probes in the air and their values, enrolled or not.

    Nothing that a scan shows is recorded: only enrolled probes are believed.

    Example: holdwatch scan --seconds 10
    """
    from holdwatch_cli.scan import run_scan

    raise typer.Exit(run_scan(seconds=seconds, config=config, as_json=json))


@app.command()
def enrol(
    name: Annotated[str | None, typer.Option(help="The probe's name in this shop.")] = None,
    address: Annotated[str | None, typer.Option(help="Address, as `scan` shows it.")] = None,
    profile: Annotated[str | None, typer.Option(help="ess, gatt or bthome.")] = None,
    key: Annotated[
        str | None,
        typer.Option(help="Key of a bthome probe that encrypts; others see command lines."),
    ] = None,
    key_file: Annotated[
        Path | None, typer.Option(help="File that holds the key; kept out of the configuration.")
    ] = None,
    mac: Annotated[
        str | None, typer.Option(help="True address, where the system hides it (macOS).")
    ] = None,
    bay: Annotated[str | None, typer.Option(help="The bay it serves; added if new.")] = None,
    role: Annotated[
        str | None, typer.Option(help="low_side, high_side, vacuum, pipe_temperature(.2) …")
    ] = None,
    channel: Annotated[
        str | None, typer.Option(help="Its channel, for example pressure.2; else by the role.")
    ] = None,
    reference: Annotated[
        str | None, typer.Option(help="vented, sealed or absolute: the air does not say.")
    ] = None,
    unit: Annotated[str | None, typer.Option(help="Unit of the figures, e.g. kPag.")] = None,
    range_: Annotated[str | None, typer.Option("--range", help="LOW:HIGH in its unit.")] = None,
    resolution: Annotated[float | None, typer.Option(help="Step of its readings.")] = None,
    noise: Annotated[float | None, typer.Option(help="Scatter of single readings.")] = None,
    drift: Annotated[float | None, typer.Option(help="Wander in an hour.")] = None,
    interval_s: Annotated[float | None, typer.Option(help="Time between readings, s.")] = None,
    offset: Annotated[float | None, typer.Option(help="Calibration offset, its unit.")] = None,
    scale: Annotated[float | None, typer.Option(help="Calibration scale.")] = None,
    point: Annotated[
        list[str] | None, typer.Option(help="SAID=TRUE beside a reference, twice: two points.")
    ] = None,
    zero: Annotated[
        str | None, typer.Option(metavar="PROBE", help="Measure its offset now, open to the air.")
    ] = None,
    seconds: Annotated[float, typer.Option(min=2, max=600, help="How long to measure.")] = 20.0,
    true: Annotated[
        float | None, typer.Option(help="What it should say; else 0, or the barometer.")
    ] = None,
    config: Annotated[Path, typer.Option(help="The shop's file, made if missing.")] = Path(
        "shop.toml"
    ),
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show the file, write nothing.")
    ] = False,
    json: Json = False,
) -> None:
    """Enrol a probe: name, key, figures, role in a bay; bare, it asks.

    Your comments and your order in shop.toml stay; the file of before is kept as shop.toml.bak.

    Example: holdwatch enrol --name gauge-3 --address 02:00:00:00:00:09 --bay bay-1 --role low_side
    --unit kPag --range 0:3500

    Then, open to the air: holdwatch enrol --zero gauge-3
    """
    from holdwatch_cli.enrol import options
    from holdwatch_cli.enrol.command import run_enrol, run_zero

    said = {
        "address": address,
        "profile": profile,
        "key": key,
        "key_file": options.path_from(config, key_file),
        "mac": mac,
        "pressure_reference": reference,
        "unit": unit,
        "range": options.range_of(range_),
        "resolution": resolution,
        "noise": noise,
        "drift": drift,
        "interval_s": interval_s,
    }
    made = options.enrolment(name, said, bay, role, channel, offset, scale, point or [])
    if zero is None:
        raise typer.Exit(run_enrol(made, config, as_json=json, dry_run=dry_run))
    options.only_zero(made)
    status = run_zero(
        zero, config, channel=channel, seconds=seconds, true=true, as_json=json, dry_run=dry_run
    )
    raise typer.Exit(status)


@app.command()
def judge(
    trace: Annotated[Path, typer.Argument(help="Recorded readings, CSV.")],
    recipe: Annotated[Path, typer.Option(help="The recipe, TOML.")],
    json: Json = False,
) -> None:
    """Judge a recorded trace.

    Exit status: 0 pass, 1 fail, 2 inconclusive, 3 unusable input.

    Example: holdwatch judge hold.csv --recipe hold.toml --json
    """
    from holdwatch_cli.judge import run_judge

    raise typer.Exit(run_judge(trace, recipe, as_json=json))


@app.command()
def plan(
    recipe: Annotated[Path, typer.Option(help="The recipe, TOML.")],
    minutes: Annotated[
        float | None, typer.Option(min=1, max=10080, help="What a hold of this time can see.")
    ] = None,
    pressure_kpa_g: Annotated[
        float | None,
        typer.Option(help="Test pressure, kPa gauge; else the unit's highest allowed."),
    ] = None,
    no_thermometer: Annotated[
        bool, typer.Option("--no-thermometer", help="Plan without a pipe thermometer.")
    ] = False,
    no_barometer: Annotated[
        bool, typer.Option("--no-barometer", help="Plan without a barometer channel.")
    ] = False,
    swing_k: Annotated[
        float, typer.Option(min=0.01, max=5, help="Swing of the gas that no clamp sees, K.")
    ] = 0.1,
    drift_k_per_h: Annotated[
        float, typer.Option(min=0, max=10, help="Steady drift of the room, K/h.")
    ] = 1.0,
    moist: Annotated[
        bool, typer.Option("--moist", help="Plan a vacuum of a moist system.")
    ] = False,
    json: Json = False,
) -> None:
    """Say how long a hold must last, or what a given time can see.

    Example: holdwatch plan --recipe hold.toml --minutes 60
    """
    from holdwatch_cli.plan import run_plan
    from holdwatch_procedures.holds.plan import Conditions

    conditions = Conditions(
        gauge_pa=None if pressure_kpa_g is None else pressure_kpa_g * 1e3,
        thermometer=not no_thermometer,
        barometer=not no_barometer,
        hidden_k=swing_k,
        drift_k_per_h=drift_k_per_h,
        moist=moist,
    )
    raise typer.Exit(run_plan(recipe, conditions, minutes=minutes, as_json=json))


@app.command()
def balance(
    charged: Annotated[
        list[str], typer.Option(help="GRAMS@DATE put in; the n-th pairs with the n-th recovered.")
    ],
    recovered: Annotated[list[str], typer.Option(help="GRAMS@DATE taken out later.")],
    scale_tolerance_g: Annotated[
        float, typer.Option(min=0, max=1000, help="Limit of error of each weighing, g.")
    ] = 5.0,
    unrecovered_g: Annotated[
        str, typer.Option(help="LOW:HIGH, what stays in oil and hoses, g (common practice).")
    ] = "0:30",
    hose_loss_g: Annotated[
        float, typer.Option(min=0, max=1000, help="Lost at the hoses, g a pair.")
    ] = 0.0,
    nameplate_g: Annotated[
        float | None, typer.Option(help="Charge by the plate, g; for percent and dates.")
    ] = None,
    evaporators: Annotated[
        int, typer.Option(min=1, max=2, help="One (40 g a year by law) or two (60 g).")
    ] = 1,
    noticed_share: Annotated[
        float, typer.Option(help="Share of the charge whose loss is noticed (common practice).")
    ] = 0.30,
    json: Json = False,
) -> None:
    """Say what a unit loses a year, from what went in and came out.

    Example: holdwatch balance --charged 600@2025-05-04 --recovered 540@2026-05-02 --nameplate-g 600
    """
    from holdwatch_cli.jobs.balance import run_balance
    from holdwatch_procedures.vehicles.balance import Figures

    figures = Figures(
        scale_tolerance_g, unrecovered_g, hose_loss_g, nameplate_g, evaporators, noticed_share
    )
    raise typer.Exit(run_balance(charged, recovered, figures, as_json=json))


@app.command()
def export(
    hold: Annotated[
        str,
        typer.Argument(
            help="The hold's id, as the screen's events and the API name it, or `latest`."
        ),
    ],
    data: Annotated[Path, typer.Option(help="Folder of the SQLite file.")] = Path("holdwatch-data"),
    out: Annotated[
        Path | None,
        typer.Option(
            help="File for the trace (the recipe beside it as .toml); else to the screen."
        ),
    ] = None,
    json: Json = False,
) -> None:
    """Write a hold's readings as a trace.

    `judge` reads it back to the same verdict.

    Example: holdwatch export latest --data holdwatch-data --out hold.csv
    """
    from holdwatch_cli.export import run_export

    raise typer.Exit(run_export(hold, data=data, out=out, as_json=json))


@app.command()
def report(
    visit: Annotated[
        str | None, typer.Argument(help="Number of the visit, or a vehicle with one open visit.")
    ] = None,
    out: Annotated[
        list[Path] | None, typer.Option(help="File: .html, .json or .pdf. Again for more.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option(help="Check a report's file against the store instead.")
    ] = None,
    on: Annotated[str | None, typer.Option(help="Day of the report, as 2026-05-04.")] = None,
    data: Annotated[Path, typer.Option(help="Folder of the SQLite file.")] = Path("holdwatch-data"),
    json: Json = False,
) -> None:
    """Write a visit's report, for customer and shop, or verify one.

    With --verify the exit status is 0 where file and store agree, 1 where something was changed,
    and every changed place is named.

    Example: holdwatch report 2026-0001 --out report.html --out report.pdf

    Then: holdwatch report --verify report.html
    """
    from holdwatch_cli.jobs.desk import day_of, desk
    from holdwatch_cli.jobs.report import run_report, run_verify

    at = desk(data, as_json=json)
    if verify is not None:
        raise typer.Exit(run_verify(at, verify))
    raise typer.Exit(run_report(at, visit, out or [], made_on=day_of(on)))


@app.command()
def watch(
    url: Annotated[str, typer.Option(help="Address of the service.")] = "http://127.0.0.1:8765/",
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    token_file: Annotated[
        Path | None, typer.Option(help="File of the token that may watch.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Look once and leave.")] = False,
    json: Annotated[
        bool, typer.Option("--json", help="Print JSON: one object with --once, else one a line.")
    ] = False,
) -> None:
    """Follow live values and holds of a service in the terminal.

    Example: holdwatch watch --url http://127.0.0.1:8765/
    """
    from holdwatch_cli.watch import run_watch

    raise typer.Exit(run_watch(url, token_file=token_file, bay=bay, once=once, as_json=json))


@app.command()
def check(
    config: Config = None,
    data: Annotated[Path | None, typer.Option(help="Folder of the SQLite file.")] = None,
    json: Json = False,
) -> None:
    """Say what is missing on this machine, each with its mend.

    Example: holdwatch check --config shop.toml
    """
    from holdwatch_cli.check.command import run_check

    raise typer.Exit(run_check(config=config, data=data, as_json=json))


app.registered_commands += keeping_app.registered_commands


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit status; errors a user can mend are one sentence."""
    given = (sys.argv[1:] if arguments is None else arguments) or ["--help"]
    try:
        status: Any = asked(app, given)(args=given, prog_name="holdwatch", standalone_mode=False)
    except typer.Abort:
        raise SystemExit(130) from None
    except Exception as error:
        usage = getattr(error, "format_message", None)  # an error in the options themselves
        if usage is not None and usage().startswith("Usage:"):
            sys.stderr.write(f"{usage()}\n")  # a group of commands without one of them
        elif usage is not None:
            tell(f"{usage()} (holdwatch {given[0]} --help shows the options)")
        elif is_users(error) and "--debug" not in given:
            tell(error)
        else:
            raise
        raise SystemExit(EXIT_UNUSABLE) from None
    raise SystemExit(status if isinstance(status, int) else 0)
