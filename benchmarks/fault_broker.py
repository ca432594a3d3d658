"""A real Mosquitto on a free loopback port that a campaign stops, kills and starts again."""

from __future__ import annotations

import contextlib
import getpass
import shutil
import signal
import socket
import subprocess
import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

HOST: Final = "127.0.0.1"


class Broker:
    """Mosquitto with lasting sessions; raises ``RuntimeError`` where it is not installed.

    Args:
        folder: For its configuration and what it writes down.
        writes_down_s: How often it writes its sessions down; 1,800 s where nobody says so.
        port: On the loopback; a free one where none is given.
    """

    def __init__(self, folder: Path, *, writes_down_s: int = 1, port: int = 0) -> None:
        program = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        if program is None:
            raise RuntimeError("mosquitto is not installed; apt-get install mosquitto")
        with socket.socket() as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind((HOST, port))
            self.port = int(probe.getsockname()[1])
        self._program = program
        self._config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} {HOST}", "allow_anonymous true", "max_queued_messages 0"]
        # Started by the superuser it would become a user who may not enter the folder.
        lines += [f"user {getpass.getuser()}", "persistence true"]
        lines += [f"persistence_location {folder}/", f"autosave_interval {writes_down_s}"]
        self._config.write_text("\n".join([*lines, ""]), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 20.0
        while time.monotonic() < until:
            with contextlib.suppress(OSError), socket.create_connection((HOST, self.port), 0.2):
                return
            time.sleep(0.02)
        raise RuntimeError("mosquitto did not start within 20 s")

    def stop(self, *, kill: bool = False) -> None:
        """End it: in order, so that it writes its sessions down, or with SIGKILL."""
        process, self._process = self._process, None
        if process is None:
            return
        if kill:
            process.kill()
        else:
            process.terminate()
        process.wait(20)

    def write_down(self) -> None:
        """Let it write its sessions down now."""
        if self._process is not None:
            self._process.send_signal(signal.SIGUSR1)

    def freeze(self) -> None:
        """Let it answer nobody, though its connections stand: a network that swallows all."""
        if self._process is not None:
            self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let it go on."""
        if self._process is not None:
            self._process.send_signal(signal.SIGCONT)
