"""The configured radio end to end: shop.toml, simulated air, readings, and a restart."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from adapter_rig import Ear, WallClock
from bluetooth_rig import CLAMP_ON_AIR, GAUGE_ON_AIR, Sending, air, bus

from holdwatch_cli.adapters import adapters_for
from holdwatch_daemon.settings.load import load_config
from holdwatch_simulators.air.sealing import seal
from holdwatch_simulators.wire import WireUpdate

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_adapters.ports import Adapter
    from holdwatch_simulators.air import FakeBluez

__all__ = ["air", "bus"]

KEY = "231d39c1d7cc1ab1aee224cd096db932"
SECRET = f"""
[site]
data = "data"

[[probe]]
name = "clamp"
profile = "bthome"
address = "{CLAMP_ON_AIR.address}"
key = "{KEY}"
"""


def made(text: str, folder: Path) -> Adapter:
    path = folder / "shop.toml"
    path.write_text(text, encoding="utf-8")
    (adapter,) = adapters_for(load_config(path), WallClock())
    return adapter


def say(air: FakeBluez, counter: int) -> None:
    objects = bytes.fromhex("02ca09")
    key = bytes.fromhex(KEY)
    payload = seal(objects, key=key, address=CLAMP_ON_AIR.address, counter=counter)
    air.update(WireUpdate(CLAMP_ON_AIR.name, None, payload))


async def test_counters_of_encrypted_probes_outlive_a_restart(
    air: FakeBluez, tmp_path: Path
) -> None:
    async with Ear(made(SECRET, tmp_path)) as ear, asyncio.timeout(10.0):
        while not ear.values("clamp/temperature"):
            say(air, 77)
            await asyncio.sleep(0.02)
        assert {round(value, 2) for _, value in ear.values("clamp/temperature")} == {298.21}
    assert (tmp_path / "data" / "counters.db").exists()
    async with Ear(made(SECRET, tmp_path)) as ear, asyncio.timeout(10.0):
        while not ear.notices("clamp", "refused"):
            say(air, 77)
            await asyncio.sleep(0.02)
        assert ear.values("clamp/temperature") == []
        say(air, 78)
        await ear.until_more("clamp/temperature", 1)


async def test_a_passive_scan_and_a_declared_layout_come_from_the_file(
    air: FakeBluez, tmp_path: Path
) -> None:
    text = f"""
[bluetooth]
scanning = "passive"
adapter = "hci0"

[[probe]]
name = "gauge"
profile = "gatt"
address = "{GAUGE_ON_AIR.address}"

[[probe.layout]]
service = "181A"
characteristic = "0x2A6D"
type = "u32"
factor = 0.0001
unit = "kPag"
channel = "pressure.2"
"""
    async with Sending(air), Ear(made(text, tmp_path)) as ear:
        await ear.until_more("gauge/pressure.2")
        assert ear.values("gauge/pressure.2")[0] == ("pressure_gauge", 1_000_000.0)
        assert ear.values("gauge/pressure") == [], "a declared layout comes before the standard"
        assert air.calls.get("StartDiscovery", 0) == 0
