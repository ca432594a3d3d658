"""The consumer: events and live values of all shops from a broker into PostgreSQL."""

from __future__ import annotations

import contextlib
import logging
import ssl
import time
from collections import deque
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import psycopg
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from holdwatch_daemon.settings import is_loopback
from holdwatch_fleet.base import Base, Batch
from holdwatch_fleet.errors import FleetError
from holdwatch_fleet.message import Refused, RefusedError, read_event, read_live

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdwatch_adapters.settings import Broker
    from holdwatch_fleet.message import Topics

__all__ = ["Lander", "Share", "log"]

log = logging.getLogger(__name__)

_MOST_TOGETHER = 500
"""Events that the broker hands out before it waits for confirmations, and that land together."""
_MOST_LIVE = 5_000
"""Live messages that wait for the database; older ones are dropped, newer ones will come."""
_GATHER_S = 0.2
"""Time that is spent on gathering a batch, s."""
_SESSION_S = 7 * 86_400
"""How long the broker keeps what this consumer has not confirmed, while it is away, s."""
_PAUSES_S = (0.5, 1.0, 2.0, 5.0, 10.0)


@dataclass(frozen=True, slots=True)
class Share:
    """This consumer's part of the work.

    Attributes:
        name: Its own name; what it did not confirm waits for it under this name.
        group: The consumers that share the live values among them.
        live_s: One live value a role is landed in so many seconds; 0 lands none.
    """

    name: str
    group: str
    live_s: int


