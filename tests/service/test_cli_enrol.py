"""``holdwatch enrol``: by options, on a terminal, and measuring a zero on the air."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pty
import re
import select
import subprocess
import sys
import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from mosquitto_fixture import free_port
from system_parts import require

from holdwatch_adapters.bluetooth.settings import BluetoothSettings
from holdwatch_cli.enrol.command import run_enrol
from holdwatch_cli.enrol.enrolment import Enrolment
from holdwatch_cli.errors import UserError
from holdwatch_daemon.errors import HoldwatchError
from holdwatch_daemon.settings.load import load_config
from holdwatch_simulators.air import FakeBluez, PrivateBus
from holdwatch_simulators.payloads import gatt_pressure
from holdwatch_simulators.wire import (
    ENVIRONMENTAL_SENSING,
    PRESSURE,
    CharacteristicDescription,
    ProbeDescription,
    WireUpdate,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

ADDRESS = "C0:00:00:00:00:01"
ON_AIR = ProbeDescription(
    "pressure gauge",
    ADDRESS,
    "gatt",
    (CharacteristicDescription(ENVIRONMENTAL_SENSING, PRESSURE, initial=gatt_pressure(0.0)),),
    (ENVIRONMENTAL_SENSING,),
)
WHO = ("--name", "gauge-1", "--address", ADDRESS, "--profile", "ess", "--unit", "kPag")
OPTIONS = (*WHO, "--range", "0:3500", "--resolution", "0.1", "--noise", "0.2")
NEW = {"address": ADDRESS, "unit": "kPag", "range": (0, 3500)}


def enrol(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "holdwatch_cli", "enrol", *arguments],
        capture_output=True,
        text=True,
        check=False,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        timeout=100,
    )


def test_options_write_a_probe_and_its_role(tmp_path: Path) -> None:
    done = enrol(tmp_path, *OPTIONS, "--bay", "bay-1", "--role", "low_side", "--json")
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["is_new"]
    assert told["channel"] == "gauge-1/pressure"
    shop = load_config(tmp_path / "shop.toml")
    assert shop.probe[0].range == (0.0, 3500.0)
    assert shop.bay[0].roles == {"low_side": "gauge-1/pressure"}
    more = ["--point", "5=0", "--point", "2010=2000"]
    done = enrol(tmp_path, "--name", "gauge-1", *more)
    assert done.returncode == 0, done.stderr
    calibration = load_config(tmp_path / "shop.toml").probe[0].calibration["pressure"]
    assert calibration.scale == pytest.approx(2000 / 2005, abs=1e-6)
    assert calibration.made is not None
    assert (tmp_path / "shop.toml.bak").exists()


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "on a terminal, where it asks"),
        (("--address", ADDRESS), "--name"),
        (("--name", "g", "--range", "5"), "LOW:HIGH"),
        (("--zero", "gauge-9"), "no probe is named 'gauge-9'"),
        (("--zero", "gauge-9", "--name", "x"), "enrol first, then zero"),
        ((*OPTIONS, "--point", "5"), "SAID=TRUE"),
    ],
)
def test_what_does_not_go_together_is_one_sentence_and_writes_nothing(
    tmp_path: Path, arguments: tuple[str, ...], told: str
) -> None:
    done = enrol(tmp_path, *arguments)
    assert done.returncode == 3
    assert told in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("enrolment", "told"),
    [
        (Enrolment("gauge-9"), "needs --address"),
        (Enrolment("gauge-1", NEW, bay="bay-1"), "--bay and --role go together"),
        (Enrolment("gauge-1", NEW, "bay-1", "suction"), "unknown role 'suction'"),
        (Enrolment("gauge-1", NEW, "bay-1", "vacuum"), "needs an absolute gauge"),
        (Enrolment("gauge-1", NEW, points=[(5, 0)]), "exactly two points"),
        (Enrolment("gauge-1", NEW, offset=1.0, points=[(5, 0)]), "not both"),
        (Enrolment("gauge-1", NEW | {"key": "12"}), "32 hexadecimal digits"),
        (Enrolment("gauge-1", {"address": ADDRESS}, points=[(5, 0), (9, 4)]), "range is not known"),
    ],
)
def test_figures_that_do_not_go_together_are_refused(
    tmp_path: Path, enrolment: Enrolment, told: str
) -> None:
    with pytest.raises((UserError, HoldwatchError), match=told):
        run_enrol(enrolment, tmp_path / "shop.toml", as_json=True, dry_run=False)
    assert list(tmp_path.iterdir()) == []


def test_a_key_file_counts_from_the_configurations_folder(tmp_path: Path) -> None:
    (tmp_path / "garage").mkdir()
    (tmp_path / "garage" / "key").write_text("00" * 16)
    done = enrol(
        tmp_path,
        *("--name", "wall", "--address", ADDRESS, "--profile", "bthome"),
        *("--key-file", "garage/key", "--config", "garage/shop.toml"),
    )
    assert done.returncode == 0, done.stderr
    probe = load_config(tmp_path / "garage" / "shop.toml").probe[0]
    assert isinstance(probe, BluetoothSettings)
    assert probe.key_file is not None
    assert probe.key_file.read_text() == "00" * 16


def test_a_dry_run_shows_the_file_and_writes_nothing(tmp_path: Path) -> None:
    done = enrol(tmp_path, *OPTIONS, "--dry-run")
    assert 'name = "gauge-1"' in done.stdout
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
async def bus() -> AsyncIterator[PrivateBus]:
    require("dbus-daemon", "dbus")
    async with PrivateBus() as bus:
        yield bus


async def command(
    bus: PrivateBus, folder: Path, *arguments: str, meanwhile: Callable[[int], None]
) -> tuple[int, str, str]:
    """Run a command on the private bus, calling ``meanwhile`` ten times a second."""
    process = await asyncio.create_subprocess_exec(
        sys.executable,
        "-m",
        "holdwatch_cli",
        *arguments,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=folder,
        env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": bus.address},
    )
    running = asyncio.ensure_future(process.communicate())
    count = 0
    while not running.done():
        meanwhile(count)
        count += 1
        await asyncio.sleep(0.1)
    out, error = await running
    assert process.returncode is not None
    return process.returncode, out.decode(), error.decode()


def sends(air: FakeBluez, value_pa: Callable[[int], float]) -> Callable[[int], None]:
    return lambda n: air.update(WireUpdate(ON_AIR.name, PRESSURE, gatt_pressure(value_pa(n))))


async def test_a_gauge_open_to_the_air_is_zeroed_over_the_air(
    bus: PrivateBus, tmp_path: Path
) -> None:
    assert enrol(tmp_path, *OPTIONS).returncode == 0
    zero = ("enrol", "--zero", "gauge-1", "--seconds", "3", "--json")
    async with FakeBluez(bus.address, [ON_AIR]) as air:
        at_rest = sends(air, lambda n: 3_200.0 + 100.0 * (n % 3 - 1))
        status, out, error = await command(bus, tmp_path, *zero, meanwhile=at_rest)
        assert status == 0, error
        told = json.loads(out)
        assert told["offset"] == pytest.approx(-3.2, abs=0.05)
        assert told["readings"] >= 10
        before = (tmp_path / "shop.toml").read_text()
        rising = sends(air, lambda n: 1_000.0 * n)
        status, _, error = await command(bus, tmp_path, *zero, meanwhile=rising)
        assert status == 3
        assert "its readings move" in error
        pressed = sends(air, lambda n: 800_000.0 + 100.0 * (n % 3))
        status, _, error = await command(bus, tmp_path, *zero, meanwhile=pressed)
        assert status == 3
        assert "not open to the air" in error
    assert (tmp_path / "shop.toml").read_text() == before


async def test_a_gauge_is_zeroed_through_a_running_serve(bus: PrivateBus, tmp_path: Path) -> None:
    assert enrol(tmp_path, *OPTIONS, "--offset", "-1.0").returncode == 0
    with (tmp_path / "shop.toml").open("a") as file:
        file.write(f"[http]\nport = {free_port()}\n")
    async with FakeBluez(bus.address, [ON_AIR]) as air:
        serve = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "holdwatch_cli", "serve", "--config", "shop.toml",
            cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": bus.address},
        )  # fmt: skip
        try:
            assert serve.stdout is not None
            assert b"http://" in await serve.stdout.readline()
            at_rest = sends(air, lambda n: 3_200.0 + 100.0 * (n % 3 - 1))
            zero = ("enrol", "--zero", "gauge-1", "--seconds", "3", "--json")
            status, out, error = await command(bus, tmp_path, *zero, meanwhile=at_rest)
        finally:
            serve.terminate()
            await serve.communicate()
    assert status == 0, error
    assert json.loads(out)["offset"] == pytest.approx(-3.2, abs=0.05), "of what the device says"


async def test_a_scan_says_who_is_enrolled(bus: PrivateBus, tmp_path: Path) -> None:
    assert enrol(tmp_path, *OPTIONS).returncode == 0
    stranger = replace(ON_AIR, name="stranger", address="C0:00:00:00:00:02")
    async with FakeBluez(bus.address, [ON_AIR, stranger]):
        scan = ("scan", "--seconds", "1", "--config", "shop.toml", "--json")
        status, out, error = await command(bus, tmp_path, *scan, meanwhile=lambda _: None)
    assert status == 0, error
    named = {one["name"]: one["enrolled"] for one in json.loads(out)}
    assert named == {ON_AIR.name: "gauge-1", "stranger": None}


class Terminal:
    """A program on a pseudo-terminal, answered as it asks."""

    def __init__(self, bus: PrivateBus, folder: Path) -> None:
        self.process, self._fd = self._start(bus, folder)
        self.shown = ""

    @staticmethod
    def _start(bus: PrivateBus, folder: Path) -> tuple[subprocess.Popen[bytes], int]:
        ours, theirs = pty.openpty()
        process = subprocess.Popen(
            [sys.executable, "-m", "holdwatch_cli", "enrol"],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            cwd=folder,
            env=os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": bus.address, "COLUMNS": "200"},
            start_new_session=True,
        )
        os.close(theirs)
        return process, ours

    def expect(self, text: str, answer: str) -> None:
        until = time.monotonic() + 40.0
        while text not in self.shown:
            assert time.monotonic() < until, self.shown
            if select.select([self._fd], [], [], 0.5)[0]:
                try:
                    self.shown += os.read(self._fd, 4096).decode(errors="replace")
                except OSError:
                    pytest.fail(f"it ended before {text!r}: {self.shown}")
        self.shown = self.shown.split(text, 1)[1]
        os.write(self._fd, answer.encode() + b"\n")

    def rest(self) -> str:
        with contextlib.suppress(OSError):
            while piece := os.read(self._fd, 4096):
                self.shown += piece.decode(errors="replace")
        self.process.wait(20)
        os.close(self._fd)
        return self.shown


def answer_the_wizard(terminal: Terminal) -> str:
    terminal.expect("Which one (number or address)", "7")
    terminal.expect("write a number from 1 to 1", "1")
    terminal.expect("Its name in this shop [pressure-gauge]", "gauge-1")
    terminal.expect("Profile (ess, gatt or bthome) [ess]", "")
    terminal.expect("Bay (none yet)", "bay-1")
    terminal.expect("Its role there", "suction")
    terminal.expect("write one of low_side", "low_side")
    terminal.expect("[vented]", "")
    terminal.expect("[kPag]", "")
    terminal.expect("Range", "3500")
    terminal.expect("write LOW:HIGH", "0:3500")
    terminal.expect("Step", "0.1")
    terminal.expect("Scatter", "")
    return terminal.rest()


async def test_run_bare_on_a_terminal_it_asks(bus: PrivateBus, tmp_path: Path) -> None:
    async with FakeBluez(bus.address, [ON_AIR]):
        said = await asyncio.to_thread(lambda: answer_the_wizard(Terminal(bus, tmp_path)))
    assert re.search(r"gauge-1 stands in .*shop\.toml\. It is low_side of bay-1", said)
    shop = load_config(tmp_path / "shop.toml")
    probe: dict[str, Any] = shop.probe[0].model_dump(exclude_none=True, exclude_defaults=True)
    assert probe == {
        "name": "gauge-1",
        "address": ADDRESS,
        "profile": "ess",
        "unit": "kPag",
        "range": (0.0, 3500.0),
        "resolution": 0.1,
    }
    assert shop.bay[0].roles == {"low_side": "gauge-1/pressure"}
