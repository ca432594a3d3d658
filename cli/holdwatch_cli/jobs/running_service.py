"""Speaks to the service that runs over a data folder, over the socket beside its store."""

from __future__ import annotations

import contextlib
import http.client
import json
import socket
from typing import TYPE_CHECKING, Any, Final, Self
from urllib.parse import quote

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import local_socket, socket_address
from holdwatch_procedures.vehicles import NotKnownError, RefusedError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

_PATIENCE_S: Final = 60.0
"""How long an answer may take, s: a trace is judged before it is kept."""


class _Connection(http.client.HTTPConnection):
    """HTTP over a Unix socket."""

    def __init__(self, path: Path) -> None:
        super().__init__("localhost", timeout=_PATIENCE_S)
        self._path = path

    def connect(self) -> None:
        """Connect to the socket instead of an address."""
        self.sock = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self.sock.settimeout(_PATIENCE_S)
        with socket_address(self._path) as address:
            self.sock.connect(address)


class RunningService:
    """The service that runs over a database.

    Args:
        database: The SQLite file.
    """

    def __init__(self, database: Path) -> None:
        self._path = local_socket(database)

    @classmethod
    def over(cls, database: Path) -> Self | None:
        """Return the service that runs over a database, or None where none listens.

        A socket that a killed service left behind is no service.
        """
        if not (hasattr(socket, "AF_UNIX") and local_socket(database).is_socket()):
            return None
        service = cls(database)
        try:
            with contextlib.closing(_Connection(service._path)) as connection:
                connection.connect()
        except ConnectionRefusedError:
            return None
        except OSError as error:
            raise StoreError(f"{service._path}: the service cannot be reached: {error}") from error
        return service

    def change(self, path: str, body: Mapping[str, Any], *, method: str = "POST") -> Any:
        """Send a change as JSON; return what the service answers.

        Args:
            path: Path of the route, its names quoted (see ``at``).
            body: What to change.
            method: ``POST``, ``PATCH`` …

        Raises:
            VehicleError: It is refused; the message is the service's.
            StoreError: The service cannot be reached, or cannot write now.
        """
        content = json.dumps(body, ensure_ascii=False, allow_nan=False, default=str).encode()
        return json.loads(self.ask(method, path, content, "application/json"))

    def keep_picture(self, name: str, content: bytes) -> str:
        """Send a picture; return the SHA-256 that a finding names it by.

        Raises:
            VehicleError: It is no picture, or too large.
            StoreError: As ``ask``.
        """
        path = f"{at('photographs')}?name={quote(name)}"
        return str(json.loads(self.ask("POST", path, content, "image/png"))["sha256"])

    def report(self, visit: str, form: str, made_on: date) -> bytes:
        """Return a visit's report as a file, which the service then knows again.

        Raises:
            VehicleError: There is no such visit, or the file cannot be made there.
            StoreError: As ``ask``.
        """
        query = f"?form={form}&on={made_on.isoformat()}"
        return self.ask("GET", at("visits", visit, "report") + query, b"", "text/plain")

    def ask(self, method: str, path: str, content: bytes, kind: str) -> bytes:
        """Send a request; return the body of the answer.

        Raises:
            VehicleError: It is refused; the message is the service's.
            StoreError: The service cannot be reached, or cannot write now.
        """
        connection = _Connection(self._path)
        try:
            connection.request(method, path, content, {"Content-Type": kind})
            answer = connection.getresponse()
            status, body = answer.status, answer.read()
        except (OSError, http.client.HTTPException) as error:
            raise StoreError(f"{self._path}: the service did not answer: {error}") from error
        finally:
            connection.close()
        if status < http.client.BAD_REQUEST:
            return body
        try:
            detail = str(json.loads(body)["detail"])
        except (ValueError, KeyError, TypeError):
            detail = f"the service answers {status}"
        kinds = {404: NotKnownError, 409: RefusedError, 422: RefusedError}
        raise kinds.get(status, StoreError)(detail)


def at(*parts: str) -> str:
    """Return a path of the interface with its parts quoted: ``at("visits", "BM-02", "close")``."""
    return "/api/v1/" + "/".join(quote(part, safe="") for part in parts)
