"""What others send over the ways beside HTTP stays bounded: MQTT commands, webhook answers."""

from __future__ import annotations

import asyncio
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast

import aiomqtt
import httpx
from daemon_rig import seeded

from holdwatch_adapters.settings import Broker
from holdwatch_daemon.messages import Event, Reply
from holdwatch_daemon.outlets.feed import Feed
from holdwatch_daemon.outlets.mqtt import Destination, Outbox
from holdwatch_daemon.outlets.webhooks import Webhook
from holdwatch_daemon.settings.shop import WebhookConfig

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from holdwatch_daemon.messages import Command

MANY = 400


async def test_a_flood_of_commands_waits_its_turn() -> None:
    at_once, most, done = 0, 0, 0

    async def carry_out(_bay: str, command: Command) -> Reply:
        nonlocal at_once, most, done
        at_once += 1
        most = max(most, at_once)
        await asyncio.sleep(0)
        at_once, done = at_once - 1, done + 1
        return Reply(id=command.id, ok=True, text="Done.")

    class Flood:
        @property
        async def messages(self) -> AsyncIterator[aiomqtt.Message]:
            for number in range(MANY):
                payload = f'{{"command": "stop_hold", "id": "{number}"}}'.encode()
                topic = "garage/bay/bay-1/command"
                yield aiomqtt.Message(topic, payload, 1, retain=False, mid=number, properties=None)

        async def publish(self, *_given: object, **_options: object) -> None:
            await asyncio.sleep(0)

    nothing: Any = None
    feed = Feed(["bay-1"], nothing, nothing)
    to = Destination(Broker("127.0.0.1"), "garage", "key", "client")
    outbox = Outbox(to, feed, carry_out, nothing, nothing, seeded(1), lambda: 0)
    await outbox._take_commands(cast("Any", Flood()))
    while outbox._commands:
        await asyncio.wait(outbox._commands)
    assert done == MANY
    assert most <= 32


async def test_an_answer_without_end_is_not_read(tmp_path: Path) -> None:
    sent = 0

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal sent
        await reader.readuntil(b"\r\n\r\n")
        writer.write(b"HTTP/1.1 200 OK\r\ntransfer-encoding: chunked\r\n\r\n")
        try:
            while True:
                writer.write(b"ffff\r\n" + b"x" * 0xFFFF + b"\r\n")
                await writer.drain()
                sent += 0xFFFF
        except ConnectionError:
            pass
        finally:
            writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        config = WebhookConfig(url=f"http://127.0.0.1:{port}/", secret_file=tmp_path / "secret")
        nothing: Any = SimpleNamespace(newest=0)
        webhook = Webhook(config, b"a" * 32, nothing, nothing, seeded(1))
        event = Event.model_validate(
            {
                "id": "e-1",
                "source": "/library-garage",
                "type": "holdwatch.verdict",
                "time": "2026-03-02T08:00:00Z",
                "sequence": 1,
            }
        )
        async with httpx.AsyncClient(timeout=15) as client:
            assert await asyncio.wait_for(webhook._send(client, event), 15) is None
    assert sent < 50e6
