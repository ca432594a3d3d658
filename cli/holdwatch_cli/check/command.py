"""``holdwatch check``: what is missing on this machine, each with its mend."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path  # noqa: TC003 - read when the command is made
from typing import TYPE_CHECKING, Annotated

import typer

from holdwatch_cli.check.bays import bay_findings, experimental_relays
from holdwatch_cli.check.finding import Finding
from holdwatch_cli.check.probes import way_findings
from holdwatch_cli.check.radio import radio_findings
from holdwatch_cli.options import Config, Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.settings import ShopConfig, load_config

if TYPE_CHECKING:
    from collections.abc import Iterator

LEAST_FREE_BYTES = 1_000_000_000
EARLIEST = datetime(2025, 1, 1, tzinfo=UTC)
"""A clock before this has never been set."""


def run_check(*, config: Path | None, data: Path | None, as_json: bool) -> int:
    """Look at everything, print it; the exit status is 1 where something needs mending."""
    shop = load_config(config) if config is not None else ShopConfig()
    folder = data if data is not None else shop.site.data
    shop = shop.model_copy(update={"site": shop.site.model_copy(update={"data": folder})})
    findings = [*_machine(shop, folder), *bay_findings(shop)]
    findings += asyncio.run(_ways(shop, asked=config is not None))
    if as_json:
        say(json.dumps([asdict(finding) for finding in findings], ensure_ascii=False))
    else:
        for finding in findings:
            say(f"{'ok  ' if finding.ok else 'MEND'}  {finding.what}: {finding.found}")
            if finding.mend:
                say(f"      {finding.mend}")
        for warning in experimental_relays(shop):
            say(f"Note  {warning}")
    return 0 if all(finding.ok for finding in findings) else 1


def _machine(shop: ShopConfig, folder: Path) -> Iterator[Finding]:
    yield _python()
    yield _clock()
    yield _disk(folder)
    yield _sqlite()
    yield _port(shop.http.host, shop.http.port)


async def _ways(shop: ShopConfig, *, asked: bool) -> list[Finding]:
    """What the probes' ways in need; Bluetooth only where a configuration does not do without."""
    findings = []
    if asked and not any(probe.kind == "bluetooth" for probe in shop.probe):
        findings.append(Finding("Bluetooth", True, "not needed: no probe of this shop uses it"))
    else:
        findings += await radio_findings(shop)
    return findings + await way_findings(shop)


def _python() -> Finding:
    found = sys.version.split()[0]
    return Finding("Python", sys.version_info >= (3, 11), found)


def _clock() -> Finding:
    now = datetime.fromtimestamp(time.time(), UTC)
    found = f"{now:%Y-%m-%d %H:%M} UTC"
    mend = "Set the clock, or let the network set it: timedatectl set-ntp true"
    if now <= EARLIEST:
        return Finding("clock", False, f"{found}: it has never been set", mend)
    synchronised = _synchronised()
    if synchronised is None:
        return Finding("clock", True, f"{found}; whether the network sets it is not known here")
    if not synchronised:
        return Finding("clock", False, f"{found}, not set by the network", mend)
    return Finding("clock", True, f"{found}, set by the network")


def _synchronised() -> bool | None:
    """Whether the network sets this machine's clock; None where nobody here can tell."""
    program = shutil.which("timedatectl")
    if program is None:
        return None
    command = [program, "show", "--property=NTPSynchronized", "--value"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=5, check=False)  # noqa: S603 - a fixed command
    except (OSError, subprocess.TimeoutExpired):
        return None
    return {"yes": True, "no": False}.get(done.stdout.strip())


def _disk(folder: Path) -> Finding:
    existing = next(path for path in (folder, *folder.absolute().parents) if path.exists())
    free = shutil.disk_usage(existing).free
    if not os.access(existing, os.W_OK):
        mend = f"Let this user write there, or choose another folder with --data: chown {existing}"
        return Finding("data folder", False, f"{existing} is not writable", mend)
    ok = free > LEAST_FREE_BYTES
    mend = "" if ok else "Free some room, or choose another folder with --data."
    return Finding("data folder", ok, f"{existing}, {free / 1e9:.1f} GB free", mend)


def _sqlite() -> Finding:
    ok = sqlite3.sqlite_version_info >= (3, 35)
    mend = "" if ok else "Take a Python that is built with SQLite 3.35 or newer."
    return Finding("SQLite", ok, sqlite3.sqlite_version, mend)


def _port(host: str, port: int) -> Finding:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError as error:
            mend = "Stop what uses it, or choose another with --port or `http.port`."
            return Finding("bay screen", False, f"{host}:{port}: {error.strerror}", mend)
    return Finding("bay screen", True, f"{host}:{port} is free")


def check(
    config: Config = None,
    data: Annotated[Path | None, typer.Option(help="Folder of the SQLite file.")] = None,
    json: Json = False,
) -> None:
    """Say what is missing on this machine, each with its mend.

    Example: holdwatch check --config shop.toml
    """
    raise typer.Exit(run_check(config=config, data=data, as_json=json))
