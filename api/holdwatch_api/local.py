"""Serves the application on a socket beside the store, for commands on the same machine.

Who may write the database may use the socket: its file lies in the data folder, is the service's
own (mode 0600), and needs no token, port or certificate. It exists as long as the service runs;
one that a killed service left behind is replaced by the next, whose exclusive lock on the store
says that nobody else serves it.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import os
import socket
from typing import TYPE_CHECKING, Any

import uvicorn

from holdwatch_api.security.access import FROM_SOCKET
from holdwatch_api.security.connections import MOST_HEAD_BYTES, PatientProtocol
from holdwatch_daemon.store import SOCKET_MODE, local_socket, socket_address

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator
    from pathlib import Path

    from fastapi import FastAPI
    from starlette.types import ASGIApp, Receive, Scope, Send

__all__ = ["log", "serve_commands"]

log = logging.getLogger(__name__)

_STOP_S = 3
"""How long open requests get to end when the service stops, s."""
_MOST_COMMANDS = 64
"""Requests under way at once; a command has one."""


class _FromSocket:
    """ASGI middleware that marks requests as come over the socket; see ``Guard``."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        scope[FROM_SOCKET] = True
        await self._app(scope, receive, send)


class _Server(uvicorn.Server):
    """A server that leaves the process's signals alone: the command line handles them."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Install nothing."""
        yield


@contextlib.asynccontextmanager
async def serve_commands(app: FastAPI, database: Path) -> AsyncIterator[None]:
    """Serve the application to commands on this machine while the block runs.

    A data folder that can hold no socket is told in the log; commands that change something then
    find the store in use.

    Args:
        app: The application, over a service that holds the store's lock.
        database: The SQLite file, beside which the socket lies.
    """
    try:
        listener = _listen(database)
    except OSError as error:
        log.warning("commands cannot reach the service at %s: %s", local_socket(database), error)
        yield
        return
    config: Any = uvicorn.Config(
        _FromSocket(app),
        uds=str(local_socket(database)),
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        http=PatientProtocol,
        ws="none",
        h11_max_incomplete_event_size=MOST_HEAD_BYTES,
        limit_concurrency=_MOST_COMMANDS,
        timeout_graceful_shutdown=_STOP_S,
    )
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="commands")
    try:
        yield
    finally:
        local_socket(database).unlink(missing_ok=True)
        server.should_exit = True
        await task


def _listen(database: Path) -> socket.socket:
    """Return the listening socket, in place of one that was left behind.

    Raises:
        OSError: This system or folder has no such sockets.
    """
    if not hasattr(socket, "AF_UNIX"):
        raise OSError("this system has no Unix domain sockets")
    path = local_socket(database)
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        os.fchmod(listener.fileno(), SOCKET_MODE)  # the file has it from the first moment on
        with socket_address(path) as address:
            listener.bind(address)
        path.chmod(SOCKET_MODE)
        listener.listen(_MOST_COMMANDS)
    except OSError:
        listener.close()
        raise
    listener.setblocking(False)
    return listener
