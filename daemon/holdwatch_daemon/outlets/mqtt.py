"""The way out to MQTT: events in order and none lost, state, live values, commands and replies."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections import deque
from contextlib import AbstractAsyncContextManager, aclosing
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Literal

import aiomqtt
from pydantic import TypeAdapter, ValidationError

from holdwatch_adapters.mqtt_session import connected, stay_connected
from holdwatch_daemon.messages import Command, Reply
from holdwatch_daemon.outlets.feed import Pace
from holdwatch_daemon.outlets.redelivery import Trail, repeat_after
from holdwatch_daemon.settings.shop import is_loopback
from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.store.events import Draft

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable
    from random import Random

    from holdwatch_adapters.mqtt_session import Client
    from holdwatch_adapters.settings import Broker
    from holdwatch_daemon.messages import Event
    from holdwatch_daemon.outlets.feed import Feed, Frame
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.queries import Queries

log = logging.getLogger(__name__)

MOST_UNCONFIRMED = 8
"""Events on their way to the broker; a long absence is made good no faster than it confirms."""
_NOTE_EVERY_S = 0.5
"""How often the position is noted in the store; a crash repeats what was sent since, s."""
_TIMEOUT_S = 10.0
_LARGEST_COMMAND = 65_536
_MOST_COMMANDS = 32
"""Commands in work at once; further ones wait for them …"""
_MOST_WAITING = 256
"""… up to so many: what comes beyond them is dropped, unanswered."""

_PACE = Pace(busy_s=0.5, quiet_s=1.0)
"""How often a bay's newest values go out."""

_COMMAND: TypeAdapter[Command] = TypeAdapter(Command)


@dataclass(frozen=True, slots=True)
class Destination:
    """Where to publish.

    Attributes:
        broker: The broker.
        prefix: The topic before ``/status`` and the others.
        key: What the position is kept under in the store.
        client_id: Stable, so that a broker ends a dead connection of ours when we come back.
    """

    broker: Broker
    prefix: str
    key: str
    client_id: str


@dataclass(slots=True)
class OutboxState:
    """What the outbox says of itself."""

    state: Literal["connecting", "connected", "refused", "stopped"] = "connecting"
    error: str | None = None
    confirmed: int = 0
    connects: int = 0


