"""What every request must pass and every answer must carry, whatever the route."""

from __future__ import annotations

import asyncio
import ipaddress
import json
import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException

from holdwatch_api.security.access import COMMAND, COOKIE, FROM_SOCKET, token_of
from holdwatch_api.security.bodies import body_rule
from holdwatch_api.security.limits import address_key, retry_after

if TYPE_CHECKING:
    from collections.abc import Collection

    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from holdwatch_api.security.access import Access, Bearer
    from holdwatch_api.security.bodies import BodyRule
    from holdwatch_api.security.tokens import TokenScope

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
_BODY_S = 20.0  # a body is here within this time …
_SLOWEST_BYTES_A_S = 50_000  # … and what this speed takes longer for a large one
_SEND_S = 60.0  # who takes nothing for so long is not listening any more

OPEN_PATHS: Final = frozenset(
    {
        "/health",
        "/api/openapi.json",
        "/api/v1/session",  # where a token is exchanged for the cookie
        "/api/v1/pairing",  # where a screen asks for a code
        "/api/v1/pairing/collect",
    }
)
"""What needs no token, beside the pages and their static parts, which hold no data."""
_CHANGES_NOTHING: Final = frozenset(
    {"/api/v1/session", "/api/v1/pairing", "/api/v1/pairing/collect"}
)


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


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a request must not pass, as the answer says it."""

    status: int
    title: str
    detail: str
    headers: dict[str, str] = field(default_factory=dict)


class Guard:
    """ASGI middleware: lets in who may come in, keeps bodies small, adds headers.

    Whatever is not named as open needs a token, so that a route nobody thought of is closed.
    A request that changes something must be JSON and must not come from another site's page:
    a browser sends neither without asking first, and this service never answers that question.

    Args:
        app: The application behind the guard.
        access: Says who asks.
        names: Host names, beside ``localhost`` and plain addresses, that this service has.
        pages: Paths of the pages, which are open.
    """

    def __init__(
        self,
        app: ASGIApp,
        access: Access,
        names: Collection[str] = (),
        pages: Collection[str] = (),
    ) -> None:
        self._app = app
        self._names = tuple(names)
        self._access = access
        self._pages = frozenset(pages)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] == "websocket":  # none is offered; a route of one would have no guard
            await send({"type": "websocket.close", "code": 1008})
            return
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        await self._access.freshen()
        refusal = self._refusal(scope)
        answer = _Answer(send)
        if refusal is not None:
            await answer.refuse(refusal)
            return
        try:
            await self._app(scope, _Bounded(receive, body_rule(scope["path"])).receive, answer.send)
        except Exception:
            if answer.started:
                raise
            _log.exception("%s %s failed", scope["method"], scope["path"])
            await answer.refuse(_DEFECT)

    def _refusal(self, scope: Scope) -> Refusal | None:
        """Return why a request must not pass; notes in the scope who asks where it may."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not host_is_ours(host, self._names):
            detail = f"This service is not called {host!r} here; use its address."
            return Refusal(421, "Not this host", detail)
        if scope["method"] in _SAFE_METHODS:
            return self._stranger(scope, headers)
        if _is_foreign(headers, host, scope["scheme"]):
            detail = "Commands are taken from this service's own page only."
            return Refusal(403, "Foreign page", detail)
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        rule = body_rule(scope["path"])
        # A browser asks first before any DELETE for another site's page, whatever its body.
        if kind not in rule.kinds and scope["method"] != "DELETE":
            return Refusal(415, "Not this kind of body", rule.told)
        length = headers.get("content-length", "0")
        if length.isascii() and length.isdigit() and int(length) > rule.most_bytes:
            return _too_large(rule)
        return self._stranger(scope, headers)

    def _stranger(self, scope: Scope, headers: Headers) -> Refusal | None:
        """Return the refusal of a request whose token does not reach, or which asks too often."""
        if scope.get(FROM_SOCKET):
            scope.setdefault("state", {})["bearer"] = COMMAND
            return None
        path, address = scope["path"], address_key(_address(scope))
        needed: TokenScope = "watch" if scope["method"] in _SAFE_METHODS else "operate"
        is_page = path in self._pages or path.startswith("/static/")
        is_open = path in OPEN_PATHS or (is_page and needed == "watch")
        text = token_of(headers)
        wait_s = self._access.limits.wrong_tokens.wait_s(address)
        bearer = self._access.bearer(text, guesses=wait_s == 0.0)
        scope.setdefault("state", {})["bearer"] = bearer
        if bearer is not None:
            self._access.note_use(bearer)
            changes = needed == "operate" and path not in _CHANGES_NOTHING
            return self._command(bearer, address) if changes else None
        if is_open:
            return None
        if text is None:
            detail = f"Send the {needed} token: Authorization: Bearer …"
            return Refusal(401, "Token needed", detail, {"www-authenticate": "Bearer"})
        if wait_s:
            detail = "Too many wrong tokens came from your address; wait."
            return Refusal(429, "Too often", detail, {"retry-after": retry_after(wait_s)})
        self._access.limits.wrong_tokens.take(address)
        return _UNKNOWN

    def _command(self, bearer: Bearer, address: str) -> Refusal | None:
        """Return why somebody who may come in must not change something now."""
        if not bearer.may("operate"):
            detail = "This token may watch only; this needs the operate token."
            return Refusal(403, "Not allowed", detail)
        wait_s = self._access.limits.commands.take(f"{bearer.id} {address}")
        if not wait_s:
            return None
        detail = "Too many commands came at once; wait."
        return Refusal(429, "Too often", detail, {"retry-after": retry_after(wait_s)})


