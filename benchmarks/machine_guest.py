"""A whole machine in an emulator: started, sat at, watched on its serial lines, its power cut.

It needs ``qemu-system-x86_64`` (``apt-get install qemu-system-x86``). The processor is emulated,
which works anywhere and stands for a slow computer; ``KVM`` is for computers that can do it.
"""

from __future__ import annotations

import contextlib
import re
import shutil
import socket
import subprocess
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from machine_image import DESK_PORT, kernel_of

if TYPE_CHECKING:
    from collections.abc import Callable

HOST: Final = "127.0.0.1"
OUTSIDE: Final = "10.0.2.2"
"""This computer's loopback, as the machine sees it."""
QEMU: Final = "qemu-system-x86_64"
KVM: Final = ("-accel", "kvm", "-cpu", "host")
EMULATED: Final = ("-accel", "tcg,thread=multi", "-cpu", "max")


@dataclass(frozen=True, slots=True)
class Done:
    """What a script at the machine's desk came to."""

    status: int
    output: str


class GaugeLine:
    """An instrument on a serial line: a line of figures for every ``READ`` and a carriage return.

    Args:
        address: Of the Unix socket that is the line's outer end.
        says: What the instrument shows now, a line without its end.
    """

    def __init__(self, address: Path, says: Callable[[], str]) -> None:
        self.asked = 0
        self._address = address
        self._says = says
        self._open = True
        threading.Thread(target=self._run, daemon=True).start()

    def close(self) -> None:
        """Take the plug out."""
        self._open = False

    def _run(self) -> None:
        while self._open:
            with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX) as line:
                line.connect(str(self._address))
                self._answer(line)
            time.sleep(0.2)

    def _answer(self, line: socket.socket) -> None:
        line.settimeout(1.0)
        heard = b""
        while self._open:
            with contextlib.suppress(TimeoutError):
                piece = line.recv(64)
                if not piece:
                    return
                heard += piece
            if heard.endswith(b"READ\r"):
                heard = b""
                self.asked += 1
                line.sendall(f"{self._says()}\r\n".encode())


@dataclass(slots=True)
class Guest:
    """One life of the machine, from power on to power off.

    Args:
        folder: Where the laid out system is, and where sockets and logs go.
        drive: What the disk is, as the emulator names it.
        accel: Options that name the way of running.
        lines: How many serial lines it has beside the console: ``/dev/ttyS1`` and so on.
    """

    folder: Path
    drive: str
    accel: tuple[str, ...]
    lines: int = 2
    log: Path = field(init=False)
    _own: Path = field(init=False)
    _port: int = field(init=False)
    _process: subprocess.Popen[bytes] = field(init=False)

    def __post_init__(self) -> None:
        with socket.socket() as probe:
            probe.bind((HOST, 0))
            self._port = int(probe.getsockname()[1])
        self._own = Path(tempfile.mkdtemp(prefix="machine-", dir=self.folder))
        self.log = self._own / "console.log"
        if shutil.which(QEMU) is None:
            raise SystemExit(f"{QEMU} is not installed; apt-get install qemu-system-x86")
        kernel, initial = kernel_of(self.folder)
        boot = "root=/dev/vda rw console=ttyS0 quiet panic=-1"
        drive = f"if=none,id=disk,format=raw,cache=none,{self.drive}"
        forward = f"user,id=lan,hostfwd=tcp:{HOST}:{self._port}-:{DESK_PORT}"
        command = [QEMU, *self.accel, "-smp", "2", "-m", "1536", "-nodefaults", "-no-reboot"]
        command += ["-display", "none", "-kernel", str(kernel), "-initrd", str(initial)]
        command += ["-append", boot, "-drive", drive, "-device", "virtio-blk-pci,drive=disk"]
        command += ["-netdev", forward, "-device", "virtio-net-pci,netdev=lan"]
        command += ["-device", "virtio-rng-pci", "-serial", f"file:{self.log}"]
        for number in range(1, self.lines + 1):
            line = f"socket,id=line{number},path={self.line(number)},server=on,wait=off"
            command += ["-chardev", line, "-serial", f"chardev:line{number}"]
        self._process = subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=(self._own / "qemu.log").open("wb")
        )

    def line(self, number: int) -> Path:
        """Return the outer end of ``/dev/ttyS<number>``."""
        return self._own / f"line{number}"

    @property
    def is_on(self) -> bool:
        """Whether it has power."""
        return self._process.poll() is None

    def wait_for_desk(self, within_s: float = 600.0) -> float:
        """Wait until somebody can sit down at it; return how long that took, s."""
        began = time.monotonic()
        while time.monotonic() - began < within_s:
            if not self.is_on:
                break
            with contextlib.suppress(OSError, ValueError):
                if self.run("true", within_s=20.0).status == 0:
                    return time.monotonic() - began
            time.sleep(0.3)
        raise RuntimeError(f"the machine does not come up: {self.log.read_text()[-2000:]}")

    def run(self, script: str, within_s: float = 900.0) -> Done:
        """Run a script as the mechanic, in the project's folder; wait for its end."""
        with socket.create_connection((HOST, self._port), within_s) as desk:
            desk.settimeout(within_s)
            desk.sendall(script.encode() + b"\0")
            pieces = []
            while piece := desk.recv(1 << 16):
                pieces.append(piece)
        said = b"".join(pieces).decode(errors="replace")
        found = re.search(r"\nstatus (\d+)\n$", said)
        if found is None:
            raise ValueError(f"no status after {script!r}: {said[-300:]!r}")
        return Done(int(found[1]), said[: found.start()])

    def must(self, script: str, within_s: float = 900.0) -> str:
        """Run a script that may not fail; return what it printed."""
        done = self.run(script, within_s)
        if done.status:
            raise RuntimeError(f"status {done.status} of:\n{script}\n{done.output[-3000:]}")
        return done.output

    def kill(self) -> None:
        """Take the power away: what its memory held is gone."""
        self._process.kill()
        self._process.wait(30)

    def shut_down(self) -> None:
        """Let it end in order."""
        with contextlib.suppress(OSError, ValueError):
            self.run("sudo systemctl poweroff")
        self._process.wait(180)