class Outbox:
    """Publishes a shop over MQTT for as long as it runs, whatever the broker does.

    Events are read from the store after the last confirmed one and published in order at QoS 1,
    a few on their way at a time; after a break the unconfirmed ones, and the newest of the
    confirmed, are published again under the same id. Commands are taken on a clean session only:
    one that was sent while the service was down must not start a hold hours later.
    """

    def __init__(
        self,
        to: Destination,
        feed: Feed,
        command: Callable[[str, Command], Awaitable[Reply]],
        events: EventLog,
        queries: Queries,
        random: Random,
        utc_ns: Callable[[], int],
    ) -> None:
        self.status = OutboxState()
        self.to = to
        self._feed = feed
        self._command = command
        self._events = events
        self._queries = queries
        self._random = random
        self._utc_ns = utc_ns
        self._noted = 0
        self._trail = Trail(0)
        self._moved = asyncio.Event()
        self._commands: set[asyncio.Task[None]] = set()
        if not is_loopback(to.broker.host) and not to.broker.tls:
            log.warning("MQTT to %s is not encrypted; set tls = true in [mqtt]", to.broker.host)

    async def run(self) -> None:
        """Publish until cancelled; then say ``offline``."""
        position = await self._queries.ask(lambda c: answers.outbox_position(c, self.to.key))
        self.status.confirmed = self._noted = position or 0
        self._trail = Trail(self._noted)
        try:
            await stay_connected(self._connect, self._publish_all, self._lost, self._random)
        finally:
            self.status.state = "stopped"
            for task in self._commands:
                task.cancel()

    async def drain(self, patience_s: float) -> None:
        """Wait until every event is confirmed, at most ``patience_s`` real seconds."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(patience_s):
                while self.status.state == "connected" and not self._has_all():
                    self._moved.clear()
                    await self._moved.wait()

    def _has_all(self) -> bool:
        return self.status.confirmed >= self._events.newest

    async def note_position(self) -> None:
        """Write the newest confirmed event's number into the store, where it has moved."""
        key, sequence = self.to.key, self.status.confirmed
        if sequence == self._noted:
            return
        await self._events.transact(
            lambda telling: rows.put_outbox_position(telling.connection, key, sequence),
            durable=False,  # a power cut repeats what was sent since, under the same ids
        )
        self._noted = sequence

    def _connect(self) -> AbstractAsyncContextManager[Client]:
        return connected(
            self.to.broker,
            client_id=self.to.client_id,
            will=aiomqtt.Will(self._topic("status"), b"offline", qos=1, retain=True),
            most_waiting=_MOST_WAITING,
            patience_s=_TIMEOUT_S,
        )

    def _lost(self, reason: str) -> None:
        if self.status.state != "refused":
            text = "MQTT broker %s: %s; holds go on, events wait in the store"
            log.warning(text, self.to.broker, reason)
        self.status.state, self.status.error = "refused", reason

    async def _publish_all(self, client: Client, stands: Callable[[], None]) -> None:
        """Publish until the connection breaks."""
        try:
            await self._serve(client, stands)
        finally:
            # Said while the connection stands; where it is broken the will says it.
            await self._say_goodbye(client)

    async def _serve(self, client: Client, stands: Callable[[], None]) -> None:
        for bay in self._feed.bays:
            async with asyncio.timeout(_TIMEOUT_S):
                await client.subscribe(self._topic("bay", bay, "command"), qos=1)
        await _publish(client, self._topic("status"), "online", retain=True)
        await self._publish_retained(client)
        self.status.state, self.status.error = "connected", None
        self.status.connects += 1
        stands()
        log.info("MQTT broker %s connected", self.to.broker)
        async with asyncio.TaskGroup() as group:
            group.create_task(self._publish_events(client))
            group.create_task(self._publish_changes(client))
            group.create_task(self._take_commands(client))
            group.create_task(self._note_positions())

    async def _say_goodbye(self, client: aiomqtt.Client) -> None:
        """Leave the newest states behind, then say ``offline``."""
        try:
            async with asyncio.timeout(1.0):
                for bay in self._feed.bays:
                    await self._publish_state(client, bay)
                await _publish(client, self._topic("status"), "offline", retain=True)
        except (aiomqtt.MqttError, TimeoutError):
            log.debug("could not say offline; the will does")

    async def _publish_retained(self, client: aiomqtt.Client) -> None:
        """Publish what a broker that has just been started cannot know."""
        for bay in self._feed.bays:
            await self._publish_state(client, bay)
            verdict = await self._queries.ask(partial(answers.last_verdict_event, bay=bay))
            if verdict is not None:
                await self._publish_verdict(client, verdict)

    async def _publish_events(self, client: aiomqtt.Client) -> None:
        """Publish every event in order, with no more than ``MOST_UNCONFIRMED`` on their way.

        The broker takes what one connection brings in its order, so that several may be on their
        way; the position moves only when an event and all before it are confirmed.
        """
        on_way: deque[tuple[int, asyncio.Task[None]]] = deque()
        room = asyncio.Semaphore(MOST_UNCONFIRMED)

        def confirmed(_: asyncio.Task[None]) -> None:
            room.release()
            while on_way and on_way[0][1].done() and _is_good(on_way[0][1]):
                self.status.confirmed = max(self.status.confirmed, on_way.popleft()[0])
                self._trail.note(loop.time(), self.status.confirmed)
                self._moved.set()

        loop = asyncio.get_running_loop()
        settled = self._trail.settled(loop.time())
        after = await self._queries.ask(
            partial(repeat_after, confirmed=self.status.confirmed, settled=settled)
        )
        async with (
            asyncio.TaskGroup() as group,
            aclosing(self._events.subscribe(after)) as events,
        ):
            async for event in events:
                await room.acquire()
                if event.type == "holdwatch.verdict":
                    await self._publish_newest_verdict(client, event)
                task = group.create_task(self._publish_event(client, event))
                on_way.append((event.sequence, task))
                task.add_done_callback(confirmed)

    async def _note_positions(self) -> None:
        while True:
            await asyncio.sleep(_NOTE_EVERY_S)
            await self.note_position()

    async def _publish_event(self, client: aiomqtt.Client, event: Event) -> None:
        """Publish an event on its topics, in the order of the tasks that do so.

        Both leave before either is awaited: an event after this one must not overtake it.
        """
        body = event.model_dump_json(exclude_none=True)
        topics = [self._topic("events")]
        if event.bay is not None:
            topics.insert(0, self._topic("bay", event.bay, "events"))
        async with asyncio.TaskGroup() as group:
            for topic in topics:
                group.create_task(_publish(client, topic, body))

    async def _publish_newest_verdict(self, client: aiomqtt.Client, event: Event) -> None:
        """Retain a verdict unless, after a long absence, a newer one is retained already."""
        if event.sequence == self._events.newest:  # the usual case, without asking the store
            await self._publish_verdict(client, event)
            return
        bay = event.bay or ""
        newest = await self._queries.ask(lambda c: answers.last_verdict_event(c, bay))
        if newest is None or newest.sequence <= event.sequence:
            await self._publish_verdict(client, event)

    async def _publish_verdict(self, client: aiomqtt.Client, event: Event) -> None:
        body = event.model_dump_json(exclude_none=True)
        await _publish(client, self._topic("bay", event.bay or "", "verdict"), body, retain=True)

    async def _publish_changes(self, client: Client) -> None:
        """Publish what every bay shows: its state when it changed, values as often as is worth."""
        async with aclosing(self._feed.follow(pace=_PACE)) as changes:
            async for frames in changes:
                for frame in frames:
                    if frame.kind == "state":
                        topic = self._topic("bay", frame.bay, "state")
                        await _publish(client, topic, frame.json, retain=True)
                    else:
                        await self._publish_live(client, frame)

    async def _publish_live(self, client: Client, frame: Frame) -> None:
        topic = self._topic("bay", frame.bay, "live")
        body = frame.message.model_dump_json(exclude_none=True)
        if client.is_held_up:
            await _publish(client, topic, body, qos=0)  # waits, and not for ever
        else:
            client.say(topic, body)

    async def _publish_state(self, client: aiomqtt.Client, bay: str) -> None:
        body = self._feed.state(bay).model_dump_json()
        await _publish(client, self._topic("bay", bay, "state"), body, retain=True)

    async def _take_commands(self, client: aiomqtt.Client) -> None:
        topics = {self._topic("bay", bay, "command"): bay for bay in self._feed.bays}
        async for message in client.messages:
            # The embedded broker hands out retained messages that nobody subscribed to.
            bay = topics.get(message.topic.value)
            if bay is None:
                continue
            if message.retain:
                log.warning("bay %s: a retained command is ignored; send it unretained", bay)
                continue
            # In a task of its own: an answer waits for the disk, the next message must not.
            task = asyncio.create_task(self._answer(client, bay, message.payload))
            self._commands.add(task)
            task.add_done_callback(self._commands.discard)
            while len(self._commands) >= _MOST_COMMANDS:
                await asyncio.wait(self._commands, return_when=asyncio.FIRST_COMPLETED)

    async def _answer(self, client: aiomqtt.Client, bay: str, payload: object) -> None:
        try:
            reply = await self._reply(bay, payload)
            body = reply.model_dump_json(exclude_none=True)
            await _publish(client, self._topic("bay", bay, "reply"), body)
        except aiomqtt.MqttError as error:
            log.info("bay %s: a reply could not be sent: %s", bay, error)
        except Exception:
            log.exception("bay %s: a command failed", bay)

    async def _reply(self, bay: str, payload: object) -> Reply:
        raw = payload if isinstance(payload, bytes | bytearray) else b""
        try:
            command = _COMMAND.validate_json(bytes(raw[:_LARGEST_COMMAND]))
        except ValueError as error:
            return await self._refuse(bay, bytes(raw[:_LARGEST_COMMAND]), error)
        return await self._command(bay, command)

    async def _refuse(self, bay: str, raw: bytes, error: ValueError) -> Reply:
        text = f"This is not a command: {_problem(error)}"
        command_id = _id_in(raw)
        data = {"id": command_id, "by": "mqtt", "text": text}
        draft = Draft("holdwatch.command.refused", self._utc_ns(), data, bay=bay)
        await self._events.tell(draft)
        return Reply(id=command_id or "unknown", ok=False, text=text)

    def _topic(self, *parts: str) -> str:
        return "/".join((self.to.prefix, *parts))


async def _publish(
    client: aiomqtt.Client, topic: str, body: str, *, qos: int = 1, retain: bool = False
) -> None:
    """Publish, and at QoS 1 wait until the broker confirms it."""
    try:
        async with asyncio.timeout(_TIMEOUT_S):
            await client.publish(topic, body, qos=qos, retain=retain)
    except TimeoutError:
        message = f"it did not confirm a message within {_TIMEOUT_S:g} s"
        raise aiomqtt.MqttError(message) from None


def _is_good(task: asyncio.Task[None]) -> bool:
    return not task.cancelled() and task.exception() is None


def _problem(error: ValueError) -> str:
    if not isinstance(error, ValidationError):
        return str(error)
    details: Iterable[str] = (
        f"{'.'.join(str(part) for part in detail['loc']) or 'message'}: {detail['msg']}"
        for detail in error.errors(include_url=False)
    )
    return "; ".join(details)


def _id_in(raw: bytes) -> str | None:
    """Return the sender's id of a command that is otherwise wrong, for the reply."""
    try:
        message = TypeAdapter(dict[str, object]).validate_json(raw)
    except ValidationError:
        return None
    found = message.get("id")
    return found[:100] if isinstance(found, str) and found else None
