"""MQTT topics as probes: a plain number, or a number somewhere in a JSON document.

Through aiomqtt. One adapter owns one connection to one broker. Retained messages are passed
over, since nobody knows how old they are; quality of service 0 and a clean session keep a
broker from handing over old ones after an absence.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import math
import re
from functools import cached_property
from typing import TYPE_CHECKING, Annotated, Final, Literal, NoReturn

import aiomqtt
from pydantic import AfterValidator, Field

from holdwatch_adapters.decoding import PayloadError, plain_number
from holdwatch_adapters.mqtt_session import connected, first_text
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.settings import Broker, BrokerSettings, DeclaredValue, ProbeSettings
from holdwatch_adapters.stream import ItemQueue, Items, Presence, Reporter, streamed, within

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence

    from holdwatch_adapters.ports import Adapter, Clock, Surroundings
    from holdwatch_physics.reading import ProbeNotice, Reading

__all__ = [
    "MqttAdapter",
    "MqttProbeSettings",
    "Path",
    "TopicSettings",
    "log",
    "number_in",
    "open_mqtt",
    "parse_path",
]

log = logging.getLogger(__name__)

_LONGEST: Final = 65_536
_FIRST_STEP: Final = re.compile(r"([^.\[\]\s]+)|\[(\d{1,6})\]", re.ASCII)
_STEP: Final = re.compile(r"\.([^.\[\]\s]+)|\[(\d{1,6})\]", re.ASCII)

Path = tuple[str | int, ...]


def parse_path(text: str) -> Path:
    """Return the steps of a path such as ``sensors[0].pressure``; ``""`` is the document.

    Raises:
        ValueError: The text is no such path.

    >>> parse_path("sensors[0].pressure")
    ('sensors', 0, 'pressure')
    """
    steps: list[str | int] = []
    at = 0
    while at < len(text):
        step = (_STEP if at else _FIRST_STEP).match(text, at)
        if step is None:
            raise ValueError(
                f"{text!r} is no path: write names and list places, for example sensors[0].pressure"
            )
        steps.append(step[1] if step[1] is not None else int(step[2]))
        at = step.end()
    return tuple(steps)


def number_in(payload: bytes, path: Path | None) -> float:
    """Return the number in a message.

    Args:
        payload: The message.
        path: Where it stands in a JSON document; None for a message that is the number.

    Raises:
        PayloadError: There is none.

    >>> number_in(b'{"sensors": [{"pressure": "101.3"}]}', ("sensors", 0, "pressure"))
    101.3
    """
    if len(payload) > _LONGEST:
        raise PayloadError(f"a message of {len(payload)} bytes is too long")
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        raise PayloadError(f"the message is no text ({payload[:20].hex()})") from None
    if path is None:
        return plain_number(text)
    try:
        found = json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise PayloadError(f"the message is no JSON: {error}") from None
    for step in path:
        found = _step(found, step)
    if isinstance(found, str):
        return plain_number(found)
    if isinstance(found, bool) or not isinstance(found, int | float):
        shown = json.dumps(found)[:40]
        raise PayloadError(f"at {_shown(path)} the message holds {shown}, no number")
    try:
        number = float(found)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PayloadError(f"at {_shown(path)} the number is too large")
    return number


def _no_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _step(found: object, step: str | int) -> object:
    if isinstance(step, str) and isinstance(found, dict) and step in found:
        return found[step]
    if isinstance(step, int) and isinstance(found, list) and step < len(found):
        return found[step]
    here = f"[{step}]" if isinstance(step, int) else repr(step)
    raise PayloadError(f"the message has no {here} where its declared path says")


def _shown(path: Path) -> str:
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return text.removeprefix(".") or "the top"


def _json_path(text: str) -> str:
    parse_path(text)
    return text


class TopicSettings(DeclaredValue):
    """One value on an MQTT topic: a plain number, or with ``path`` one in a JSON document."""

    topic: str = Field(pattern=r"^[^#+\x00]+$", max_length=1024)
    path: Annotated[str, AfterValidator(_json_path)] | None = None

    @cached_property
    def steps(self) -> Path | None:
        """Where the number stands in a JSON document; None for a plain number."""
        return None if self.path is None else parse_path(self.path)


class MqttProbeSettings(ProbeSettings):
    """A probe that publishes to a broker; left out, the broker is the one of ``[mqtt]``."""

    kind: Literal["mqtt"] = "mqtt"
    broker: BrokerSettings | None = None
    topic: tuple[TopicSettings, ...] = ()

    @property
    def needs_shop_broker(self) -> bool:
        """Whether it has no broker of its own."""
        return self.broker is None

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        """The values on its topics."""
        return self.topic

    def check_kind(self) -> None:
        """Refuse a probe without a topic."""
        if not self.topic:
            raise ValueError("a mqtt probe needs at least one [[probe.topic]]")


def open_mqtt(probes: Sequence[MqttProbeSettings], surroundings: Surroundings) -> list[Adapter]:
    """Return one adapter for each broker.

    Raises:
        SettingsError: A file that holds a password or certificates cannot be read.
    """
    shops = surroundings.table(BrokerSettings)
    shared: dict[Broker, list[MqttProbeSettings]] = {}
    for probe in probes:
        own = probe.broker or shops
        assert own is not None  # noqa: S101 - the configuration's own check
        where = "[mqtt]" if probe.broker is None else f"`probe.{probe.name}.broker`"
        shared.setdefault(own.broker(where), []).append(probe)
    return [MqttAdapter(broker, those, surroundings.clock) for broker, those in shared.items()]


class MqttAdapter:
    """The probes behind one broker as one stream of readings.

    Args:
        broker: Where to connect.
        probes: What is read there.
        clock: Stamps the readings at their arrival.
        patience_s: For connecting and subscribing, s.
    """

    def __init__(
        self,
        broker: Broker,
        probes: Sequence[MqttProbeSettings],
        clock: Clock,
        *,
        patience_s: float = 10.0,
    ) -> None:
        self._broker = broker
        self._probes = tuple(probes)
        self._clock = clock
        self._patience_s = patience_s

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return f"mqtt {self._broker}"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as messages arrive.

        Raises:
            AdapterError: The broker cannot be reached, refuses, or was lost.
        """
        async with contextlib.aclosing(streamed(self._run, self.name)) as stream:
            async for item in stream:
                yield item

    async def _run(self, queue: ItemQueue) -> None:
        failed: AdapterError | None = None  # raised outside `except*`, which would wrap it
        try:
            await self._connected(queue)
        except* (aiomqtt.MqttError, OSError) as group:
            failed = AdapterError(
                f"mqtt: the broker {self._broker} cannot be used ({first_text(group)}): is it "
                "running, and are address and login right?"
            )
        if failed is not None:
            raise failed

    async def _connected(self, queue: ItemQueue) -> None:
        loop = asyncio.get_running_loop()
        async with connected(self._broker, patience_s=self._patience_s) as client:
            subscribers = [_Subscriber(probe, self._clock, loop.time()) for probe in self._probes]
            for topic in sorted({t.topic for probe in self._probes for t in probe.topic}):
                granted = await within(self._patience_s, client.subscribe(topic, qos=0))
                if any(_is_refused(code) for code in granted):
                    raise AdapterError(
                        f"mqtt: {self._broker} does not let us read the topic {topic!r}"
                    )
            async with asyncio.TaskGroup() as group:
                group.create_task(_listen(client, subscribers, queue))
                group.create_task(_watch(subscribers, queue))


