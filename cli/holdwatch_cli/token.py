"""``holdwatch token``: making, listing and taking back tokens, and pairing a screen."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from holdwatch_api.security.tokens import FILE, TokenBook
from holdwatch_cli.errors import UserError
from holdwatch_cli.serve import DEFAULT_CONFIG
from holdwatch_cli.terminal import say
from holdwatch_daemon.settings.load import load_config

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_api.security.tokens import Token, TokenScope

_LONGEST_NAME = 60


def book_of(config: Path | None, data: Path | None) -> TokenBook:
    """Return the tokens of the shop that the options name.

    Raises:
        UserError: No option and no ``shop.toml`` says where they are.
    """
    if data is None:
        path = config or (DEFAULT_CONFIG if DEFAULT_CONFIG.exists() else None)
        if path is None:
            raise UserError("no configuration: name the service's with --config, or its --data")
        data = load_config(path).site.data
    return TokenBook(data / FILE)


def run_new(
    book: TokenBook, scope: TokenScope, name: str, *, days: float | None, as_json: bool
) -> int:
    """Make a token and print it."""
    token, text = book.make(scope, _named(name), _expiry(days))
    if as_json:
        say(json.dumps({**_told(token), "token": text}, ensure_ascii=False))
        return 0
    say(text)
    say(f"Token {token.id} ({token.name}) may {scope}. It is shown this once: keep it now.")
    return 0


def run_list(book: TokenBook, *, as_json: bool) -> int:
    """Print what is known of every token."""
    tokens = book.tokens()
    if as_json:
        say(json.dumps([_told(token) for token in tokens], ensure_ascii=False))
        return 0
    if not tokens:
        say("No token; `holdwatch token new` makes one.")
        return 0
    say(f"{'id':8}  {'may':7}  {'made':16}  {'last used':16}  {'expires':16}  name")
    for token in tokens:
        times = "  ".join(f"{_at(when):16}" for when in (token.made, token.used, token.expires))
        over = "" if token.is_good(time.time()) else "  (expired)"
        say(f"{token.id:8}  {token.scope:7}  {times}  {token.name}{over}")
    return 0


def run_revoke(book: TokenBook, which: str, *, as_json: bool) -> int:
    """Take tokens back by id or name."""
    gone = book.revoke(which)
    if as_json:
        say(json.dumps([_told(token) for token in gone], ensure_ascii=False))
        return 0
    for token in gone:
        say(f"Token {token.id} ({token.name}) is taken back.")
    return 0


def run_pair(
    book: TokenBook, code: str, scope: TokenScope, name: str, *, days: float | None, as_json: bool
) -> int:
    """Approve a waiting screen."""
    asked = book.approve(code, scope, _named(name), _expiry(days))
    ago_s = max(int(time.time()) - asked.asked, 0)
    if as_json:
        told = {"name": name, "scope": scope, "address": asked.address, "asked_s_ago": ago_s}
        say(json.dumps(told, ensure_ascii=False))
        return 0
    say(f"The screen at {asked.address}, which asked {ago_s} s ago, may {scope} as {name!r}.")
    say(f'If that is not the screen before you: holdwatch token revoke "{name}"')
    return 0


def _named(name: str) -> str:
    if not name.strip() or len(name) > _LONGEST_NAME or not name.isprintable():
        raise UserError(f"a name has 1 to {_LONGEST_NAME} printable characters, not {name!r}")
    return name


def _expiry(days: float | None) -> int | None:
    return None if days is None else int(time.time() + days * 86_400)


def _told(token: Token) -> dict[str, Any]:
    times = {"made": token.made, "used": token.used, "expires": token.expires}
    shown = {key: None if when is None else _rfc3339(when) for key, when in times.items()}
    return asdict(token) | shown


def _rfc3339(when: int) -> str:
    return datetime.fromtimestamp(when, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _at(when: int | None) -> str:
    if when is None:
        return "never"
    return datetime.fromtimestamp(when).astimezone().strftime("%Y-%m-%d %H:%M")
