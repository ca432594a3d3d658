"""``holdwatch scan``: what Bluetooth probes are in the air, with live values."""

from __future__ import annotations

import asyncio
import dataclasses
import json
from pathlib import Path  # noqa: TC003 - read when the command is made
from typing import TYPE_CHECKING, Annotated

import typer

from holdwatch_adapters.bluetooth import Seen
from holdwatch_adapters.bluetooth import scan as scan_air
from holdwatch_cli.options import Config, Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.settings import load_config
from holdwatch_physics.units import celsius

if TYPE_CHECKING:
    from holdwatch_adapters.decoding import Decoded


def run_scan(*, seconds: float, config: Path | None, as_json: bool) -> int:
    """Listen, print what was seen, return the exit status."""
    names: dict[str, str] = {}
    hci: str | None = None
    if config is not None:
        shop = load_config(config)
        names = {probe.identity.upper(): probe.name for probe in shop.probe if probe.identity}
        hci = shop.bluetooth.adapter
    seen = asyncio.run(scan_air(seconds, hci=hci))
    if as_json:
        tables = [
            dataclasses.asdict(one)
            | {"values": [value._asdict() for value in one.values]}
            | {"enrolled": names.get(one.address.upper())}
            for one in seen
        ]
        say(json.dumps(tables, ensure_ascii=False))
        return 0
    if not seen:
        say("No Bluetooth device was heard; `holdwatch check` says what may be missing.")
    for one in seen:
        name = names.get(one.address.upper())
        say(line(one) if name is None else f"{line(one)}  (enrolled: {name})")
    return 0


def line(one: Seen) -> str:
    """Return one device as one line for people."""
    signal = "" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
    profile = one.profile or "no open format"
    values = ", ".join(_shown(value) for value in one.values) or one.note
    return f"{one.address}  {signal:>8}  {one.name or '(no name)':24}  {profile:14}  {values}"


def _shown(value: Decoded) -> str:
    if value.kind == "temperature":
        return f"{celsius(value.value_si):.2f} °C"
    if value.kind == "pressure":
        return f"{value.value_si / 1e3:.3f} kPa (gauge or absolute: its maker knows)"
    return f"{value.kind} {value.value_si:g} %"


def scan(
    seconds: Annotated[float, typer.Option(min=0.5, max=600, help="How long to listen.")] = 10.0,
    config: Config = None,
    json: Json = False,
) -> None:
    """List the probes in the air and their values, enrolled or not.

    Nothing that a scan shows is recorded: only enrolled probes are believed.

    Example: holdwatch scan --seconds 10
    """
    raise typer.Exit(run_scan(seconds=seconds, config=config, as_json=json))
