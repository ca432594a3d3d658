"""What systemd is told, on a real datagram socket: by the notifier, and by a real process."""

from __future__ import annotations

import asyncio
import itertools
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import sandbox_rig
from daemon_rig import GAUGE, FedAdapter, TurnedClock, eventually, reading, shop
from system_parts import require, require_library

from holdwatch_cli.serve import _known_to_systemd
from holdwatch_daemon.health.systemd import Notifier
from holdwatch_daemon.intake.pulse import Pulse
from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="systemd is Linux's")


class Ear:
    """The service manager's end: a datagram socket, and when each message came."""

    def __init__(self, address: str) -> None:
        self.address = address
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind("\0" + address[1:] if address.startswith("@") else address)
        self._socket.setblocking(False)
        self.heard: list[tuple[float, str]] = []

    def listen(self) -> list[str]:
        """Take in what has come; return all messages so far."""
        while True:
            try:
                text = self._socket.recv(4096).decode()
            except BlockingIOError:
                return [said for _, said in self.heard]
            self.heard.append((time.monotonic(), text))

    def until(self, enough: Callable[[list[str]], object], within_s: float = 60.0) -> list[str]:
        end = time.monotonic() + within_s
        while not enough(self.listen()):
            assert time.monotonic() < end, self.heard
            time.sleep(0.02)
        return self.listen()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def ear(tmp_path: Path) -> Iterator[Ear]:
    made = Ear(str(tmp_path / "notify"))
    yield made
    made.close()


def test_what_systemd_gave_another_process_is_not_for_us() -> None:
    given = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "77"}
    assert Notifier.from_environment(given, 77).watchdog_s == 60.0
    assert Notifier.from_environment(given, 78).watchdog_s is None
    assert Notifier.from_environment({"WATCHDOG_USEC": "soon"}, 1).watchdog_s is None
    assert Notifier.from_environment({"WATCHDOG_USEC": "0"}, 1).watchdog_s is None


def test_the_lines_are_those_of_sd_notify(ear: Ear) -> None:
    # sd_notify(3): newline-separated assignments in one datagram.
    notifier = Notifier(ear.address)
    notifier.ready("Watching 2 bays\nREADY=0")
    notifier.status("One probe is lost")
    notifier.watchdog()
    notifier.stopping()
    first = "READY=1\nSTATUS=Watching 2 bays READY=0"
    assert ear.listen() == [first, "STATUS=One probe is lost", "WATCHDOG=1", "STOPPING=1"]


def test_an_abstract_socket_is_told_too() -> None:
    ear = Ear(f"@holdwatch-test-{os.getpid()}")
    Notifier.from_environment({"NOTIFY_SOCKET": ear.address}, 1).watchdog()
    assert ear.listen() == ["WATCHDOG=1"]
    ear.close()


def test_a_socket_that_is_gone_or_full_breaks_nothing(ear: Ear) -> None:
    for _ in range(2_000):  # nobody reads: its queue is full long before
        Notifier(ear.address).watchdog()
    assert 0 < len(ear.listen()) < 2_000
    Notifier("/nowhere/notify").ready("x")
    Notifier(None).ready("x")


def test_a_pulse_stops_with_either_round() -> None:
    now = [0.0]
    pulse = Pulse(lambda: now[0])
    now[0] = 9.0
    assert pulse.beats(10.0)
    now[0] = 11.0
    assert not pulse.beats(10.0)
    pulse.tick()
    pulse.busy()
    now[0] = 21.0
    pulse.tick()
    assert pulse.beats(10.0)
    now[0] = 21.5
    assert not pulse.beats(10.0)
    pulse.idle()
    assert pulse.beats(10.0)


async def test_a_loop_that_is_stuck_gives_no_sign(ear: Ear, tmp_path: Path) -> None:
    watchdog_s = 0.5
    notifier = Notifier(ear.address, watchdog_s)
    async with (
        Service(shop(tmp_path / "data"), TurnedClock(), []) as service,
        _known_to_systemd(notifier, service, "here"),
    ):
        await eventually(lambda: ear.listen().count("WATCHDOG=1") >= 3)
        before = len(ear.listen())
        time.sleep(3 * watchdog_s)  # noqa: ASYNC251 - the loop is stuck on purpose
        assert len(ear.listen()) == before


async def test_readings_that_are_not_taken_in_end_the_signs_of_life(
    ear: Ear, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    notifier = Notifier(ear.address, 1.0)
    go_on = asyncio.Event()
    async with (
        Service(shop(tmp_path / "data"), clock, [adapter]) as service,
        _known_to_systemd(notifier, service, "here"),
    ):
        await eventually(lambda: "WATCHDOG=1" in ear.listen())
        monkeypatch.setattr(service._writer, "room", go_on.wait)
        adapter.put(reading(clock, GAUGE, 1.5e6))
        await eventually(lambda: not service.is_serving(1.0))
        await asyncio.sleep(0.5)
        silent = len(ear.listen())
        await asyncio.sleep(0.9)
        assert len(ear.listen()) == silent
        go_on.set()
        await eventually(lambda: len(ear.listen()) > silent)


UNIT = Path(__file__).parents[2] / "deploy" / "holdwatch.service"
SHOP = """
[site]
name = "county-library"

[[bay]]
name = "bay-1"
"""


def test_a_real_process_under_the_units_rules_says_ready_alive_and_stopping(
    ear: Ear, tmp_path: Path
) -> None:
    (tmp_path / "shop.toml").write_text(SHOP)
    require("systemd-analyze", "systemd")
    require_library("seccomp", "libseccomp2")
    watchdog_s = 1.5
    command = [sys.executable, sandbox_rig.__file__, str(UNIT)]
    command += [sys.executable, "-m", "holdwatch_cli", "serve", "--config", "shop.toml"]
    command += ["--port", "0", "--data", str(tmp_path / "data")]
    given = {"NOTIFY_SOCKET": ear.address, "WATCHDOG_USEC": str(int(watchdog_s * 1e6))}
    process = subprocess.Popen(
        command, cwd=tmp_path, env=os.environ | given, stdout=subprocess.PIPE, text=True
    )
    try:
        heard = ear.until(lambda heard: heard.count("WATCHDOG=1") >= 5)
        process.send_signal(signal.SIGTERM)
        printed, _ = process.communicate(timeout=30)
    finally:
        process.kill()
        process.wait()
    assert heard[0].startswith("READY=1\nSTATUS=Watching 1 bays at http://127.0.0.1:")
    # What it says it serves stands already when it says that it is ready.
    assert heard[0].rpartition(" ")[2] in printed
    signs = [at for at, text in ear.heard if text == "WATCHDOG=1"]
    # Loading the fluid library, between the first two, stops every loop for a second or more.
    pauses = [later - earlier for earlier, later in itertools.pairwise(signs[1:])]
    # sd_watchdog_enabled(3) asks for a sign at least every half of the time.
    assert sorted(pauses)[len(pauses) // 2] <= watchdog_s / 2
    assert ear.listen()[-1] == "STOPPING=1"
    assert process.returncode == 0
