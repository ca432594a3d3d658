"""Who may watch and who may operate: two tokens, sent as a bearer token or a cookie."""

from __future__ import annotations

import hmac
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, Self

from starlette.requests import cookie_parser

from holdwatch_daemon.errors import ConfigError

if TYPE_CHECKING:
    from pathlib import Path

    from starlette.datastructures import Headers

    from holdwatch_daemon.config import HttpConfig

Scope = Literal["watch", "operate"]
COOKIE = "holdwatch"
"""Name of the cookie that the screen signs in with."""
_SHORTEST_TOKEN = 16


@dataclass(frozen=True, slots=True)
class Access:
    """The two tokens; a scope without a token is open to whoever reaches the service.

    Who may operate may watch. Without either token, as on loopback, all may do both.
    """

    watch: str | None = field(default=None, repr=False)
    operate: str | None = field(default=None, repr=False)

    @classmethod
    def from_config(cls, http: HttpConfig) -> Self:
        """Read the token files.

        Raises:
            ConfigError: A file cannot be read, or its token is too short to be a secret.
        """
        return cls(_read(http.watch_token_file), _read(http.operate_token_file))

    def scope(self, token: str | None) -> Scope | None:
        """Return what the bearer of this token may do, or None."""
        if self.operate is None and self.watch is None:
            return "operate"
        if self.operate is not None and _same(token, self.operate):
            return "operate"
        if self.watch is None or _same(token, self.watch):
            return "watch"
        return None

    def allows(self, token: str | None, needed: Scope) -> bool:
        """Whether the bearer of this token may do what needs that scope."""
        return self.scope(token) in {needed, "operate"}


def token_of(headers: Headers) -> str | None:
    """Return the token that a request carries."""
    kind, _, token = headers.get("authorization", "").partition(" ")
    if kind.lower() == "bearer" and token:
        return token.strip()
    return cookie_parser(headers.get("cookie", "")).get(COOKIE)


def _same(given: str | None, secret: str) -> bool:
    return given is not None and hmac.compare_digest(given.encode(), secret.encode())


def _read(path: Path | None) -> str | None:
    if path is None:
        return None
    try:
        token = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError([f"The token file {path} cannot be read: {error}"]) from error
    if len(token) < _SHORTEST_TOKEN:
        told = f"The token in {path} is shorter than {_SHORTEST_TOKEN} characters; make one with "
        raise ConfigError([told + "`openssl rand -hex 16`."])
    return token
