"""The way to relays over MQTT: commands out at once or not at all, states in as they come."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

import aiomqtt

from holdwatch_adapters.backoff import Backoff
from holdwatch_daemon.outlets.mqtt_client import client_to, disconnect, first_text

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from random import Random

    from holdwatch_daemon.outlets.destination import Destination

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
        topics: Where relays say their states.
        hear: Takes a state message.
        turn: Takes whether the broker can be reached, on each change.
        random: For the jitter of pauses.
    """

    def __init__(
        self,
        to: Destination,
        topics: Collection[str],
        hear: Callable[[State], None],
        turn: Callable[[bool], None],
        random: Random,
    ) -> None:
        self._to = to
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
        backoff = Backoff(self._random)
        while True:
            was_up = False
            try:
                was_up, reason = await self._run_once()
            except Exception as error:  # holds must go on whatever is wrong with the way to relays
                log.exception("the way to the relays broke")
                reason = str(error)
            if was_up:
                backoff.reset()
            log.warning("relays: broker %s:%d: %s", self._to.host, self._to.port, reason)
            await asyncio.sleep(backoff.next_s())

    async def _run_once(self) -> tuple[bool, str]:
        """Connect and serve until the connection breaks; return whether it stood, and why."""
        client = client_to(self._to, keepalive_s=_KEEPALIVE_S)
        stood, reason = False, "the connection ended"
        try:
            async with asyncio.timeout(_TIMEOUT_S):
                await client.__aenter__()
                for topic in sorted(self._topics):
                    await client.subscribe(topic, qos=1)
            stood = True
            log.info("relays: broker %s:%d connected", self._to.host, self._to.port)
            await self._serve(client)
        except* (aiomqtt.MqttError, OSError) as group:
            reason = first_text(group)
        finally:
            self._go_down()
            await disconnect(client)
        return stood, reason

    async def _serve(self, client: aiomqtt.Client) -> None:
        self._out.clear()
        self._up = True
        self._turn(True)
        async with asyncio.TaskGroup() as group:
            group.create_task(self._listen(client))
            group.create_task(self._speak(client))

    def _go_down(self) -> None:
        was, self._up = self._up, False
        self._out.clear()
        if was:
            self._turn(False)

    async def _listen(self, client: aiomqtt.Client) -> None:
        async for message in client.messages:
            topic = message.topic.value
            if topic not in self._topics:  # the embedded broker hands out what nobody asked for
                continue
            raw = message.payload
            payload = bytes(raw).decode(errors="replace") if isinstance(raw, bytes) else str(raw)
            self._hear(State(topic, payload, bool(message.retain)))
        raise aiomqtt.MqttError("the connection ended")

    async def _speak(self, client: aiomqtt.Client) -> None:
        while True:
            self._news.clear()
            while self._out:
                topic, payload = self._out.popleft()
                async with asyncio.timeout(_TIMEOUT_S):
                    await client.publish(topic, payload, qos=1, retain=False)
            await self._news.wait()
