"""``holdwatch scan``: what Bluetooth probes are in the air, with live values."""

from __future__ import annotations

import asyncio
import dataclasses
import json

from holdwatch_adapters.scan import Seen, scan


def run_scan(*, seconds: float, as_json: bool) -> int:
    """Listen, print what was seen, return the exit status."""
    seen = asyncio.run(scan(seconds))
    if as_json:
        print(json.dumps([dataclasses.asdict(one) for one in seen], ensure_ascii=False))  # noqa: T201
        return 0
    if not seen:
        print("No Bluetooth device was heard. `holdwatch check` says what may be missing.")  # noqa: T201
    for one in seen:
        print(_line(one))  # noqa: T201
    return 0


def _line(one: Seen) -> str:
    signal = "" if one.rssi_dbm is None else f"{one.rssi_dbm} dBm"
    values = ", ".join(one.shown_values) or "no open format"
    return f"{one.address}  {signal:>8}  {one.name or '(no name)':24}  {values}"