def _is_refused(code: object) -> bool:
    """Return whether a broker refused a subscription: a code of MQTT 3.1.1, or of 5."""
    return code >= 0x80 if isinstance(code, int) else bool(getattr(code, "is_failure", False))


class _Subscriber:
    """Takes the messages of one probe."""

    def __init__(self, probe: MqttProbeSettings, clock: Clock, now_s: float) -> None:
        self._probe = probe
        self._reporter = Reporter(probe.name, clock)
        self.presence = Presence(self._reporter, "mqtt", probe.stale_after_s, now_s)

    def hear(self, topic: str, payload: bytes, now_s: float) -> list[Reading | ProbeNotice]:
        """Return what one message says of this probe."""
        items: list[Reading | ProbeNotice] = []
        for one in self._probe.topic:
            if one.topic == topic:
                items += self._value(one, payload, now_s)
        return items

    def _value(self, one: TopicSettings, payload: bytes, now_s: float) -> Items:
        source = f"{one.topic} {one.channel}"
        try:
            value_si = one.to_si(number_in(payload, one.steps))
        except PayloadError as error:
            return self._reporter.complain("malformed", source, f"topic {one.topic}: {error}")
        self._reporter.is_well("malformed", source)
        reading = self._reporter.reading(one.channel, one.quantity, value_si)
        return (*self.presence.heard(now_s), reading)


async def _listen(
    client: aiomqtt.Client, subscribers: Sequence[_Subscriber], queue: ItemQueue
) -> None:
    loop = asyncio.get_running_loop()
    async for message in client.messages:
        if message.retain:
            continue
        payload = message.payload
        data = payload if isinstance(payload, bytes) else str(payload or "").encode()
        for one in subscribers:
            for item in one.hear(message.topic.value, data, loop.time()):
                queue.put(item)


async def _watch(subscribers: Sequence[_Subscriber], queue: ItemQueue) -> NoReturn:
    """Tell of probes that fall silent."""
    loop = asyncio.get_running_loop()
    while True:
        await asyncio.sleep(0.25)
        for one in subscribers:
            for item in one.presence.check(loop.time()):
                queue.put(item)
