"""The commands under ``holdwatch fleet``: options in, the fleet's work, exit status out."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path  # noqa: TC003 (typer reads it when the command is made)
from typing import Annotated

import typer

from holdwatch_cli.errors import UserError
from holdwatch_cli.options import Json

app = typer.Typer(
    name="fleet",
    help="A chain of shops: their events and live values in one PostgreSQL database.",
    no_args_is_help=True,
)

Postgres = Annotated[
    str,
    typer.Option(
        help='As libpq has it: "host=db dbname=fleet", a URL, or nothing for its environment.'
    ),
]


@app.callback()
def need_the_extra() -> None:
    """Options of all of them: none; they need the extra `postgres`."""
    if find_spec("psycopg") is None:
        raise UserError("this needs a further package: pip install 'holdwatch[postgres]'")


@app.command()
def create(postgres: Postgres = "") -> None:
    """Make the tables in the schema `holdwatch`; what is there stays.

    Example: holdwatch fleet create --postgres "host=db dbname=fleet"
    """
    from holdwatch_cli.fleet import run_create

    raise typer.Exit(run_create(postgres))


@app.command()
def land(
    mqtt: Annotated[str, typer.Option(help="The broker's name or address.")],
    postgres: Postgres = "",
    port: Annotated[
        int | None, typer.Option(min=1, max=65535, help="Its port; else 1883, or 8883 with TLS.")
    ] = None,
    username: Annotated[str | None, typer.Option(help="Login at the broker.")] = None,
    password_file: Annotated[Path | None, typer.Option(help="File of its password.")] = None,
    tls: Annotated[bool, typer.Option("--tls", help="Encrypt, and check the broker.")] = False,
    ca_file: Annotated[Path | None, typer.Option(help="Certificates to trust, PEM.")] = None,
    prefix: Annotated[
        str, typer.Option(help="Of the shops' topics, + for the shop's name.")
    ] = "holdwatch/+",
    name: Annotated[
        str | None,
        typer.Option(help="This consumer's; the broker keeps what it owes it. Else the machine's."),
    ] = None,
    group: Annotated[
        str, typer.Option(help="Consumers of one group share the live values.")
    ] = "holdwatch",
    live_s: Annotated[
        int,
        typer.Option(min=0, max=3600, help="Land one live value a role in so many s; 0: none."),
    ] = 0,
    shops: Annotated[
        Path | None, typer.Option(help="Addresses of the shops, TOML, for filling gaps.")
    ] = None,
    fill_after_s: Annotated[
        float, typer.Option(min=1, max=86400, help="How long a gap may stand before it is filled.")
    ] = 30.0,
    ask_after_s: Annotated[
        float,
        typer.Option(min=1, max=86400, help="How long a shop may be quiet before it is asked."),
    ] = 900.0,
) -> None:
    """Land the events of all shops, each once, confirmed to the broker after the commit.

    Several may run, each with a --name of its own: each is handed every event, and the database
    takes the first, so that one may be away. Gaps in a shop's numbers are fetched from the shop
    itself, and a quiet shop is asked whether it has more.

    Example: holdwatch fleet land --mqtt broker.example --tls --username fleet
    --password-file fleet-password --postgres "host=db dbname=fleet" --shops shops.toml
    """
    from holdwatch_cli.fleet import BrokerOptions, run_land
    from holdwatch_fleet.fill import Patience

    status = run_land(
        postgres,
        BrokerOptions(mqtt, port, username, password_file, tls, ca_file),
        prefix=prefix,
        name=name,
        group=group,
        live_s=live_s,
        shops=shops,
        patience=Patience(fill_after_s, ask_after_s),
    )
    raise typer.Exit(status)


@app.command()
def gaps(postgres: Postgres = "", json: Json = False) -> None:
    """Say how far each shop's events have landed; exit status 1 where numbers are missing.

    Example: holdwatch fleet gaps --postgres "host=db dbname=fleet"
    """
    from holdwatch_cli.fleet import run_gaps

    raise typer.Exit(run_gaps(postgres, as_json=json))


@app.command()
def fill(
    database: Annotated[Path, typer.Argument(help="A shop's holdwatch.db, or a copy of it.")],
    postgres: Postgres = "",
) -> None:
    """Land the events of a shop's SQLite file; those that have landed stay as they are.

    Example: holdwatch fleet fill backup/holdwatch.db --postgres "host=db dbname=fleet"
    """
    from holdwatch_cli.fleet import run_fill

    raise typer.Exit(run_fill(postgres, database))
