"""The work behind ``holdwatch fleet``: tables, landing, gaps and filling."""

from __future__ import annotations

import json
import logging
import signal
import socket
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

import psycopg
from pydantic import ValidationError

from holdwatch_adapters.settings import Broker, BrokerSettings, SettingsError
from holdwatch_cli.errors import UserError
from holdwatch_cli.terminal import say
from holdwatch_fleet.base import Base
from holdwatch_fleet.fill import Filler, events_in_store, land_all, read_shops
from holdwatch_fleet.land import Lander, Share
from holdwatch_fleet.message import Topics

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_fleet.base import Stream
    from holdwatch_fleet.fill import Patience

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class BrokerOptions:
    """The broker as the options give it."""

    host: str
    port: int | None
    username: str | None
    password_file: Path | None
    tls: bool
    ca_file: Path | None


def run_create(dsn: str) -> int:
    """Make the tables; return the exit status."""
    with _base(dsn) as base:
        base.create()
    say("The tables are there.")
    return 0


def run_land(
    dsn: str,
    broker: BrokerOptions,
    *,
    prefix: str,
    name: str | None,
    group: str,
    live_s: int,
    shops: Path | None,
    patience: Patience,
) -> int:
    """Land until SIGTERM or Ctrl-C; return the exit status.

    Raises:
        UserError: An option, the database or the broker stands against it.
    """
    to = _broker(broker)
    topics = _topics(prefix)
    addresses = read_shops(shops)
    with _base(dsn) as base:
        base.check()
    stopped: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda number, _frame: stopped.append(number))
    share = Share(name or socket.gethostname(), group, live_s)
    lander = Lander(to, topics, share, dsn, lambda: bool(stopped))
    logging.getLogger("httpx").setLevel(logging.WARNING)  # it says each request
    filler = Filler(dsn, addresses, patience)
    filler.start()
    try:
        lander.run()
    finally:
        filler.stop()
    log.info("%d events landed", lander.landed)
    return 0


def run_gaps(dsn: str, *, as_json: bool) -> int:
    """Say how far every shop's events have landed; return 1 where numbers are missing."""
    with _base(dsn) as base:
        base.check()
        streams = base.streams()
    if as_json:
        say(json.dumps({"streams": [asdict(each) for each in streams]}, default=str))
    else:
        for each in streams:
            say(_line(each))
        if not streams:
            say("Nothing has landed yet.")
    return 1 if any(each.missing for each in streams) else 0


def run_fill(dsn: str, database: Path) -> int:
    """Land the events of a shop's SQLite file, or of a copy; return the exit status."""
    with _base(dsn) as base:
        base.check()
        try:
            new = land_all(base, events_in_store(database, 0), site=None, via="store")
        except psycopg.OperationalError as error:
            raise UserError(f"the database refuses: {_text(error)}") from error
    say(f"{new} events were new.")
    return 0


def _base(dsn: str) -> Base:
    try:
        return Base(dsn)
    except psycopg.Error as error:
        raise UserError(f"the PostgreSQL database cannot be reached: {_text(error)}") from error


def _broker(options: BrokerOptions) -> Broker:
    given = {
        "host": options.host,
        "port": options.port or (8883 if options.tls else 1883),
        "username": options.username,
        "password_file": options.password_file,
        "tls": options.tls,
        "ca_file": options.ca_file,
    }
    try:
        return BrokerSettings.model_validate(given).broker("the broker")
    except ValidationError as error:
        raise UserError(error.errors(include_url=False)[0]["msg"]) from error
    except SettingsError as error:
        raise UserError(str(error)) from error


def _topics(prefix: str) -> Topics:
    try:
        return Topics(prefix)
    except ValueError as error:
        raise UserError(str(error)) from error


def _line(stream: Stream) -> str:
    which = f"{stream.site} ({stream.store})"
    if not stream.missing:
        return f"{which}: 1 to {stream.newest}, none missing, last heard {stream.heard:%F %T%z}"
    why = "" if stream.trouble is None else f": {stream.trouble}"
    return (
        f"{which}: 1 to {stream.newest}, {stream.missing} missing after {stream.unbroken} "
        f"since {stream.gap_since:%F %T%z}{why}"
    )


def _text(error: Exception) -> str:
    return " ".join(str(error).split())
