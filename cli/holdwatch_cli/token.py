"""``holdwatch token``: making, listing and taking back tokens, and pairing a screen."""

from __future__ import annotations

import json
import time
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from holdwatch_api.security import FILE, TokenBook
from holdwatch_cli.errors import UserError
from holdwatch_cli.serve import DEFAULT_CONFIG
from holdwatch_cli.terminal import say
from holdwatch_daemon.settings import load_config

if TYPE_CHECKING:
    from holdwatch_api.security import Token, TokenScope

app = typer.Typer(
    name="token",
    help="Tokens: who may watch and who may operate; screens are paired by a short code.",
    no_args_is_help=True,
)

Config = Annotated[
    Path | None,
    typer.Option(help="Configuration that names the store's folder; shop.toml where there is one."),
]
Data = Annotated[Path | None, typer.Option(help="Folder of the SQLite file instead.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON instead of text.")]
Scope = Annotated[
    Literal["watch", "operate"], typer.Option(help="What its holder may do: watch or operate.")
]
Name = Annotated[str, typer.Option(help="What it is for, for example `Bay TV`.")]
Days = Annotated[
    float | None, typer.Option(min=0.01, max=3650, help="Days until it expires; else it stays.")
]

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


@app.command()
def new(
    name: Name,
    scope: Scope = "watch",
    days: Days = None,
    config: Config = None,
    data: Data = None,
    json: Json = False,
) -> None:
    """Make a token and print it, this once: only its digest is kept.

    A running service knows it within a second.

    Example: holdwatch token new --scope operate --name "Bench tablet"
    """
    raise typer.Exit(run_new(book_of(config, data), scope, name, days=days, as_json=json))


@app.command("list")
def list_(config: Config = None, data: Data = None, json: Json = False) -> None:
    """List the tokens: id, what each may do, when it was made, last used, and expires.

    Example: holdwatch token list
    """
    raise typer.Exit(run_list(book_of(config, data), as_json=json))


@app.command()
def revoke(
    which: Annotated[str, typer.Argument(help="Id or name, as `list` shows them.")],
    config: Config = None,
    data: Data = None,
    json: Json = False,
) -> None:
    """Take a token back; what is open with it ends within three seconds.

    Example: holdwatch token revoke "Bay TV"
    """
    raise typer.Exit(run_revoke(book_of(config, data), which, as_json=json))


@app.command()
def pair(
    code: Annotated[str, typer.Argument(help="The code that the screen shows.")],
    name: Name,
    scope: Scope = "watch",
    days: Days = None,
    config: Config = None,
    data: Data = None,
    json: Json = False,
) -> None:
    """Let the screen that shows a code in: it gets a token of its own, which nobody types.

    Example: holdwatch token pair WDJB-MJHT --scope watch --name "Bay TV"
    """
    raise typer.Exit(run_pair(book_of(config, data), code, scope, name, days=days, as_json=json))
