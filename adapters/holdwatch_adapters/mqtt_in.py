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
import ssl
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, NoReturn

import aiomqtt

from holdwatch_adapters.links import Outlet, streamed, within
from holdwatch_adapters.numbers import plain_number
from holdwatch_adapters.payload import PayloadError
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.telling import Presence, Teller, Told

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence

    from holdwatch_adapters.layout import Scale
    from holdwatch_adapters.ports import Clock
    from holdwatch_physics.reading import ProbeNotice, Reading

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


@dataclass(frozen=True, slots=True)
class Topic:
    """One value on one topic.

    Attributes:
        topic: The topic, without wildcards.
        scale: Channel, unit and factor.
        path: Where the number stands in a JSON document; None for a plain number.
    """

    topic: str
    scale: Scale
    path: Path | None = None


@dataclass(frozen=True, slots=True)
class MqttProbe:
    """One device behind a broker.

    Attributes:
        name: The name in this shop.
        topics: What it publishes.
        silence_s: No value for this long means that it is lost.
    """

    name: str
    topics: tuple[Topic, ...]
    silence_s: float = 15.0


@dataclass(frozen=True, slots=True)
class Broker:
    """The broker that devices publish to."""

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


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
        probes: Sequence[MqttProbe],
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

    async def _run(self, outlet: Outlet) -> None:
        failed: AdapterError | None = None  # raised outside `except*`, which would wrap it
        try:
            await self._connected(outlet)
        except* (aiomqtt.MqttError, OSError, TimeoutError) as group:
            error: BaseException = group
            while isinstance(error, BaseExceptionGroup):
                error = error.exceptions[0]
            failed = AdapterError(
                f"mqtt: the broker {self._broker} cannot be used ({error}): is it running, and "
                "are address and login right?"
            )
        if failed is not None:
            raise failed

    async def _connected(self, outlet: Outlet) -> None:
        to = self._broker
        client = aiomqtt.Client(
            to.host,
            to.port,
            username=to.username,
            password=to.password,
            clean_session=True,
            # Its own limits rest on asyncio.wait_for, which in Python 3.11 may swallow a
            # cancellation; ``within`` does not.
            timeout=math.inf,
            keepalive=30,
            tls_context=ssl.create_default_context(cafile=to.ca_file) if to.tls else None,
            # What it has to say of broken connections is said once, in a sentence.
            logger=logging.Logger("mqtt", logging.CRITICAL),  # noqa: LOG001 - heard by nobody
        )
        try:
            await within(self._patience_s, client.__aenter__())
            loop = asyncio.get_running_loop()
            ears = [_Ear(probe, self._clock, loop.time()) for probe in self._probes]
            for topic in sorted({t.topic for probe in self._probes for t in probe.topics}):
                granted = await within(self._patience_s, client.subscribe(topic, qos=0))
                if any(_is_refused(code) for code in granted):
                    raise AdapterError(f"mqtt: {to} does not let us read the topic {topic!r}")
            async with asyncio.TaskGroup() as group:
                group.create_task(_listen(client, ears, outlet))
                group.create_task(_watch(ears, outlet))
        finally:
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError, RuntimeError):
                await within(2.0, client.__aexit__(None, None, None))


def _is_refused(code: object) -> bool:
    """Return whether a broker refused a subscription: a code of MQTT 3.1.1, or of 5."""
    return code >= 0x80 if isinstance(code, int) else bool(getattr(code, "is_failure", False))


class _Ear:
    """Hears one probe."""

    def __init__(self, probe: MqttProbe, clock: Clock, now_s: float) -> None:
        self._probe = probe
        self._teller = Teller(probe.name, clock)
        self.presence = Presence(self._teller, "mqtt", probe.silence_s, now_s)

    def hear(self, topic: str, payload: bytes, now_s: float) -> list[Reading | ProbeNotice]:
        """Return what one message says of this probe."""
        told: list[Reading | ProbeNotice] = []
        for one in self._probe.topics:
            if one.topic == topic:
                told += self._value(one, payload, now_s)
        return told

    def _value(self, one: Topic, payload: bytes, now_s: float) -> Told:
        source = f"{one.topic} {one.scale.channel}"
        try:
            value_si = one.scale.to_si(number_in(payload, one.path))
        except PayloadError as error:
            return self._teller.complain("malformed", source, f"topic {one.topic}: {error}")
        self._teller.is_well("malformed", source)
        reading = self._teller.reading(one.scale.channel, one.scale.quantity, value_si)
        return (*self.presence.heard(now_s), reading)


async def _listen(client: aiomqtt.Client, ears: Sequence[_Ear], outlet: Outlet) -> None:
    loop = asyncio.get_running_loop()
    async for message in client.messages:
        if message.retain:
            continue
        payload = message.payload
        data = payload if isinstance(payload, bytes) else str(payload or "").encode()
        for ear in ears:
            for item in ear.hear(message.topic.value, data, loop.time()):
                outlet.put(item)


async def _watch(ears: Sequence[_Ear], outlet: Outlet) -> NoReturn:
    """Tell of probes that fall silent."""
    loop = asyncio.get_running_loop()
    while True:
        await asyncio.sleep(0.25)
        for ear in ears:
            for item in ear.presence.looked(loop.time()):
                outlet.put(item)
