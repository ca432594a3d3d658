"""Who may watch and who may operate: tokens, sent as a bearer token or a cookie."""

from __future__ import annotations

import asyncio
import hmac
import logging
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Self

from starlette.requests import cookie_parser

from holdwatch_api.security.limits import Limiter, Places
from holdwatch_api.security.tokens import FILE, TokenBook, TokenError, TokenScope
from holdwatch_daemon.errors import ConfigError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from starlette.datastructures import Headers

    from holdwatch_daemon.settings import ShopConfig

_log = logging.getLogger(__name__)

COOKIE: Final = "holdwatch"
"""Name of the cookie that the screen signs in with."""
_SHORTEST_TOKEN: Final = 16
_LOOK_S: Final = 0.5
"""How long a request waits for a look at the tokens before it goes by what was known, s."""


@dataclass(frozen=True, slots=True)
class Bearer:
    """Who asks: a token by its id and name, and what it may do. ``anyone`` has no token."""

    id: str
    name: str
    scope: TokenScope

    def may(self, needed: TokenScope) -> bool:
        """Whether this one may do what needs that scope; who may operate may watch."""
        return self.scope in {needed, "operate"}


ANYONE: Final = Bearer("anyone", "anyone on this machine", "operate")
"""Who asks where no token is needed."""
COMMAND: Final = Bearer("command", "a command on this machine", "operate")
"""Who asks over the socket beside the store, which only its owner can open."""
FROM_SOCKET: Final = "holdwatch.from_socket"
"""Key of the ASGI scope of a request that came over that socket; no client can set it."""


class Limits:
    """What one asker may use up; the figures and the sums behind them stand in the manual."""

    def __init__(self) -> None:
        self.wrong_tokens = Limiter(10, 30.0)
        self.pairings = Limiter(3, 20.0)
        self.pairings_in_all = Limiter(16, 10.0)
        self.wrong_codes = Limiter(5, 60.0)
        self.commands = Limiter(60, 0.2)
        self.streams = Places(48, 256)


class Access:
    """Says who a request comes from.

    Without any token a service that only this machine can reach is open to it. As soon as there
    is one token, or the network or a proxy can reach the service, every request needs a token.

    Args:
        book: The tokens made by ``holdwatch token``.
        files: Tokens from the files that the configuration names, by scope.
        guarded: Whether a token is needed although there is none.
    """

    def __init__(
        self, book: TokenBook, files: Mapping[TokenScope, str], *, guarded: bool = False
    ) -> None:
        self.book = book
        self.limits = Limits()
        self._files = dict(files)
        self._guarded = guarded or bool(files)
        self._broken = False
        self._noting: set[asyncio.Task[None]] = set()
        self._look: asyncio.Task[None] | None = None
        self._began_s = 0.0

    @classmethod
    def from_config(cls, config: ShopConfig) -> Self:
        """Read the token files.

        Raises:
            ConfigError: A file cannot be read, or its token is too short to be a secret.
        """
        http = config.http
        named: dict[TokenScope, Path | None] = {
            "operate": http.operate_token_file,
            "watch": http.watch_token_file,
        }
        files = {scope: _read(path) for scope, path in named.items() if path is not None}
        guarded = not http.is_loopback or bool(http.proxies)
        access = cls(TokenBook(config.site.data / FILE), files, guarded=guarded)
        access._look_now()
        return access

    @property
    def is_open(self) -> bool:
        """Whether no token is needed."""
        return not self._guarded and not self.book.is_begun

    async def freshen(self) -> None:
        """Look at the tokens again where it is due; a disk that takes long is not waited for."""
        self._begin_look()
        if self._look is not None and not self._look.done():
            left_s = self._began_s + _LOOK_S - time.monotonic()
            await asyncio.wait([self._look], timeout=max(left_s, 0.0))

    def _begin_look(self) -> None:
        """Look in a thread: while the file is being written, it cannot be read."""
        if self.book.is_due and (self._look is None or self._look.done()):
            self._began_s = time.monotonic()
            self._look = asyncio.get_running_loop().create_task(asyncio.to_thread(self._look_now))

    def _look_now(self) -> None:
        try:
            self.book.look()
        except TokenError as error:
            self._tell(error)
        else:
            self._broken = False

    def bearer(self, text: str | None, *, guesses: bool = True) -> Bearer | None:
        """Return who holds this token, or None.

        Args:
            text: The token; None where none was sent.
            guesses: Whether tokens that a person may have chosen count; not for an address
                that has sent many wrong ones.
        """
        if self.is_open:
            return ANYONE
        if text is None:
            return None
        for scope, secret in self._files.items() if guesses else ():
            if hmac.compare_digest(text.encode(), secret.encode()):
                return Bearer(f"file-{scope}", f"the {scope} token file", scope)
        token = self.book.bearer(text)
        return None if token is None else Bearer(token.id, token.name, token.scope)

    def still(self, bearer: Bearer) -> bool:
        """Whether somebody let in before would be let in now."""
        if bearer is COMMAND:
            return True
        if bearer is ANYONE:
            return self.is_open
        if bearer.id.startswith("file-"):
            return True
        self._begin_look()  # what it finds counts at the next question
        return self.book.is_good(bearer.id)

    def note_use(self, bearer: Bearer) -> None:
        """Write down, now and then and apart from the request, that a token was used."""
        if bearer in {ANYONE, COMMAND} or bearer.id.startswith("file-"):
            return
        if self.book.wants_note(bearer.id):
            task = asyncio.get_running_loop().create_task(self._note(bearer.id))
            self._noting.add(task)
            task.add_done_callback(self._noting.discard)

    async def _note(self, token_id: str) -> None:
        try:
            await asyncio.to_thread(self.book.note_use, token_id)
        except TokenError as error:
            self._tell(error)

    def _tell(self, error: TokenError) -> None:
        if not self._broken:
            _log.error("%s Nobody is let in by these tokens meanwhile.", error)
        self._broken = True


def token_of(headers: Headers) -> str | None:
    """Return the token that a request carries."""
    kind, _, token = headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer" and token:
        return token.strip()
    return cookie_of(headers, COOKIE)


def cookie_of(headers: Headers, name: str) -> str | None:
    """Return the value of a cookie that a request carries."""
    return cookie_parser(headers.get("cookie", "")).get(name)


def _read(path: Path) -> str:
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"The token file {path} cannot be read: {error}"]) from error
    if len(token) < _SHORTEST_TOKEN:
        told = f"The token in {path} is shorter than {_SHORTEST_TOKEN} characters; make one with "
        raise ConfigError([told + "`openssl rand -hex 16`."])
    return token
