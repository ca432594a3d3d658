"""A private D-Bus daemon, so that a fake ``org.bluez`` needs no privileges and harms nobody."""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from types import TracebackType

_CONFIG = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={socket}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow user="*"/>
    <allow own="*"/>
    <allow send_destination="*" eavesdrop="false"/>
    <allow receive_sender="*"/>
  </policy>
</busconfig>
"""

_START_S = 10.0
_STOP_S = 5.0


class PrivateBusError(RuntimeError):
    """The private bus cannot start; the message says why and how to mend it."""


class PrivateBus:
    """A D-Bus daemon of one's own on a socket in a fresh directory.

    ``async with PrivateBus() as bus:`` starts it; ``bus.address`` is what a client puts into
    ``DBUS_SYSTEM_BUS_ADDRESS``, which this class leaves alone. Leaving the block ends the
    daemon and removes its directory.

    Raises:
        PrivateBusError: No ``dbus-daemon`` on this machine, or it did not start.
    """

    address: str

    def __init__(self, program: str = "dbus-daemon") -> None:
        self._program = program
        self._directory: tempfile.TemporaryDirectory[str] | None = None
        self._process: asyncio.subprocess.Process | None = None

    async def __aenter__(self) -> Self:
        """Start the daemon and wait until it listens."""
        program = shutil.which(self._program)
        if program is None:
            raise PrivateBusError(
                f"{self._program} is not on this machine: apt-get install dbus-daemon"
            )
        self._directory = tempfile.TemporaryDirectory(prefix="holdwatch-air-")
        try:
            await self._start(program)
        except BaseException:
            await self.stop()
            raise
        return self

    async def __aexit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """End the daemon."""
        await self.stop()

    async def _start(self, program: str) -> None:
        assert self._directory is not None  # noqa: S101 - set by the caller
        directory = Path(self._directory.name)
        config = directory / "bus.conf"
        config.write_text(_CONFIG.format(socket=directory / "bus"), encoding="utf-8")
        command = [program, f"--config-file={config}", "--nofork", "--nopidfile"]
        command.append("--print-address=1")
        if setpriv := shutil.which("setpriv"):  # a killed parent shall leave no daemon behind
            command = [setpriv, "--pdeathsig", "TERM", "--", *command]
        complaints = directory / "complaints"
        with complaints.open("wb") as stderr:  # a pipe that nobody empties would block it
            self._process = await asyncio.create_subprocess_exec(
                *command,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.PIPE,
                stderr=stderr,
                start_new_session=True,  # Ctrl-C is for this program; the bus ends after it
            )
        assert self._process.stdout is not None  # noqa: S101 - asked for above
        line = b""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(_START_S):
                line = await self._process.stdout.readline()
        if not line:
            said = complaints.read_text(errors="replace").strip() or "no reason given"
            raise PrivateBusError(f"{program} did not start: {said}")
        self.address = line.decode().strip()

    async def stop(self) -> None:
        """End the daemon now, as when the machine's bus dies; more than once does no harm."""
        process, self._process = self._process, None
        try:
            if process is not None:
                await _end(process)
        finally:
            if self._directory is not None:
                self._directory.cleanup()
                self._directory = None


async def _end(process: asyncio.subprocess.Process) -> None:
    if process.returncode is not None:
        return
    with contextlib.suppress(ProcessLookupError):
        process.terminate()
    try:
        async with asyncio.timeout(_STOP_S):
            await process.communicate()
    except TimeoutError:
        with contextlib.suppress(ProcessLookupError):
            process.kill()
        await process.communicate()
