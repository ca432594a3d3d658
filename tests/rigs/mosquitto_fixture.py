"""A real Mosquitto broker on a free loopback port, and its own subscriber program."""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import json
import socket
import subprocess
import threading
import time
from typing import TYPE_CHECKING, Any, NamedTuple

import pytest
from system_parts import require

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

HOST = "127.0.0.1"


def free_port() -> int:
    """Return a TCP port of the loopback that nobody listens on."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        return int(probe.getsockname()[1])


class Heard(NamedTuple):
    """One message as ``mosquitto_sub`` printed it."""

    topic: str
    retained: bool
    qos: int
    payload: str

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Subscriber:
    """``mosquitto_sub`` at work; it comes back by itself when the broker was away.

    With a session it is handed what was sent meanwhile.
    """

    def __init__(
        self, program: str, port: int, topics: tuple[str, ...], session: str | None
    ) -> None:
        arguments = [program, "-h", HOST, "-p", str(port), "-q", "1", "-F", "%r %q %t %p"]
        for topic in topics:
            arguments += ["-t", topic]
        if session is not None:
            arguments += ["-i", session, "-c"]
        self._process = subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True)
        self._lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.append(line.rstrip("\n"))

    async def until(
        self, enough: Callable[[list[Heard]], object], within_s: float = 15.0
    ) -> list[Heard]:
        """Listen until ``enough(heard)`` is true; return all heard so far."""
        async with asyncio.timeout(within_s):
            while True:
                if enough(self.heard()):
                    return self.heard()
                await asyncio.sleep(0.02)

    def heard(self) -> list[Heard]:
        """Return what was heard so far."""
        found = []
        for line in tuple(self._lines):
            retained, qos, topic, payload = line.split(" ", 3)
            found.append(Heard(topic, retained == "1", int(qos), payload))
        return found

    def stop(self) -> None:
        """End the program."""
        self._process.terminate()
        self._process.wait(5)
        self._reader.join(5)
        if self._process.stdout is not None:
            self._process.stdout.close()


class Mosquitto:
    """A broker that a test may stop and start again on the same port.

    With ``persistent`` it keeps sessions and retained messages over a restart.
    """

    def __init__(self, folder: Path, *, persistent: bool = True) -> None:
        self.port = free_port()
        self._program = require("mosquitto", "mosquitto")
        self._sub = require("mosquitto_sub", "mosquitto-clients")
        self._pub = require("mosquitto_pub", "mosquitto-clients")
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} {HOST}", "allow_anonymous true", "max_queued_messages 0"]
        # Started by the superuser it would become a user who may not enter the test's folder.
        lines += [f"user {getpass.getuser()}"]
        if persistent:
            lines += ["persistence true", f"persistence_location {folder}/", "autosave_interval 1"]
        self._config.write_text("\n".join([*lines, ""]), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None
        self._subscribers: list[Subscriber] = []

    def start(self) -> None:
        """Start the broker and wait until it answers."""
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 10.0
        while time.monotonic() < until:
            with contextlib.suppress(OSError), socket.create_connection((HOST, self.port), 0.2):
                return
            time.sleep(0.02)
        pytest.fail("mosquitto did not start within 10 s")

    def stop(self) -> None:
        """Stop the broker; it writes its sessions down."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def subscribe(self, *topics: str, session: str | None = None) -> Subscriber:
        """Start a subscriber; give a session for one that survives the broker's restart."""
        subscriber = Subscriber(self._sub, self.port, topics, session)
        self._subscribers.append(subscriber)
        return subscriber

    def publish(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Publish one message at QoS 1."""
        arguments = [self._pub, "-h", HOST, "-p", str(self.port), "-q", "1"]
        arguments += ["-t", topic, "-m", payload, *(["-r"] if retain else [])]
        subprocess.run(arguments, check=True, timeout=10)

    def close(self) -> None:
        """End everything that was started."""
        for subscriber in self._subscribers:
            subscriber.stop()
        self.stop()


@pytest.fixture
def mosquitto(tmp_path: Path) -> Iterator[Mosquitto]:
    """A running broker."""
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder)
    broker.start()
    try:
        yield broker
    finally:
        broker.close()
