"""The connections of the HTTP server: how long each may take to ask, and how many one has."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from uvicorn.protocols.http.h11_impl import H11Protocol

from holdwatch_api.security.limits import address_key
from holdwatch_daemon.settings import is_loopback

if TYPE_CHECKING:
    import asyncio

HEAD_S: Final = 10.0
"""How long a connection may take until its request's head is whole, s."""
MOST_HEAD_BYTES: Final = 16 * 1024
"""The longest head of a request; a browser's has about 1 kB."""
MOST_CONNECTIONS: Final = 512
"""In all; beyond them a request is answered with 503."""
MOST_OF_ONE: Final = 96
"""Of one address, where it is not this machine or a proxy."""


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that waits for a request, but not for ever.

    The server library has a time limit between requests only: a connection that says nothing,
    or one letter of a header a minute, would stay for good.
    """

    proxied = False
    """Whether connections of many people come from one address."""
    _head_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]  # as its base does
        """Take a connection, unless its address has too many."""
        super().connection_made(transport)
        if self._is_one_too_many():
            transport.abort()
            return
        self._await_head()

    def data_received(self, data: bytes) -> None:
        """Take what came, and start or stop the patience with the next head."""
        super().data_received(data)
        if self._is_answering():
            self._stop_waiting()
        elif self._head_timer is None:
            self._await_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """Forget the connection."""
        self._stop_waiting()
        super().connection_lost(exc)

    def _is_answering(self) -> bool:
        return self.cycle is not None and not self.cycle.response_complete

    def _is_one_too_many(self) -> bool:
        if self.proxied or self.client is None or is_loopback(self.client[0]):
            return False
        mine = address_key(self.client[0])
        others: list[Any] = [one.client for one in self.connections if hasattr(one, "client")]
        return sum(1 for one in others if one and address_key(one[0]) == mine) > MOST_OF_ONE

    def _await_head(self) -> None:
        self._head_timer = self.loop.call_later(HEAD_S, self._give_up)

    def _stop_waiting(self) -> None:
        if self._head_timer is not None:
            self._head_timer.cancel()
            self._head_timer = None

    def _give_up(self) -> None:
        self._head_timer = None
        if not self._is_answering():
            self.transport.abort()


class ProxiedProtocol(PatientProtocol):
    """The same behind a proxy, whose connections are not counted as one person's."""

    proxied = True
