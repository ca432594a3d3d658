"""The commands that copy and save the store: options in, exit status out."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer()

Data = Annotated[Path, typer.Option(help="Folder of the SQLite file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON value instead of text.")]


@app.command()
def backup(
    folder: Annotated[Path, typer.Argument(help="A new folder for the backup.")],
    data: Annotated[
        Path | None, typer.Option(help="Folder of the SQLite file, instead of the configured one.")
    ] = None,
    config: Annotated[
        Path | None, typer.Option(help="Configuration: copied along, and says where the data is.")
    ] = None,
    json: Json = False,
) -> None:
    """Copy the store, also while the service runs.

    Counters, photographs and the configuration go with it.

    Example: holdwatch backup /mnt/usb/2026-05-04 --config shop.toml
    """
    from holdwatch_cli.keeping import run_backup

    raise typer.Exit(run_backup(folder, data=data, config=config, as_json=json))


@app.command()
def restore(
    folder: Annotated[Path, typer.Argument(help="The backup's folder.")],
    data: Data = Path("holdwatch-data"),
    json: Json = False,
) -> None:
    """Check a backup and put it into a data folder.

    Nothing that is there is overwritten.

    Example: holdwatch restore /mnt/usb/2026-05-04 --data holdwatch-data
    """
    from holdwatch_cli.keeping import run_restore

    raise typer.Exit(run_restore(folder, data=data, as_json=json))


@app.command()
def salvage(
    old: Annotated[Path, typer.Argument(help="The damaged database.")],
    out: Annotated[Path, typer.Option("--out", help="The new file.")],
    json: Json = False,
) -> None:
    """Recover what can be read of a damaged database.

    It says what was lost (exit status 1).

    Example: holdwatch salvage holdwatch.db.damaged-20260504T093107Z --out saved/holdwatch.db
    """
    from holdwatch_cli.keeping import run_salvage

    raise typer.Exit(run_salvage(old, out, as_json=json))
