"""The routes by which a screen comes to its token: signing in, and pairing by a short code."""

from __future__ import annotations

import asyncio
import time
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from fastapi import APIRouter, HTTPException, Request, Response
from pydantic import Field

from holdwatch_api.security.access import ANYONE, COOKIE, Bearer, cookie_of
from holdwatch_api.security.limits import address_key, retry_after
from holdwatch_api.security.tokens import (
    PAIRING_S,
    Asked,
    CrowdedError,
    Token,
    TokenError,
    TokenScope,
    shown_code,
)
from holdwatch_api.shapes import Problem, SignIn
from holdwatch_daemon.messages import Message

if TYPE_CHECKING:
    from holdwatch_api.security.access import Access
    from holdwatch_api.security.limits import Limiter

PAIRING_COOKIE: Final = "holdwatch-pairing"
"""Name of the cookie with which a screen that waits proves that it is the one that asked."""
_PAIRING_PATH: Final = "/api/v1/pairing"
_LONGEST_COOKIE_S: Final = 400 * 86_400
"""Browsers keep no cookie longer (RFC 6265bis, section 5.5: 400 days)."""
_ASK_EVERY_S: Final = 2
_OFTEN: Final[dict[int | str, dict[str, Any]]] = {
    429: {"model": Problem, "description": "Too often; `Retry-After` says when again"}
}
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]


class Session(Message):
    """Who this browser is; ``scope`` is null where it has no token that counts.

    ``open`` says that no token is needed here.
    """

    scope: TokenScope | None
    name: str | None
    open: bool


class Nothing(Message):
    """A body that says nothing: ``{}``."""


class PairingCode(Message):
    """What a screen shows while it waits, and how often it may ask what became of it, s."""

    code: str
    expires_s: int
    interval_s: int


class Pairing(Message):
    """What became of a waiting screen."""

    state: Literal["waiting", "paired"]
    scope: TokenScope | None = None
    name: str | None = None


class Approval(Message):
    """Body of ``POST /api/v1/pairing/approve``: the code that a screen shows, and its rights."""

    code: str = Field(min_length=1, max_length=40)
    scope: TokenScope = "watch"
    name: Name


class Approved(Message):
    """Which screen was let in: the address that it asked from, and how long ago, s."""

    name: str
    scope: TokenScope
    address: str
    asked_s_ago: int


def session_routes(access: Access) -> APIRouter:
    """Return the routes ``/api/v1/session`` and ``/api/v1/pairing``."""
    router = APIRouter(prefix="/api/v1", tags=["session"])
    _add_session(router, access)
    _add_asking(router, access)
    _add_collecting(router, access)
    _add_approving(router, access)
    return router


def bearer_of(request: Request) -> Bearer | None:
    """Return who the guard found this request to come from."""
    found: Bearer | None = getattr(request.state, "bearer", None)
    return found


def _add_session(router: APIRouter, access: Access) -> None:
    @router.get("/session")
    async def who(request: Request) -> Session:
        """Who this browser is."""
        bearer = bearer_of(request)
        if bearer is None or bearer is ANYONE:
            return Session(
                scope=None if bearer is None else bearer.scope, name=None, open=access.is_open
            )
        return Session(scope=bearer.scope, name=bearer.name, open=False)

    @router.post("/session", status_code=204, responses=_OFTEN)
    async def sign_in(wanted: SignIn, request: Request) -> Response:
        """Exchange a token for the cookie that the bay screen sends with every request."""
        address = _address(request)
        wrong = access.limits.wrong_tokens
        wait_s = wrong.wait_s(address)
        bearer = access.bearer(wanted.token, guesses=wait_s == 0.0)
        if bearer is None:
            _refuse_often(wrong, address)
            raise HTTPException(401, "This token is not known here.")
        access.note_use(bearer)
        answer = Response(status_code=204)
        _set_token(answer, request, wanted.token, None)
        return answer

    @router.delete("/session", status_code=204)
    async def sign_out() -> Response:
        """Let this browser forget its token; the token itself stays good."""
        answer = Response(status_code=204)
        answer.delete_cookie(COOKIE, httponly=True, samesite="strict")
        return answer