class _Answer:
    """An answer on its way: with the headers of every answer, and not for ever."""

    def __init__(self, send: Send) -> None:
        self._send = send
        self.started = False

    async def send(self, message: Message) -> None:
        """Send a part; raises ``TimeoutError`` where the other side takes nothing any more."""
        if message["type"] == "http.response.start":
            self.started = True
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
        async with asyncio.timeout(_SEND_S):
            await self._send(message)

    async def refuse(self, refusal: Refusal) -> None:
        """Answer that the request must not pass."""
        told = problem(refusal.status, refusal.title, refusal.detail)
        body = json.dumps(told).encode()
        head = {
            "content-type": "application/problem+json",
            "content-length": str(len(body)),
            "connection": "close",
            **refusal.headers,
        }
        raw = [(name.encode(), value.encode()) for name, value in head.items()]
        await self.send({"type": "http.response.start", "status": refusal.status, "headers": raw})
        await self.send({"type": "http.response.body", "body": body})


class _Bounded:
    """A request's body, no larger and no slower than is good."""

    def __init__(self, receive: Receive, rule: BodyRule) -> None:
        self._receive = receive
        self._rule = rule
        self._read = 0
        self._more = True
        self._until = asyncio.get_running_loop().time() + _BODY_S

    async def receive(self) -> Message:
        """Return the next message of the connection."""
        if not self._more:  # only the end of the connection is still to come
            return await self._receive()
        try:
            async with asyncio.timeout_at(self._until):
                message = await self._receive()
        except TimeoutError:
            raise HTTPException(408, "The body did not arrive in time.") from None
        length = len(message.get("body", b""))
        self._read += length
        self._until += length / _SLOWEST_BYTES_A_S
        self._more = bool(message.get("more_body", False))
        if self._read > self._rule.most_bytes:
            raise HTTPException(413, _too_large(self._rule).detail)
        return message


def _is_foreign(headers: Headers, host: str, scheme: str) -> bool:
    """Whether another site's page sends this; a plain page is foreign to a page over TLS."""
    origin = headers.get("origin")
    if headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
        return True
    if origin is None:
        return False
    found = urlsplit(origin)
    return found.netloc.lower() != host.lower() or (scheme == "https" and found.scheme != "https")


def _too_large(rule: BodyRule) -> Refusal:
    detail = f"The body is larger than the {rule.most_bytes} bytes that are read."
    return Refusal(413, "Body too large", detail)


def _address(scope: Scope) -> str:
    client = scope.get("client")
    return str(client[0]) if client else ""


_DEFECT = Refusal(500, "Defect", "This is a defect of the service; its log says more.")
_UNKNOWN = Refusal(
    401,
    "Token not known",
    "This token is not known here; it may have been taken back or have expired.",
    # A browser forgets the cookie, so that its further tries do not count as guesses.
    {
        "www-authenticate": 'Bearer error="invalid_token"',
        "set-cookie": f"{COOKIE}=; Max-Age=0; Path=/; HttpOnly; SameSite=strict",
    },
)