class Lander:
    """Lands what a broker hands out, and confirms it only once the database has it.

    MQTT 5 with a session that outlives the connection. The client library confirms a message
    only when told to: a process that is killed between receiving and committing is handed the
    message again, one that is killed between committing and confirming too, and the second
    landing changes nothing. All in one thread: messages are read from the network, landed and
    confirmed in turn, and the broker is asked to hand out no more than 500 ahead.

    Every consumer is handed every event, and the database takes the first. To share the events
    would lose some: Mosquitto does not write shared subscriptions down, so after its restart it
    confirms to the shops, and drops, what comes before the first consumer is back. Live values
    are shared; they go by QoS 0.

    Args:
        to: The broker and how to log in there.
        topics: The shops' topics.
        share: This consumer's part.
        dsn: The database.
        stopping: Says when to end.
    """

    def __init__(
        self,
        to: Broker,
        topics: Topics,
        share: Share,
        dsn: str,
        stopping: Callable[[], bool],
    ) -> None:
        self.landed = 0
        self._to = to
        self._topics = topics
        self._share = share
        self._dsn = dsn
        self._stopping = stopping
        self._base: Base | None = None
        self._events: list[MQTTMessage] = []
        self._live: deque[MQTTMessage] = deque(maxlen=_MOST_LIVE)
        self._taken: dict[str, float] = {}
        self._since = 0.0
        self._failures = 0
        self._not_before = 0.0
        self._fatal: str | None = None
        self._client = self._made()
        if not is_loopback(to.host) and not to.tls:
            log.warning("MQTT to %s is not encrypted; use --tls", to.host)

    def run(self) -> None:
        """Land until stopped; what has come by then is landed.

        Raises:
            FleetError: The broker refuses the login or the subscription.
        """
        try:
            while not self._stopping():
                self._connect()
                while self._fatal is None and not self._stopping():
                    if self._client.loop(self._patience_s()) != MQTTErrorCode.MQTT_ERR_SUCCESS:
                        break
                    if self._is_time_to_land():
                        self._land()
                if self._fatal is not None:
                    raise FleetError(self._fatal)
            self._land()
        finally:
            self._leave()

    # -- the broker -------------------------------------------------------------------------

    def _made(self) -> Client:
        to = self._to
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"holdwatch-land-{self._share.name}",
            protocol=MQTTProtocolVersion.MQTTv5,
            manual_ack=True,
        )
        if to.username is not None:
            client.username_pw_set(to.username, to.password)
        if to.tls:
            client.tls_set_context(ssl.create_default_context(cafile=to.ca_file))
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _connect(self) -> None:
        """Connect, however often it takes."""
        wanted = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]  # paho's
        wanted.SessionExpiryInterval = _SESSION_S
        wanted.ReceiveMaximum = _MOST_TOGETHER
        failures = 0
        while not self._stopping():
            try:
                self._client.connect(
                    self._to.host, self._to.port, keepalive=60, clean_start=False, properties=wanted
                )
            except OSError as error:
                if failures == 0:
                    where = f"{self._to.host}:{self._to.port}"
                    log.warning("MQTT broker %s: %s; tried again", where, error)
                _wait(_PAUSES_S[min(failures, len(_PAUSES_S) - 1)], self._stopping)
                failures += 1
            else:
                return

    def _on_connect(self, client: Client, _user: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self._fatal = f"the broker {self._to.host}:{self._to.port} refuses: {reason}"
            return
        log.info("MQTT broker %s:%d connected", self._to.host, self._to.port)
        wanted = [(self._topics.events, 1)]
        if self._share.live_s > 0:
            wanted.append((f"$share/{self._share.group}/{self._topics.live}", 0))
        client.subscribe(wanted)
        # A session that an older version began would be handed every event twice.
        client.unsubscribe(f"$share/{self._share.group}/{self._topics.events}")

    def _on_subscribe(self, _client: Client, _user: Any, _mid: int, codes: Any, _more: Any) -> None:
        refused = [str(code) for code in codes if code.is_failure]
        if not refused:
            log.info("subscribed to %s", self._topics.events)
        else:
            self._fatal = (
                f"the broker refuses the subscription to {self._topics.events}: "
                f"{', '.join(refused)}; does its access list let this user read there?"
            )

    def _on_disconnect(
        self, _client: Client, _user: Any, _flags: Any, reason: Any, _more: Any
    ) -> None:
        if not self._stopping():
            log.warning("MQTT broker %s:%d is lost: %s", self._to.host, self._to.port, reason)
        # Not confirmed, so they come again; their numbers mean nothing on another connection.
        self._events.clear()

    def _on_message(self, _client: Client, _user: Any, message: MQTTMessage) -> None:
        if not self._events and not self._live:
            self._since = time.monotonic()
        if message.qos > 0:
            self._events.append(message)
        elif self._is_due(message.topic):
            self._live.append(message)

    def _is_due(self, topic: str) -> bool:
        """Whether a bay's live values are looked at again; in between they need not be read."""
        now = time.monotonic()
        if now - self._taken.get(topic, -1e9) < self._share.live_s / 2:
            return False
        self._taken[topic] = now
        return True

    def _leave(self) -> None:
        """Say goodbye; the session stays for its time."""
        self._client.disconnect()
        with contextlib.suppress(OSError, ValueError):
            self._client.loop(0.1)
        if self._base is not None:
            self._base.close()

    # -- the database -----------------------------------------------------------------------

    def _patience_s(self) -> float:
        return 0.02 if self._events or self._live else 0.5

    def _is_time_to_land(self) -> bool:
        if not self._events and not self._live:
            return False
        now = time.monotonic()
        full = len(self._events) >= _MOST_TOGETHER
        return now >= self._not_before and (full or now - self._since >= _GATHER_S)

    def _land(self) -> None:
        """Land what has been gathered and confirm it; where that fails, it stays gathered."""
        if not self._events and not self._live:
            return
        batch = Batch("mqtt")
        for message in self._events:
            self._take_event(message, batch)
        for message in self._live:
            self._take_live(message, batch)
        try:
            if self._base is None:
                self._base = Base(self._dsn)
                self._base.check()
            self.landed += self._base.land(batch)
        except psycopg.OperationalError as error:
            self._database_failed(error)
            return
        if self._failures:
            log.info("the database takes rows again")
        self._failures = 0
        for message in self._events:
            self._client.ack(message.mid, message.qos)
        self._events.clear()
        self._live.clear()

    def _database_failed(self, error: Exception) -> None:
        if self._failures == 0:
            why = " ".join(str(error).split())
            log.warning("the database refuses: %s; the broker keeps what comes", why)
        pause_s = _PAUSES_S[min(self._failures, len(_PAUSES_S) - 1)]
        self._failures += 1
        self._not_before = time.monotonic() + pause_s
        if self._base is not None:
            self._base.close()
            self._base = None

    def _take_event(self, message: MQTTMessage, batch: Batch) -> None:
        try:
            site = self._topics.site_of_event(message.topic)
            batch.events.append(read_event(bytes(message.payload), site or ""))
        except RefusedError as error:
            log.warning("an event on %s cannot be landed: %s", message.topic, error)
            batch.refused.append(Refused(message.topic, str(error), bytes(message.payload)))

    def _take_live(self, message: MQTTMessage, batch: Batch) -> None:
        site = self._topics.site_of_live(message.topic)
        if site is None:
            return
        try:
            now = datetime.now(UTC)
            batch.readings += read_live(bytes(message.payload), site, self._share.live_s, now)
        except RefusedError as error:
            log.warning("live values on %s cannot be landed: %s", message.topic, error)


def _wait(seconds: float, stopping: Callable[[], bool]) -> None:
    until = time.monotonic() + seconds
    while not stopping() and time.monotonic() < until:
        time.sleep(0.1)
