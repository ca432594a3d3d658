"""``holdwatch export``: a hold as a trace and a recipe that ``judge`` reads back."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from holdwatch_cli.errors import UserError
from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.bays import export_hold, newest_hold


def run_export(hold: str, *, data: Path, out: Path | None, as_json: bool) -> int:
    """Write or print a hold's trace and recipe; return the exit status."""
    database = data / "holdwatch.db"
    exported = export_hold(database, newest_hold(database) if hold == "latest" else hold)
    if as_json:
        text = exported.trace.decode()
        say(json.dumps({"hold": hold, "trace": text, "recipe": exported.recipe}))
        return 0
    if out is None:
        sys.stdout.buffer.write(exported.trace)
        sys.stdout.buffer.flush()
        return 0
    recipe = out.with_suffix(".toml")
    try:
        out.write_bytes(exported.trace)
        recipe.write_text(exported.recipe, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{error.filename}: cannot be written: {error.strerror}") from error
    say(f"Wrote {out} and {recipe}; read them back with:")
    say(f"  holdwatch judge {out} --recipe {recipe}")
    return 0


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
    raise typer.Exit(run_export(hold, data=data, out=out, as_json=json))
