"""``holdwatch backup``, ``restore`` and ``salvage``: copies of the store, and what can be saved."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.settings import load_config
from holdwatch_daemon.store import ACCESS, back_up
from holdwatch_daemon.store import restore as restore_backup
from holdwatch_daemon.store import salvage as salvage_database
from holdwatch_daemon.timestamps import rfc3339

Data = Annotated[Path, typer.Option(help="Folder of the SQLite file.")]


def run_backup(folder: Path, *, data: Path | None, config: Path | None, as_json: bool) -> int:
    """Make a backup; return the exit status."""
    if data is None:
        data = Path("holdwatch-data") if config is None else load_config(config).site.data
    made = back_up(data, folder, time.time_ns(), config)
    if as_json:
        told = {"folder": str(folder), "made": made.made, "newest_event": made.newest_event}
        say(json.dumps(told | {"files": len(made.files), "bytes": made.size}))
    else:
        say(
            f"Backed up {data} into {folder}: {len(made.files)} files, {made.size / 1e6:.1f} MB, "
            f"up to event {made.newest_event}."
        )
    return 0


def run_restore(folder: Path, *, data: Path, as_json: bool) -> int:
    """Restore a backup; return the exit status."""
    backup, number = restore_backup(folder, data, time.time_ns())
    has_tokens = (data / ACCESS).exists()
    if as_json:
        told = {"data": str(data), "made": backup.made, "newest_event": backup.newest_event}
        say(json.dumps(told | {"next_event": number, "tokens": has_tokens}))
        return 0
    say(f"Restored the backup of {backup.made} into {data}, up to event {backup.newest_event}.")
    say(f"Events go on with number {number}: none that may have been told is given again.")
    if has_tokens:
        say(f"Tokens are in no backup: those in {data / ACCESS} go on being good.")
    else:
        say(
            "Tokens are in no backup: make new ones with `holdwatch token new --scope operate` "
            "before you start. Without any, a service on loopback is open to all on its computer."
        )
    if "shop.toml" in backup.files:
        say(f"The shop's configuration lies in {folder / 'shop.toml'}; put it where you need it.")
    return 0


def run_salvage(old: Path, out: Path, *, as_json: bool) -> int:
    """Recover what can be read; return the exit status: 1 where something was lost."""
    told = salvage_database(old, out, rfc3339(time.time_ns()))
    lost = [one for one in told if one.lost or one.refused]
    if as_json:
        say(json.dumps([asdict(one) for one in told]))
        return 1 if lost else 0
    for one in told:
        if not one.table.startswith("tiers"):
            say(f"{one.table}: {one.rows} rows")
        for first, last in one.lost:
            say(f"  LOST {_span(one.table, first, last)}")
        if one.refused:
            say(f"  LOST {one.refused} rows that make no sense")
    say(f"Wrote {out}. {'Nothing was lost.' if not lost else 'What is LOST could not be read.'}")
    return 1 if lost else 0


def _span(table: str, first: int, last: int) -> str:
    if table.startswith("readings"):
        begin = f"from {first / 1e9:.3f} s" if abs(first) < 2**61 else "from the beginning"
        end = f"to {last / 1e9:.3f} s" if abs(last) < 2**61 else "to the end"
        return f"{begin} {end} of that boot's clock"
    begin = str(first) if abs(first) < 2**61 else "the beginning"
    end = str(last) if abs(last) < 2**61 else "the end"
    return "some rows between its ends" if first == last == 0 else f"from {begin} to {end}"


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
    raise typer.Exit(run_backup(folder, data=data, config=config, as_json=json))


def restore(
    folder: Annotated[Path, typer.Argument(help="The backup's folder.")],
    data: Data = Path("holdwatch-data"),
    json: Json = False,
) -> None:
    """Check a backup and put it into a data folder.

    Nothing that is there is overwritten.

    Example: holdwatch restore /mnt/usb/2026-05-04 --data holdwatch-data
    """
    raise typer.Exit(run_restore(folder, data=data, as_json=json))


def salvage(
    old: Annotated[Path, typer.Argument(help="The damaged database.")],
    out: Annotated[Path, typer.Option("--out", help="The new file.")],
    json: Json = False,
) -> None:
    """Recover what can be read of a damaged database.

    It says what was lost (exit status 1).

    Example: holdwatch salvage holdwatch.db.damaged-20260504T093107Z --out saved/holdwatch.db
    """
    raise typer.Exit(run_salvage(old, out, as_json=json))
