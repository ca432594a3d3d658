"""The commands under ``holdwatch token``: who may watch and who may operate."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

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
    from holdwatch_cli.token import book_of, run_new

    raise typer.Exit(run_new(book_of(config, data), scope, name, days=days, as_json=json))


@app.command("list")
def list_(config: Config = None, data: Data = None, json: Json = False) -> None:
    """List the tokens: id, what each may do, when it was made, last used, and expires.

    Example: holdwatch token list
    """
    from holdwatch_cli.token import book_of, run_list

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
    from holdwatch_cli.token import book_of, run_revoke

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
    from holdwatch_cli.token import book_of, run_pair

    raise typer.Exit(run_pair(book_of(config, data), code, scope, name, days=days, as_json=json))
