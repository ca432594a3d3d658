"""Filling gaps: events whose numbers are missing are fetched from the shop that wrote them."""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import ssl
import threading
import time
import tomllib
from dataclasses import dataclass
from pathlib import Path  # noqa: TC003 - pydantic reads it
from typing import TYPE_CHECKING, Annotated

import httpx
import psycopg
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from holdwatch_daemon.store import connect
from holdwatch_fleet.base import Base, Batch
from holdwatch_fleet.errors import FleetError
from holdwatch_fleet.message import Refused, RefusedError, read_event

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

__all__ = [
    "Filler",
    "Patience",
    "ShopAddress",
    "events_in_store",
    "events_over_http",
    "land_all",
    "log",
    "newest_over_http",
    "read_shops",
]

log = logging.getLogger(__name__)

_TOGETHER = 500
_LOOK_EVERY_S = 2.0
_LONGEST_PAUSE_S = 600.0
_MOST_ASKED = 20
"""Quiet shops that are asked in one look, so that gaps have their turn."""
_CONNECT_S = 3.0
_SILENCE_S = 10.0
"""A shop's stream beats every 2 s; a longer silence means that it is lost."""


class ShopAddress(BaseModel):
    """Where a shop's HTTP API is, and how to be let in."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    url: Annotated[str, Field(pattern=r"^https?://")]
    token_file: Path | None = None
    ca_file: Path | None = None


class _Shops(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")

    site: dict[str, ShopAddress] = {}


def read_shops(path: Path | None) -> dict[str, ShopAddress]:
    """Return the shops' addresses by their names; files are named from the file's own folder.

    Raises:
        FleetError: The file cannot be read, or says something else.
    """
    if path is None:
        return {}
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
        shops = _Shops.model_validate(table)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise FleetError(f"{path}: {place}: {first['msg']}") from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise FleetError(f"{path} cannot be read: {error}") from error
    here = path.parent
    return {
        name: shop.model_copy(
            update={
                "token_file": None if shop.token_file is None else here / shop.token_file,
                "ca_file": None if shop.ca_file is None else here / shop.ca_file,
            }
        )
        for name, shop in shops.site.items()
    }


def events_over_http(shop: ShopAddress, after: int) -> Iterator[bytes]:
    """Yield a shop's events above a number, and end where its stream falls silent.

    Raises:
        httpx.HTTPError: It cannot be reached, or refuses.
        OSError: A file cannot be read.
    """
    wanted = {"after": after}
    with _http(shop) as http, http.stream("GET", "/api/v1/events", params=wanted) as answer:
        answer.raise_for_status()
        for line in answer.iter_lines():
            if line.startswith("data: "):
                yield line.removeprefix("data: ").encode()
            elif line.startswith(": beat"):
                return  # it has nothing more to send


def newest_over_http(shop: ShopAddress) -> int:
    """Return the number of a shop's newest event.

    Raises:
        httpx.HTTPError: It cannot be reached, or refuses.
        OSError: A file cannot be read.
        ValueError: It answers something else.
    """
    with _http(shop) as http:
        answer = http.get("/metrics")
    answer.raise_for_status()
    for line in answer.text.splitlines():
        if line.startswith("holdwatch_events_total "):
            return int(float(line.split()[1]))
    message = f"{shop.url} does not say how many events it has"
    raise ValueError(message)


def _http(shop: ShopAddress) -> httpx.Client:
    headers = {}
    if shop.token_file is not None:
        headers["authorization"] = f"Bearer {shop.token_file.read_text(encoding='utf-8').strip()}"
    verify = ssl.create_default_context(cafile=shop.ca_file) if shop.ca_file else True
    patience = httpx.Timeout(_SILENCE_S, connect=_CONNECT_S)
    return httpx.Client(base_url=shop.url, headers=headers, timeout=patience, verify=verify)


def events_in_store(database: Path, after: int) -> Iterator[bytes]:
    """Yield the events above a number that stand in a shop's SQLite file, or a copy of it.

    Raises:
        FleetError: It is no such file.
    """
    if not database.exists():
        raise FleetError(f"{database}: there is no such file")
    try:
        with contextlib.closing(connect(database)) as connection:
            rows = connection.execute(
                "SELECT body FROM events WHERE sequence > ? ORDER BY sequence", (after,)
            )
            for row in rows:
                yield row["body"].encode()
    except sqlite3.Error as error:
        raise FleetError(f"{database} is no database of holdwatch: {error}") from error


def land_all(base: Base, bodies: Iterable[bytes], *, site: str | None, via: str) -> int:
    """Land events; return how many were new.

    Args:
        base: Where they are landed.
        bodies: Their JSON.
        site: The shop that they must be of; None where any will do.
        via: How they came: ``http`` or ``store``.
    """
    new, batch = 0, Batch(via)
    for body in bodies:
        try:
            batch.events.append(read_event(body, site))
        except RefusedError as error:
            batch.refused.append(Refused(f"{via} {site or ''}".strip(), str(error), body))
        if len(batch) >= _TOGETHER:
            new, batch = new + base.land(batch), Batch(via)
    return new + base.land(batch) if batch else new


@dataclass(frozen=True, slots=True)
class Patience:
    """When a shop is asked.

    Attributes:
        gap_s: How long a gap may stand before it is filled, s: until then another consumer may
            be about to land the missing numbers.
        quiet_s: How long nothing may be heard of a shop before it is asked for its newest
            number, s: a lost event at the very end leaves no gap until the next one comes.
    """

    gap_s: float
    quiet_s: float


class Filler:
    """Looks for gaps that do not close by themselves, and fills them over HTTP.

    In a thread with a connection of its own: a slow shop must not keep the broker waiting. Of
    several consumers one fills a shop's gaps at a time.

    Args:
        dsn: The database.
        shops: Their addresses; a gap of another shop is only told.
        patience: When they are asked.
    """

    def __init__(self, dsn: str, shops: dict[str, ShopAddress], patience: Patience) -> None:
        self._dsn = dsn
        self._shops = shops
        self._patience = patience
        self._asked: dict[str, float] = {}
        self._stopping = threading.Event()
        self._not_before: dict[tuple[str, str], float] = {}
        self._failures: dict[tuple[str, str], int] = {}
        self._thread = threading.Thread(target=self._run, name="filler", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, at the latest when the shop that is being asked has answered."""
        self._stopping.set()
        self._thread.join(_SILENCE_S)

    def _run(self) -> None:
        while not self._stopping.wait(_LOOK_EVERY_S):
            try:
                with Base(self._dsn) as base:
                    base.check()
                    while not self._stopping.wait(_LOOK_EVERY_S):
                        self._look(base)
                        self._ask_the_quiet(base)
            except psycopg.OperationalError:
                log.debug("the filler lost the database", exc_info=True)
            except Exception:  # landing must go on whatever is wrong with filling
                log.exception("filling gaps failed")

    def _look(self, base: Base) -> None:
        for site, store, unbroken, newest in base.gaps(self._patience.gap_s):
            key = (site, store)
            if time.monotonic() < self._not_before.get(key, 0.0) or not base.take_lock(site):
                continue
            try:
                trouble = self._fill(base, site, store, unbroken, newest)
            finally:
                base.release_lock(site)
            self._note(base, key, trouble)

    def _ask_the_quiet(self, base: Base) -> None:
        """Fetch what shops have that were not heard for long; one that is away is no trouble."""
        heard, now = base.heard(), time.monotonic()
        due = []
        for site in self._shops:
            ago_s, newest = heard.get(site, (float("inf"), 0))
            asked = self._asked.get(site, float("-inf"))
            if ago_s >= self._patience.quiet_s and now - asked >= self._patience.quiet_s:
                due.append((asked, site, newest))
        for asked, site, newest in sorted(due)[:_MOST_ASKED]:
            if self._stopping.is_set():
                return
            shop = self._shops[site]
            self._asked[site] = now
            try:
                there = newest_over_http(shop)
                if there > newest:
                    bodies = _up_to(events_over_http(shop, newest), there)
                    new = land_all(base, bodies, site=site, via="http")
                    log.warning("%s was quiet; %d events fetched from %s", site, new, shop.url)
            except psycopg.OperationalError:
                self._asked[site] = asked  # the database failed, and not the shop
                raise
            except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError, OverflowError) as error:
                log.info("%s is quiet and does not answer: %s", site, error)

    def _note(self, base: Base, key: tuple[str, str], trouble: str | None) -> None:
        if trouble is None:
            self._failures.pop(key, None)
            return
        failures = self._failures[key] = self._failures.get(key, 0) + 1
        pause_s = min(
            max(self._patience.gap_s, 1.0) * 2.0 ** min(failures - 1, 16), _LONGEST_PAUSE_S
        )
        self._not_before[key] = time.monotonic() + pause_s
        base.note_trouble(*key, trouble)
        if failures == 1:
            log.error("%s: a gap in its events cannot be filled: %s", key[0], trouble)

    def _fill(self, base: Base, site: str, store: str, unbroken: int, newest: int) -> str | None:
        """Fetch what is missing; return what stands against it."""
        shop = self._shops.get(site)
        if shop is None:
            return "its address is not known; name it in the file of --shops"
        try:
            bodies = events_over_http(shop, unbroken)
            new = land_all(base, _up_to(bodies, newest), site=site, via="http")
        except (httpx.HTTPError, httpx.InvalidURL, OSError, ValueError) as error:
            return " ".join(str(error).split()) or type(error).__name__
        log.info("%s: %d missing events fetched from %s", site, new, shop.url)
        if any(gap[:2] == (site, store) and gap[2] < newest for gap in base.gaps(0.0)):
            return (
                f"{shop.url} has no more what is missing after number {unbroken}; where its "
                "database was begun anew, land an old copy with holdwatch fleet fill"
            )
        return None


def _up_to(bodies: Iterable[bytes], newest: int) -> Iterator[bytes]:
    """Yield bodies until the newest wanted number has come."""
    for body in bodies:
        yield body
        try:
            if read_event(body, None).sequence >= newest:
                return
        except RefusedError:
            continue
