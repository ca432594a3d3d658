"""Connects to an MQTT broker, and again with growing pauses whenever the connection breaks.

Probes, the way out and the relays share it, so that login, encryption, time limits and what the
library does at odd moments are dealt with in one place.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import math
import socket
import ssl
from typing import TYPE_CHECKING, Any, Final

import aiomqtt
import paho.mqtt.client as paho

from holdwatch_adapters.backoff import Backoff

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Awaitable, Callable
    from contextlib import AbstractAsyncContextManager
    from random import Random

    from holdwatch_adapters.settings import Broker

__all__ = ["Client", "connected", "first_text", "log", "stay_connected"]

log = logging.getLogger(__name__)

_GOODBYE_S: Final = 1.0


class Client(aiomqtt.Client):
    """An ``aiomqtt.Client`` that leaves nothing behind on the event loop (aiomqtt 2.5).

    The library asks the loop, at its next round, to watch a socket for writing. Where the
    connection breaks in between, the number asked for is closed, which the loop reports as an
    error, or belongs to another connection by then. And a connection that ends without the
    broker's answer is closed when the garbage is collected, in whatever thread that happens.

    What is handed in during one round of the loop is written at once at the next one; the socket
    is watched only while it does not take everything, since that costs more than the writing.

    Attributes:
        is_held_up: Whether the broker does not take what is written to it.
    """

    is_held_up = False

    def drop(self) -> None:
        """Close what is left of the connection, here on the loop and now."""
        client = self._client
        client.on_socket_open = None
        client.on_socket_close = None
        client.on_socket_register_write = None
        client.on_socket_unregister_write = None
        sock = client.socket()
        if sock is not None and sock.fileno() >= 0:
            self._loop.remove_reader(sock.fileno())
            self._loop.remove_writer(sock.fileno())
            sock.close()
        if self._misc_task is not None:
            self._misc_task.cancel()
        for future in (self._connected, self._disconnected):
            if future.done() and not future.cancelled():
                future.exception()  # known; unasked, it would be logged once more

    def say(self, topic: str, body: str) -> None:
        """Hand in a message at QoS 0; it leaves at the loop's next round with others like it."""
        info = self._client.publish(topic, body)
        if info.rc != paho.MQTT_ERR_SUCCESS:
            raise aiomqtt.MqttCodeError(info.rc, "Could not publish message")

    def _on_socket_register_write(
        self,
        client: paho.Client,
        userdata: Any,  # noqa: ARG002 - the library hands it over
        sock: Any,
    ) -> None:
        number = sock.fileno()

        def is_waiting() -> bool:
            is_open = sock.fileno() == number and client.socket() is sock
            return is_open and client.want_write()

        def write() -> None:
            try:
                client.loop_write()
            except Exception as error:  # noqa: BLE001 - whatever it is, the connection is broken
                if not self._disconnected.done():
                    self._disconnected.set_exception(error)

        def leave() -> None:
            """Write what was handed in; watch the socket only where it does not take all."""
            if is_waiting():
                write()
            if is_waiting():
                self.is_held_up = True
                self._loop.add_writer(number, write)

        if self._is_on_loop():
            self._loop.call_soon(leave)
        else:  # the library connects in another thread
            self._loop.call_soon_threadsafe(leave)

    def _on_socket_unregister_write(
        self,
        client: paho.Client,
        userdata: Any,
        sock: Any,
    ) -> None:
        if self.is_held_up:
            self.is_held_up = False
            super()._on_socket_unregister_write(client, userdata, sock)

    def _is_on_loop(self) -> bool:
        try:
            return asyncio.get_running_loop() is self._loop
        except RuntimeError:
            return False


@contextlib.asynccontextmanager
async def connected(
    to: Broker,
    *,
    client_id: str | None = None,
    keepalive_s: int = 30,
    will: aiomqtt.Will | None = None,
    most_waiting: int | None = None,
    patience_s: float = 10.0,
) -> AsyncGenerator[Client, None]:
    """Connect for the length of the block, leaving no socket behind however it ends.

    The library's own time limits are off: they rest on ``asyncio.wait_for``, which in Python 3.11
    swallows a cancellation that meets the result; ``asyncio.timeout`` does not.

    Args:
        to: The broker.
        client_id: Stable, so that a broker ends a dead connection of ours when we come back; None
            lets the library choose one.
        keepalive_s: A broker that is gone is noticed within about one and a half times this.
        will: What the broker says when the connection breaks.
        most_waiting: Messages that may wait to be taken; None for any number.
        patience_s: For connecting, s.

    Raises:
        aiomqtt.MqttError: The broker cannot be reached, refuses, or was lost.
    """
    client = Client(
        to.host,
        to.port,
        username=to.username,
        password=to.password,
        identifier=client_id,
        clean_session=True,
        will=will,
        timeout=math.inf,
        keepalive=keepalive_s,
        max_queued_incoming_messages=most_waiting,
        tls_context=ssl.create_default_context(cafile=to.ca_file) if to.tls else None,
        # Else a verdict waits until the broker's TCP has confirmed the live values before it,
        # which it puts off for up to 40 ms.
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
        # What it has to say of broken connections, its user says once, in a sentence.
        logger=logging.Logger("mqtt", logging.CRITICAL),  # noqa: LOG001 - heard by nobody
    )
    try:
        try:
            async with asyncio.timeout(patience_s):
                await client.__aenter__()
        except TimeoutError:
            raise aiomqtt.MqttError(f"no answer within {patience_s:g} s") from None
        yield client
    finally:
        await _disconnect(client)


async def stay_connected(
    connect: Callable[[], AbstractAsyncContextManager[Client]],
    serve: Callable[[Client, Callable[[], None]], Awaitable[None]],
    lost: Callable[[str], None],
    random: Random,
) -> None:
    """Connect and serve until cancelled, whatever the broker or the serving does.

    Args:
        connect: Makes one connection (see ``connected``).
        serve: Uses it until it breaks; calls what it is given once all is well, after which the
            pauses are short again.
        lost: Takes the reason each time that the connection has ended or could not be made.
        random: For the jitter of pauses.
    """
    backoff = Backoff(random)
    while True:
        reason = "the connection ended"
        try:
            async with connect() as client:
                await serve(client, backoff.reset)
        except* (aiomqtt.MqttError, OSError) as group:
            reason = first_text(group)
        except* Exception as group:  # holds must go on whatever is wrong with the broker
            log.exception("what serves an MQTT connection broke")
            reason = first_text(group)
        lost(reason)
        await asyncio.sleep(backoff.next_s())


async def _disconnect(client: Client) -> None:
    """End a connection, in order where it can be, and leave nothing of it behind."""
    try:
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
            async with asyncio.timeout(_GOODBYE_S):
                await client.__aexit__(None, None, None)
    finally:
        client.drop()


def first_text(error: BaseException) -> str:
    """Return the first reason in an exception or a group of them, in one line."""
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return str(error) or type(error).__name__
