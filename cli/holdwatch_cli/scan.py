"""``holdwatch scan``: what Bluetooth probes are in the air, with live values."""

from __future__ import annotations

import asyncio
import dataclasses
import json
from typing import TYPE_CHECKING

from holdwatch_adapters.bluetooth_scan import Seen, scan
from holdwatch_cli.terminal import say

if TYPE_CHECKING:
    from holdwatch_adapters.payload import Decoded


def run_scan(*, seconds: float, as_json: bool) -> int:
    """Listen, print what was seen, return the exit status."""
    seen = asyncio.run(scan(seconds))
    if as_json:
        say(json.dumps([dataclasses.asdict(one) for one in seen], ensure_ascii=False))
        return 0
    if not seen:
        say("No Bluetooth device was heard; `holdwatch check` says what may be missing.")
    for one in seen:
        say(line(one))
    return 0


def line(one: Seen) -> str:
    """Return one device as one line for people."""
    signal = "" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
    profile = one.profile or "no open format"
    values = ", ".join(_shown(value) for value in one.values) or one.note
    return f"{one.address}  {signal:>8}  {one.name or '(no name)':24}  {profile:14}  {values}"


def _shown(value: Decoded) -> str:
    if value.kind == "temperature":
        return f"{value.value_si - 273.15:.2f} °C"
    if value.kind == "pressure":
        return f"{value.value_si / 1e3:.3f} kPa (gauge or absolute: its maker knows)"
    return f"{value.kind} {value.value_si:g} %"
