"""Simulated relays of a valve and a pump: they obey, lag, fall silent, stick or lie."""

from __future__ import annotations

import asyncio
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import aiomqtt

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Sequence

__all__ = ["Behaviour", "Relay", "SimulatedRelays", "Sleeper"]


@dataclass(slots=True)
class Behaviour:
    """How a relay behaves; may be changed while it runs.

    Attributes:
        lag_s: How long it takes to obey, s.
        acts: Whether what it switches really moves; a stuck valve does not.
        answers: Whether it says its state after a command.
        hears: Whether it takes commands at all; one without power does not.
    """

    lag_s: float = 0.0
    acts: bool = True
    answers: bool = True
    hears: bool = True


@dataclass(slots=True)
class Relay:
    """One relay.

    Attributes:
        command: Topic of its commands.
        state: Topic of its states.
        act: Moves what it switches.
        on: Payload that switches on, and says so.
        off: Payload that switches off, and says so.
        retains: Whether its states are retained.
        behaviour: How it behaves.
        is_on: What it says of itself.
        taken: Payloads of the commands that it took.
    """

    command: str
    state: str
    act: Callable[[bool], None]
    on: str = "on"
    off: str = "off"
    retains: bool = True
    behaviour: Behaviour = field(default_factory=Behaviour)
    is_on: bool = False
    taken: list[str] = field(default_factory=list)


class Sleeper(Protocol):
    """What waits in the simulation's own time."""

    def __call__(self, seconds: float, /) -> Awaitable[None]:
        """Wait."""
        ...


class SimulatedRelays:
    """Relays on one connection to a broker; comes back by itself when the broker was away.

    Each says how it stands as it comes, since a command from before has not reached it.

    Args:
        host: The broker.
        port: Its TCP port.
        relays: The relays.
        sleep: Waits in the simulation's time.
    """

    def __init__(
        self, host: str, port: int, relays: Sequence[Relay], sleep: Sleeper = asyncio.sleep
    ) -> None:
        self._address = (host, port)
        self._relays = {relay.command: relay for relay in relays}
        self._sleep = sleep
        self._client: aiomqtt.Client | None = None
        self.connected = asyncio.Event()

    def of(self, command: str) -> Relay:
        """Return the relay that listens to a topic."""
        return self._relays[command]

    async def run(self) -> None:
        """Obey until cancelled."""
        while True:
            try:
                await self._serve()
            except (aiomqtt.MqttError, OSError):
                self._client = None
                self.connected.clear()
                await asyncio.sleep(0.1)

    async def switch_by_hand(self, relay: Relay, *, on: bool) -> None:
        """Switch a relay as a person at it would; it says so."""
        relay.is_on = on
        relay.act(on)
        await self._say(relay)

    async def _serve(self) -> None:
        host, port = self._address
        # With a limit of its own the client rests on `asyncio.wait_for`, which in Python 3.11
        # swallows a cancellation that meets the result: the relays would then never end.
        async with aiomqtt.Client(host, port, keepalive=5, timeout=math.inf) as client:
            for topic in self._relays:
                await client.subscribe(topic, qos=1)
            self._client = client
            for each in self._relays.values():
                if each.behaviour.answers:
                    await self._say(each)
            self.connected.set()
            async for message in client.messages:
                relay = self._relays.get(message.topic.value)
                if relay is not None and isinstance(message.payload, bytes):
                    await self._obey(relay, message.payload.decode())

    async def _obey(self, relay: Relay, payload: str) -> None:
        behaviour = relay.behaviour
        if not behaviour.hears or payload not in {relay.on, relay.off}:
            return
        relay.taken.append(payload)
        if behaviour.lag_s > 0.0:
            await self._sleep(behaviour.lag_s)
        relay.is_on = payload == relay.on
        if behaviour.acts:
            relay.act(relay.is_on)
        if behaviour.answers:
            await self._say(relay)

    async def _say(self, relay: Relay) -> None:
        if self._client is not None:
            payload = relay.on if relay.is_on else relay.off
            await self._client.publish(relay.state, payload, qos=1, retain=relay.retains)
