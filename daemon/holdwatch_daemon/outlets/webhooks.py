"""The way out over HTTP: chosen events, signed, in order, again until the receiver has them."""

from __future__ import annotations

import asyncio
import base64
import binascii
import hashlib
import hmac
import logging
import time
from contextlib import aclosing
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import httpx

from holdwatch_adapters.backoff import Backoff
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.store import answers, rows

if TYPE_CHECKING:
    from pathlib import Path
    from random import Random

    from holdwatch_daemon.messages import Event
    from holdwatch_daemon.settings.shop import ShopConfig, WebhookConfig
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.queries import Queries

log = logging.getLogger(__name__)

CONTENT_TYPE: Final = "application/cloudevents+json; charset=utf-8"
"""Structured content mode of the CloudEvents 1.0 HTTP protocol binding."""
_SHORTEST_SECRET = 16
_TIMEOUT_S = 15.0
GIVE_UP_S: Final = 3 * 86_400.0
"""After so long one event is passed over, so that those after it are not lost too, real s."""


@dataclass(slots=True)
class WebhookState:
    """What a webhook says of itself."""

    url: str
    state: Literal["waiting", "refused", "stopped"] = "waiting"
    error: str | None = None
    delivered: int = 0
    given_up: int = 0


def read_secret(path: Path) -> bytes:
    """Return the key in a secret file; one that begins with ``whsec_`` is base64.

    Raises:
        ConfigError: The file cannot be read, or its secret is too short or no base64.
    """
    try:
        text = path.read_text(encoding="utf-8").strip()
        head, prefix, rest = text.rpartition("whsec_")
        secret = base64.b64decode(rest, validate=True) if prefix and not head else text.encode()
    except (OSError, UnicodeDecodeError, binascii.Error) as error:
        raise ConfigError(
            [f"[[webhook]]: the secret file {path} cannot be used: {error}"]
        ) from error
    if len(secret) < _SHORTEST_SECRET:
        told = f"[[webhook]]: the secret in {path} is shorter than {_SHORTEST_SECRET} characters; "
        raise ConfigError([told + "make one with `openssl rand -hex 32`."])
    return secret


def signature(secret: bytes, event_id: str, timestamp: int, body: bytes) -> str:
    """Return the header that proves who sent a message, and when.

    Source: the signature scheme v1 of Standard Webhooks 1.0.0: HMAC-SHA256 (RFC 2104) over id,
    timestamp and body, parted by full stops, in base64.

    >>> signature(b"a key of the county library", "e-1", 1790000000, b"{}")
    'v1,CFwJ0jL21hFHHlGaOustbwLiZmiSmDM5YUxZqvlfZvc='
    """
    content = f"{event_id}.{timestamp}.".encode() + body
    digest = hmac.new(secret, content, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


async def open_webhooks(
    shop: ShopConfig, events: EventLog, queries: Queries, random: Random
) -> list[Webhook]:
    """Return the configured webhooks, each ready to run.

    Raises:
        ConfigError: A secret cannot be used.
    """
    opened = []
    for config in shop.webhook:
        secret = await asyncio.to_thread(read_secret, config.secret_file)
        webhook = Webhook(config, secret, events, queries, random)
        await webhook.prepare()
        opened.append(webhook)
    return opened


class Webhook:
    """Sends what one receiver wants, for as long as it runs, whatever the receiver does.

    Events are taken from the log after the last one that the receiver has confirmed (by any
    answer of 200 to 299), one by one, each tried again with growing pauses. The position is in
    the store, so that a restart neither loses one nor, unless the process was killed between
    the answer and the writing of it, sends one twice. A receiver that is new gets what happens
    from now on. Redirections are not followed: they would carry events elsewhere.

    Args:
        config: The receiver.
        secret: The key that signs.
        events: The log to follow.
        queries: Where the position is read.
        random: For the jitter of pauses.
    """

    def __init__(
        self,
        config: WebhookConfig,
        secret: bytes,
        events: EventLog,
        queries: Queries,
        random: Random,
    ) -> None:
        self.status = WebhookState(config.url)
        self._config = config
        self._secret = secret
        self._events = events
        self._queries = queries
        self._random = random
        self._key = f"webhook {config.url}"
        self._position = 0

    async def prepare(self) -> None:
        """Find the position to send from; a new receiver's is the present one."""
        position = await self._queries.ask(lambda c: answers.outbox_position(c, self._key))
        if position is None:
            position = self._events.newest
            await self._note(position)
        self._position = position

    async def run(self) -> None:
        """Send until cancelled or until the log ends."""
        try:
            async with (
                httpx.AsyncClient(timeout=_TIMEOUT_S, follow_redirects=False) as client,
                aclosing(self._events.subscribe(self._position)) as events,
            ):
                async for event in events:
                    if self._config.wants(event.type):
                        await self._deliver(client, event)
                        await self._note(event.sequence)
        finally:
            self.status.state = "stopped"

    async def _note(self, sequence: int) -> None:
        await self._events.transact(
            lambda telling: rows.put_outbox_position(telling.connection, self._key, sequence)
        )

    async def _deliver(self, client: httpx.AsyncClient, event: Event) -> None:
        """Send one event until it is taken, or given up."""
        began, failures, backoff = time.monotonic(), 0, Backoff(self._random)
        while True:
            reason = await self._send(client, event)
            if reason is None:
                if failures:
                    log.info("webhook %s answers again", self.status.url)
                self.status.state, self.status.error = "waiting", None
                self.status.delivered += 1
                return
            failures += 1
            self.status.state, self.status.error = "refused", reason
            if failures == 1:
                log.warning("webhook %s: %s; events wait in the store", self.status.url, reason)
            if time.monotonic() - began > GIVE_UP_S:
                log.error("webhook %s: event %s is given up", self.status.url, event.id)
                self.status.given_up += 1
                return
            await asyncio.sleep(backoff.next_s())

    async def _send(self, client: httpx.AsyncClient, event: Event) -> str | None:
        """Send one event once; return why it was not taken, or None."""
        body = event.model_dump_json(exclude_none=True).encode()
        timestamp = int(time.time())  # the receiver's clock is a true one, also in a simulation
        headers = {
            "content-type": CONTENT_TYPE,
            "webhook-id": event.id,
            "webhook-timestamp": str(timestamp),
            "webhook-signature": signature(self._secret, event.id, timestamp, body),
        }
        url = self._config.url
        try:
            async with client.stream("POST", url, content=body, headers=headers) as answer:
                # The answer's body is not read: it may be large or never end.
                return None if answer.is_success else f"it answers {answer.status_code}"
        except (httpx.HTTPError, httpx.InvalidURL) as error:
            return str(error) or type(error).__name__
