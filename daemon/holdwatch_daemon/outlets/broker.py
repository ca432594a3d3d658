"""The embedded MQTT broker of a shop that has none: MQTT 3.1.1 on loopback, in this process."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
from typing import TYPE_CHECKING, Any, Self

if TYPE_CHECKING:
    from types import TracebackType

log = logging.getLogger(__name__)


class EmbeddedBroker:
    """A broker on a free port of 127.0.0.1 while the block runs.

    It forgets retained messages when it ends, and hands a new client retained messages that the
    client never asked for; use a broker of your own for more than a look.

    Attributes:
        port: The TCP port it listens on, once entered.
    """

    host = "127.0.0.1"

    def __init__(self, port: int = 0) -> None:
        self.port = port
        self._broker: object | None = None

    async def __aenter__(self) -> Self:
        """Start the broker; it answers when this returns."""
        make = await asyncio.to_thread(_broker_class)  # its import takes longer than a reading
        if self.port == 0:
            self.port = _free_port()
        for name in ("amqtt", "transitions"):
            logging.getLogger(name).setLevel(logging.ERROR)
        broker = make(
            {
                "listeners": {
                    "default": {"type": "tcp", "bind": f"{self.host}:{self.port}"},
                },
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True},
                },
            }
        )
        await broker.start()
        self._broker = broker
        log.info("embedded broker listens on %s:%d", self.host, self.port)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop the broker."""
        broker, self._broker = self._broker, None
        if broker is not None:
            await broker.shutdown()  # type: ignore[attr-defined]  # the package ships no types


def _broker_class() -> Any:
    from amqtt.broker import Broker  # noqa: PLC0415 - only a shop without a broker pays for it

    class MendedBroker(Broker):  # type: ignore[misc]  # the package ships no types
        """Mends what amqtt 0.11 and 0.12 do.

        It leaves a connection open that ends before its first packet, and starts two tasks for
        each message that nobody hears.
        """

        async def _initialize_client_session(self, reader: Any, writer: Any, *more: Any) -> Any:
            try:
                return await super()._initialize_client_session(reader, writer, *more)
            except BaseException:
                with contextlib.suppress(OSError):
                    await writer.close()
                raise

        async def _broadcast_message(self, session: Any, topic: Any, *more: Any) -> None:
            if topic and not any(self._matches(topic, one) for one in self._subscriptions):
                return
            await super()._broadcast_message(session, topic, *more)

    return MendedBroker


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
