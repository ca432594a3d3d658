"""Telling systemd how the process is: started, what it is doing, alive, stopping."""

from __future__ import annotations

import asyncio
import logging
import os
import socket
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

log = logging.getLogger(__name__)

_SHARE = 0.4
"""Time between two signs of life, as a share of the time after which systemd ends the process."""


class Notifier:
    """Sends the lines of ``sd_notify(3)`` to the socket that systemd names; silent without one.

    Telling must never hold up or break a service: a full or missing socket is noted in the
    debug log and forgotten. Only Linux has systemd; elsewhere nothing is sent.

    Args:
        address: Path of a datagram socket; ``@`` in front marks an abstract one. None: silent.
        watchdog_s: Time without a sign of life after which systemd ends the process, s; None
            where it does not watch.
    """

    def __init__(self, address: str | None = None, watchdog_s: float | None = None) -> None:
        self.watchdog_s = watchdog_s
        self._address = address

    @classmethod
    def from_environment(cls, environment: Mapping[str, str], pid: int) -> Notifier:
        """Read what systemd gave this process; what it gave another one is not for us."""
        address = environment.get("NOTIFY_SOCKET")
        if address is not None and not address.startswith(("/", "@")):
            address = None  # a socket of a virtual machine, or a mistake
        usec = environment.get("WATCHDOG_USEC", "")
        is_ours = environment.get("WATCHDOG_PID", str(pid)) == str(pid)
        watched = is_ours and usec.isascii() and usec.isdigit() and int(usec) > 0
        return cls(address, int(usec) / 1e6 if watched else None)

    def ready(self, status: str) -> None:
        """Say that everything has been started, and what is being done."""
        self._send(f"READY=1\nSTATUS={_line(status)}")

    def status(self, text: str) -> None:
        """Say in a sentence what is being done; ``systemctl status`` shows it."""
        self._send(f"STATUS={_line(text)}")

    def watchdog(self) -> None:
        """Give a sign of life."""
        self._send("WATCHDOG=1")

    def stopping(self) -> None:
        """Say that the process is about to end in order."""
        self._send("STOPPING=1")

    async def keep_alive(self, is_well: Callable[[], bool]) -> None:
        """Give signs of life while ``is_well()`` says so; returns at once where nobody watches.

        It runs on the loop that it vouches for: a loop that is stuck gives no sign.
        """
        if self.watchdog_s is None:
            return
        well = True
        while True:
            before, well = well, is_well()
            if well:
                self.watchdog()
            elif before:
                log.error("the service stands still; no more signs of life to the watchdog")
            await asyncio.sleep(_SHARE * self.watchdog_s)

    def _send(self, lines: str) -> None:
        if self._address is None or not hasattr(socket, "AF_UNIX"):
            return
        # An abstract address begins with a zero byte, which systemd writes as "@".
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as out:
                out.setblocking(False)
                out.sendto(lines.encode(), address)
        except OSError as error:
            log.debug("systemd could not be told %s: %s", lines.partition("\n")[0], error)


def own_notifier() -> Notifier:
    """Return the notifier of this process, as its environment says."""
    return Notifier.from_environment(os.environ, os.getpid())


def _line(text: str) -> str:
    return " ".join(text.split())
