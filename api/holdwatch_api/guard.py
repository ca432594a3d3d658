"""What every request must pass and every answer must carry, whatever the route."""

from __future__ import annotations

import ipaddress
import json
import logging
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException

from holdwatch_api.access import Access, token_of
from holdwatch_api.bodies import body_rule

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from holdwatch_api.access import Scope as TokenScope
    from holdwatch_api.bodies import BodyRule

_log = logging.getLogger(__name__)

HEADERS = {
    # Everything from this origin alone: no inline script or style, no frame, no form target.
    # ``data:`` images are the small marks that the curve library draws while it measures text.
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "cache-control": "no-cache",  # asked for anew each time, answered by "unchanged"
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
"""Headers of every answer."""

_SAFE_METHODS = {"GET", "HEAD", "OPTIONS"}
_SESSION = "/api/v1/session"  # where a token is exchanged for the cookie, so it needs none


def problem(status: int, title: str, detail: str) -> dict[str, object]:
    """Return an error's body, in the form of RFC 9457 (problem details)."""
    return {"type": "about:blank", "title": title, "status": status, "detail": detail}


def host_is_ours(header: str, names: Collection[str]) -> bool:
    """Whether a ``Host`` header names this machine.

    An address or ``localhost`` always does: a page of a foreign name that was rebound to this
    address arrives with that foreign name, and so is refused. Other names must be listed.

    >>> host_is_ours("127.0.0.1:8080", ())
    True
    >>> host_is_ours("[::1]:8080", ())
    True
    >>> host_is_ours("rebound.example:8080", ())
    False
    >>> host_is_ours("Workshop.local", ("workshop.local",))
    True
    """
    try:
        name = urlsplit(f"//{header}").hostname or ""
    except ValueError:
        return False
    if name == "localhost" or name in {known.lower() for known in names}:
        return True
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


class Guard:
    """ASGI middleware: refuses foreign hosts, foreign pages and large bodies; adds headers.

    A request that changes something must be JSON and must not come from another site's page:
    a browser sends neither without asking first, and this service never answers that question.

    Args:
        app: The application behind the guard.
        names: Host names, beside ``localhost`` and plain addresses, that this service has.
        access: The tokens that watching and operating need.
    """

    def __init__(
        self, app: ASGIApp, names: Collection[str] = (), access: Access | None = None
    ) -> None:
        self._app = app
        self._names = tuple(names)
        self._access = access or Access()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started = False
        read = 0

        async def guarded_receive() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            rule = body_rule(scope["path"])
            if read > rule.most_bytes:
                raise HTTPException(413, _too_large(rule)[2])
            return message

        async def guarded_send(message: Message) -> None:
            nonlocal started
            if message["type"] == "http.response.start":
                started = True
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(guarded_send, *refusal)
            return
        try:
            await self._app(scope, guarded_receive, guarded_send)
        except Exception:
            if started:
                raise
            _log.exception("%s %s failed", scope["method"], scope["path"])
            await _answer(guarded_send, *_DEFECT)

    def _refusal(self, scope: Scope) -> tuple[int, str, str] | None:
        """Return status, title and detail where a request must not pass."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not host_is_ours(host, self._names):
            return (
                421,
                "Not this host",
                f"This service is not called {host!r} here; use its address.",
            )
        if scope["method"] in _SAFE_METHODS:
            return self._stranger(scope, headers)
        origin = headers.get("origin")
        foreign = origin is not None and urlsplit(origin).netloc.lower() != host.lower()
        if foreign or headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
            return (403, "Foreign page", "Commands are taken from this service's own page only.")
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        rule = body_rule(scope["path"])
        if kind not in rule.kinds:
            return (415, "Not this kind of body", rule.told)
        length = headers.get("content-length", "0")
        if length.isascii() and length.isdigit() and int(length) > rule.most_bytes:
            return _too_large(rule)
        return self._stranger(scope, headers)

    def _stranger(self, scope: Scope, headers: Headers) -> tuple[int, str, str] | None:
        """Return the refusal of a request whose token does not reach; the page itself is open."""
        path = scope["path"]
        if path == _SESSION or not (path.startswith("/api/v1/") or path == "/metrics"):
            return None
        needed: TokenScope = "watch" if scope["method"] in _SAFE_METHODS else "operate"
        token = token_of(headers)
        if self._access.allows(token, needed):
            return None
        if self._access.scope(token) is None:
            return (401, "Token needed", f"Send the {needed} token: Authorization: Bearer …")
        return (403, "Not allowed", "This token may watch only; this needs the operate token.")


_DEFECT = (500, "Defect", "This is a defect of the service; its log says more.")


def _too_large(rule: BodyRule) -> tuple[int, str, str]:
    detail = f"The body is larger than the {rule.most_bytes} bytes that are read."
    return 413, "Body too large", detail


async def _answer(send: Send, status: int, title: str, detail: str) -> None:
    body = json.dumps(problem(status, title, detail)).encode()
    head = [
        (b"content-type", b"application/problem+json"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
    ]
    if status == 401:
        head.append((b"www-authenticate", b"Bearer"))
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
