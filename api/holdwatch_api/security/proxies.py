"""Requests that a proxy forwards: whose they are, and that none comes round the proxy."""

from __future__ import annotations

import ipaddress
import json
from typing import TYPE_CHECKING, Any, cast

from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from holdwatch_api.security.access import FROM_SOCKET
from holdwatch_api.security.guard import HEADERS, problem
from holdwatch_daemon.settings import is_loopback

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.types import ASGIApp, Receive, Scope, Send


class ThroughProxy:
    """ASGI middleware: takes the asker's address and scheme from declared proxies only.

    ``X-Forwarded-For`` is read from its right end, past the declared proxies, so that what an
    asker writes there himself is not believed. Where TLS ends at the proxy, a request that does
    not come from it (or from this machine) would travel in plain: it is refused.

    Args:
        app: The application.
        proxies: Addresses and networks.
        tls: Whether this service has TLS of its own.
    """

    def __init__(self, app: ASGIApp, proxies: Sequence[str], *, tls: bool) -> None:
        inner: Any = app  # the server and the framework each type the same protocol
        self._forwarded = cast("ASGIApp", ProxyHeadersMiddleware(inner, list(proxies)))
        self._networks = [ipaddress.ip_network(each) for each in proxies]
        self._tls = tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        is_plain = scope["type"] == "http" and not self._tls and not scope.get(FROM_SOCKET)
        if is_plain and not self._is_trusted(scope.get("client")):
            detail = "This service is reached through its proxy only."
            body = json.dumps(problem(403, "Not through the proxy", detail)).encode()
            head = {**HEADERS, "content-type": "application/problem+json", "connection": "close"}
            raw = [(name.encode(), value.encode()) for name, value in head.items()]
            await send({"type": "http.response.start", "status": 403, "headers": raw})
            await send({"type": "http.response.body", "body": body})
            return
        await self._forwarded(scope, receive, send)

    def _is_trusted(self, client: tuple[str, int] | None) -> bool:
        if client is None:
            return False
        if is_loopback(client[0]):
            return True
        try:
            address = ipaddress.ip_address(client[0])
        except ValueError:
            return False
        return any(address in network for network in self._networks)