def _add_asking(router: APIRouter, access: Access) -> None:
    @router.post("/pairing", status_code=201, responses={409: {"model": Problem}, **_OFTEN})
    async def ask(_: Nothing, request: Request, response: Response) -> PairingCode:
        """Ask for a code to show. The browser that asks keeps a secret, in a cookie.

        The code is good for ten minutes, for one screen: the one that holds the secret.
        """
        if access.is_open:
            raise HTTPException(409, "No token is needed here; open the screen.")
        _refuse_often(access.limits.pairings, _address(request))
        _refuse_often(access.limits.pairings_in_all, "all")
        try:
            asked, secret = await asyncio.to_thread(access.book.ask, _address(request))
        except CrowdedError as error:
            raise HTTPException(429, str(error), {"retry-after": str(PAIRING_S)}) from error
        response.set_cookie(
            PAIRING_COOKIE,
            secret,
            max_age=PAIRING_S,
            path=_PAIRING_PATH,
            secure=_is_secure(request),
            httponly=True,
            samesite="strict",
        )
        return PairingCode(
            code=shown_code(asked.code), expires_s=PAIRING_S, interval_s=_ASK_EVERY_S
        )


def _add_collecting(router: APIRouter, access: Access) -> None:
    @router.post("/pairing/collect", responses={404: {"model": Problem}, **_OFTEN})
    async def collect(_: Nothing, request: Request, response: Response) -> Pairing:
        """Ask what became of this browser's code; once approved, the answer sets the cookie."""
        secret = cookie_of(request.headers, PAIRING_COOKIE)
        wrong = access.limits.wrong_tokens
        wait_s = wrong.wait_s(_address(request))
        found = None
        if secret is not None and not wait_s:
            found = await asyncio.to_thread(access.book.collect, secret)
        if found is None:
            if secret is not None:
                _refuse_often(wrong, _address(request))
            raise HTTPException(404, "This screen has no code that counts; ask for a new one.")
        if isinstance(found, Asked):
            return Pairing(state="waiting")
        token, text = found
        _set_token(response, request, text, token)
        response.delete_cookie(PAIRING_COOKIE, path=_PAIRING_PATH, httponly=True, samesite="strict")
        return Pairing(state="paired", scope=token.scope, name=token.name)


def _add_approving(router: APIRouter, access: Access) -> None:
    @router.post("/pairing/approve", responses={404: {"model": Problem}, **_OFTEN})
    async def approve(wanted: Approval, request: Request) -> Approved:
        """Let the screen that shows a code have a token of its own; needs the operate token."""
        bearer = bearer_of(request)
        who = "nobody" if bearer is None else f"{bearer.id} {_address(request)}"
        wait_s = access.limits.wrong_codes.wait_s(who)
        if wait_s:
            raise _often(wait_s)
        try:
            asked = await asyncio.to_thread(
                access.book.approve, wanted.code, wanted.scope, wanted.name
            )
        except TokenError as error:
            access.limits.wrong_codes.take(who)
            raise HTTPException(404, str(error)) from error
        return Approved(
            name=wanted.name,
            scope=wanted.scope,
            address=asked.address,
            asked_s_ago=max(int(time.time()) - asked.asked, 0),
        )


def _set_token(answer: Response, request: Request, text: str, token: Token | None) -> None:
    """Set the cookie: for as long as the browser runs, or for a screen's own token to stay."""
    max_age = None
    if token is not None:
        max_age = _LONGEST_COOKIE_S
        if token.expires is not None:
            max_age = min(max_age, max(token.expires - int(time.time()), 1))
    answer.set_cookie(
        COOKIE,
        text,
        max_age=max_age,
        secure=_is_secure(request),
        httponly=True,
        samesite="strict",
    )


def _is_secure(request: Request) -> bool:
    return request.url.scheme == "https"


def _address(request: Request) -> str:
    return address_key(request.client.host if request.client else "")


def _refuse_often(limiter: Limiter, key: str) -> None:
    wait_s = limiter.take(key)
    if wait_s:
        raise _often(wait_s)


def _often(wait_s: float) -> HTTPException:
    return HTTPException(
        429, "Too often; wait before the next try.", {"retry-after": retry_after(wait_s)}
    )
