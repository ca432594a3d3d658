"""``holdwatch check``: each thing that can be missing is named, with its mend."""

from __future__ import annotations

import os
import socket
import stat
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import shop_table
from mosquitto_fixture import free_port
from system_parts import require

from holdwatch_cli.check import command as check
from holdwatch_cli.check.probes import way_findings
from holdwatch_cli.check.radio import radio_findings
from holdwatch_daemon.settings.load import parse_config
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.wire import ENVIRONMENTAL_SENSING, ProbeDescription

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_cli.check.finding import Finding

GAUGE = ProbeDescription(
    "gauge", "02:00:00:00:00:01", "gatt", advertised_services=(ENVIRONMENTAL_SENSING,)
)


def by_name(findings: list[Finding]) -> dict[str, Finding]:
    """Findings by what was looked at; each bad one has its mend, and each good one none."""
    assert all(bool(finding.mend) is not finding.ok for finding in findings)
    return {finding.what: finding for finding in findings}


async def look(**bluetooth: str) -> dict[str, Finding]:
    table = shop_table(Path("data"), bluetooth=bluetooth)
    return by_name(await radio_findings(parse_config(table), scan_s=0.5))


@pytest.fixture
async def bus(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PrivateBus]:
    require("dbus-daemon", "dbus")
    async with PrivateBus() as bus:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", bus.address)
        yield bus


async def test_without_a_bus_there_is_no_bluetooth(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere")
    found = await look()
    assert "install dbus" in found["D-Bus"].mend
    assert not found["Bluetooth"].ok


async def test_without_the_service_it_says_how_to_get_it(bus: PrivateBus) -> None:
    found = await look()
    assert found["D-Bus"].ok
    assert "install bluez" in found["Bluetooth service"].mend


async def test_a_refusal_is_a_matter_of_permissions(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]) as air:
        air.refuse("GetManagedObjects", error="org.freedesktop.DBus.Error.AccessDenied")
        found = await look()
    assert "group" in found["Bluetooth permissions"].mend


async def test_without_a_radio_it_says_so(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]) as air:
        await air.unplug()
        found = await look()
    assert found["Bluetooth adapter"].found == "none is plugged in"


async def test_a_radio_of_another_name_is_told(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]):
        found = await look(adapter="hci7")
    assert found["Bluetooth adapter"].found == "hci7 is not there; there are hci0"


async def test_a_whole_radio_is_well_and_the_enrolled_are_counted(bus: PrivateBus) -> None:
    async with FakeBluez(bus.address, [GAUGE]):
        found = await look()
    assert all(finding.ok for finding in found.values())
    assert "1 of 3 enrolled probes" in found["Bluetooth"].found
    assert "BM-bay1-clamp" in found["Bluetooth"].found
    assert "possible" in found["passive scanning"].found


@pytest.mark.parametrize(("scanning", "ok"), [("active", True), ("passive", False)])
async def test_passive_scanning_is_missed_only_where_it_is_configured(
    bus: PrivateBus, scanning: str, ok: bool
) -> None:
    async with FakeBluez(bus.address, [GAUGE], experimental=False):
        found = await look(scanning=scanning)
    assert found["passive scanning"].ok is ok
    assert ok or "--experimental" in found["passive scanning"].mend


def ways(tmp_path: Path, *probes: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return shop_table(tmp_path, probe=list(probes), bay=[], **changes)


def modbus(**way: Any) -> dict[str, Any]:
    point = {"channel": "pressure", "unit": "kPag", "address": 1, "type": "u16"}
    return {"name": "bench", "kind": "modbus", "modbus": way, "point": [point]}


async def test_hosts_and_ports_of_probes_are_tried(tmp_path: Path) -> None:
    port = free_port()
    table = ways(tmp_path, modbus(host="127.0.0.1", tcp_port=port))
    found = by_name(await way_findings(parse_config(table)))
    assert not found["Modbus device of bench"].ok
    with closing(socket.create_server(("127.0.0.1", port))):
        found = by_name(await way_findings(parse_config(table)))
    assert found["Modbus device of bench"].ok
    table = ways(tmp_path, modbus(port=str(tmp_path / "ttyUSB0")))
    found = by_name(await way_findings(parse_config(table)))
    assert "Plug the adapter in" in found["serial port of bench"].mend


async def test_a_broker_that_does_not_answer_is_named(tmp_path: Path) -> None:
    port = free_port()
    table = ways(tmp_path, mqtt={"host": "127.0.0.1", "port": port})
    found = by_name(await way_findings(parse_config(table)))
    assert f"127.0.0.1:{port}" in found["MQTT broker"].found
    secret = {"host": "127.0.0.1", "username": "x", "password_file": str(tmp_path / "none")}
    found = by_name(await way_findings(parse_config(ways(tmp_path, mqtt=secret))))
    assert "cannot be read" in found["MQTT broker"].found


async def test_a_key_file_is_looked_into(tmp_path: Path) -> None:
    file = tmp_path / "key"
    probe = {"name": "wall", "address": "02:00:00:00:00:01", "profile": "bthome"}
    shop = parse_config(ways(tmp_path, probe | {"key_file": str(file)}))
    assert "cannot be read" in by_name(await way_findings(shop))["key of wall"].found
    file.write_text("secret")
    assert not by_name(await way_findings(shop))["key of wall"].ok
    file.write_text("00" * 16 + "\n")
    assert by_name(await way_findings(shop))["key of wall"].ok
    assert os.listdir(tmp_path) == [file.name], "looking leaves nothing behind"  # noqa: PTH208 - the loop waits for nobody here


@pytest.mark.parametrize(
    ("said", "ok", "told"),
    [
        ("echo yes", True, "set by the network"),
        ("echo no", False, "not set by the network"),
        ("echo Failed to connect to bus >&2; exit 1", True, "not known here"),
    ],
)
def test_the_clock_is_asked_whether_the_network_sets_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, said: str, ok: bool, told: str
) -> None:
    program = tmp_path / "timedatectl"  # stands for the machine's own, which no test may turn
    program.write_text(f"#!/bin/sh\n{said}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    monkeypatch.setenv("PATH", f"{tmp_path}:/usr/bin:/bin")
    finding = check._clock()
    assert finding.ok is ok
    assert told in finding.found
    assert bool(finding.mend) is not ok


def test_a_shop_without_bluetooth_does_not_miss_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere")
    config = tmp_path / "shop.toml"
    config.write_text(f'[http]\nport = {free_port()}\n[site]\ndata = "data"\n')
    assert check.run_check(config=config, data=None, as_json=False) == 0
    assert "not needed" in capsys.readouterr().out
