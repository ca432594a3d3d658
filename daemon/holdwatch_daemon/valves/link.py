"""The way to relays over MQTT: commands out at once or not at all, states in as they come."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

import aiomqtt

from holdwatch_adapters.mqtt_session import connected, stay_connected

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from random import Random

    from holdwatch_adapters.mqtt_session import Client
    from holdwatch_adapters.settings import Broker

log = logging.getLogger(__name__)

_TIMEOUT_S = 5.0
_KEEPALIVE_S = 5
"""A broker that is gone is noticed within about one and a half times this, s."""


class State(NamedTuple):
    """A relay's state message."""

    topic: str
    payload: str
    retained: bool


class RelayLink:
    """One connection for the relays of all bays.

    A command that cannot be sent now is dropped, never kept: one that comes minutes late would
    open a valve that nobody watches any more. Whoever commands repeats what must still be so,
    once ``up`` is told.

    Args:
        to: The broker.
        client_id: The name of this connection there.
        topics: Where relays say their states.
        hear: Takes a state message.
        turn: Takes whether the broker can be reached, on each change.
        random: For the jitter of pauses.
    """

    def __init__(
        self,
        to: Broker,
        client_id: str,
        topics: Collection[str],
        hear: Callable[[State], None],
        turn: Callable[[bool], None],
        random: Random,
    ) -> None:
        self._to = to
        self._client_id = client_id
        self._topics = frozenset(topics)
        self._hear = hear
        self._turn = turn
        self._random = random
        self._out: deque[tuple[str, str]] = deque()
        self._news = asyncio.Event()
        self._up = False

    def send(self, topic: str, payload: str) -> None:
        """Send a command, in the order of calls; it is dropped while the broker is away."""
        if not self._up:
            return
        self._out.append((topic, payload))
        self._news.set()

    async def run(self) -> None:
        """Keep the connection until cancelled."""
        await stay_connected(
            lambda: connected(
                self._to,
                client_id=self._client_id,
                keepalive_s=_KEEPALIVE_S,
                patience_s=_TIMEOUT_S,
            ),
            self._serve,
            lambda reason: log.warning("relays: broker %s: %s", self._to, reason),
            self._random,
        )

    async def _serve(self, client: Client, stands: Callable[[], None]) -> None:
        """Subscribe, then carry states in and commands out until the connection breaks."""
        async with asyncio.timeout(_TIMEOUT_S):
            for topic in sorted(self._topics):
                await client.subscribe(topic, qos=1)
        stands()
        log.info("relays: broker %s connected", self._to)
        self._out.clear()
        self._up = True
        try:
            self._turn(True)
            async with asyncio.TaskGroup() as group:
                group.create_task(self._listen(client))
                group.create_task(self._speak(client))
        finally:
            self._go_down()

    def _go_down(self) -> None:
        was, self._up = self._up, False
        self._out.clear()
        if was:
            self._turn(False)

    async def _listen(self, client: Client) -> None:
        async for message in client.messages:
            topic = message.topic.value
            if topic not in self._topics:  # the embedded broker hands out what nobody asked for
                continue
            raw = message.payload
            payload = bytes(raw).decode(errors="replace") if isinstance(raw, bytes) else str(raw)
            self._hear(State(topic, payload, bool(message.retain)))
        raise aiomqtt.MqttError("the connection ended")

    async def _speak(self, client: Client) -> None:
        while True:
            self._news.clear()
            while self._out:
                topic, payload = self._out.popleft()
                async with asyncio.timeout(_TIMEOUT_S):
                    await client.publish(topic, payload, qos=1, retain=False)
            await self._news.wait()
