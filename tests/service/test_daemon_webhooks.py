"""Webhooks against a real HTTP server that refuses first, and across a restart."""

from __future__ import annotations

import asyncio
import base64
import hashlib
import hmac
import json
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any, cast

import pytest
from daemon_rig import FedAdapter, TurnedClock, eventually, seeded, shop, shop_table, start, stop

from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.outlets.webhooks import GIVE_UP_S, read_secret
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store.events import Draft

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

SECRET = "a-secret-of-the-county-library"  # noqa: S105 - of the test


@dataclass
class Receiver:
    """What a server was sent, and what it answers next (200 when nothing is planned)."""

    port: int = 0
    answers: list[int] = field(default_factory=list)
    taken: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    refused: int = 0

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/holdwatch"

    def events(self) -> list[dict[str, Any]]:
        return [json.loads(body) for _, body in self.taken]


@contextmanager
def receiver(port: int = 0) -> Iterator[Receiver]:
    known = Receiver()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            code = known.answers.pop(0) if known.answers else 200
            if code == 200:
                known.taken.append(({k.lower(): v for k, v in self.headers.items()}, body))
            else:
                known.refused += 1
            self.send_response(code)
            if code == 302:
                self.send_header("location", f"http://127.0.0.1:{known.port}/elsewhere")
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, *args: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    known.port = server.server_port
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield known
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def webhook(tmp_path: Path, url: str, **more: Any) -> dict[str, Any]:
    (tmp_path / "secret").write_text(SECRET)
    return {"webhook": [{"url": url, "secret_file": str(tmp_path / "secret"), **more}]}


def of_webhook(service: Service) -> dict[str, Any]:
    (state,) = cast("list[dict[str, Any]]", service.health()["webhooks"])
    return state


async def test_a_verdict_is_signed_and_sent_again_until_it_is_taken(tmp_path: Path) -> None:
    with receiver() as server:
        server.answers = [503, 302]
        config = shop(tmp_path, **webhook(tmp_path, server.url))
        async with Service(config, TurnedClock(), [FedAdapter()], random=seeded(1)) as service:
            hold_id = await start(service)
            await stop(service)
            await eventually(lambda: server.refused == 1)
            await eventually(lambda: of_webhook(service)["state"] == "refused")
            assert "503" in of_webhook(service)["error"]
            assert service.health()["status"] == "degraded"
            await eventually(lambda: server.taken)
            await eventually(lambda: of_webhook(service)["delivered"] == 1)
            assert of_webhook(service)["state"] == "waiting"
    ((headers, body),) = server.taken  # nothing followed the redirection
    event = json.loads(body)
    assert (event["type"], event["data"]["hold"]) == ("holdwatch.verdict", hold_id)
    assert headers["content-type"] == "application/cloudevents+json; charset=utf-8"
    assert headers["webhook-id"] == event["id"]
    assert abs(int(headers["webhook-timestamp"]) - time.time()) < 60
    # Computed apart from the sender, as a receiver would (RFC 2104).
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    digest = hmac.digest(SECRET.encode(), signed, hashlib.sha256)
    assert headers["webhook-signature"] == "v1," + base64.b64encode(digest).decode()


async def test_what_happened_while_the_receiver_and_the_service_were_down_is_sent_once(
    tmp_path: Path,
) -> None:
    clock = TurnedClock()
    with receiver() as server:
        port = server.port
    config = shop(tmp_path, **webhook(tmp_path, f"http://127.0.0.1:{port}/", types=["alarm"]))
    async with Service(config, clock, [], random=seeded(1)) as service:
        for kind in ("raised", "cleared"):
            data = {"text": f"An alarm was {kind}."}
            await service.events.tell(Draft(f"holdwatch.alarm.{kind}", clock.utc_ns(), data))  # type: ignore[arg-type]  # one of the two
        await eventually(lambda: of_webhook(service)["state"] == "refused")
    with receiver(port) as server:
        async with Service(config, clock, [], random=seeded(1)) as service:
            await eventually(lambda: len(server.taken) == 2)
            await eventually(lambda: of_webhook(service)["delivered"] == 2)
        async with Service(config, clock, [], random=seeded(1)) as service:
            await service.events.tell(
                Draft("holdwatch.alarm.raised", clock.utc_ns(), {"text": "Another."})
            )
            await eventually(lambda: len(server.taken) == 3)
            await asyncio.sleep(0.2)
    told = [event["data"]["text"] for event in server.events()]
    assert told == ["An alarm was raised.", "An alarm was cleared.", "Another."]
    numbers = [event["sequence"] for event in server.events()]
    assert numbers == sorted(set(numbers))


async def test_a_new_receiver_gets_what_happens_from_now_on(tmp_path: Path) -> None:
    async with Service(shop(tmp_path), TurnedClock(), []) as service:
        await start(service)
        await stop(service)
    with receiver() as server:
        config = shop(tmp_path, **webhook(tmp_path, server.url, types=["service"]))
        async with Service(config, TurnedClock("boot-2"), []) as service:
            await eventually(lambda: of_webhook(service)["delivered"] >= 0)
            await asyncio.sleep(0.3)
    assert [e["type"] for e in server.events() if e["type"] == "holdwatch.verdict"] == []


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"url": "ftp://garage.example/", "secret_file": "s"}, "is no http:// or https:// address"),
        ({"url": "https://u:p@garage.example/", "secret_file": "s"}, "leave user and password out"),
        ({"url": "https://garage.example/"}, "secret_file"),
        ({"url": "https://garage.example/", "secret_file": "s", "types": ["A b"]}, "types"),
    ],
)
def test_a_wrong_webhook_table_is_refused(tmp_path: Path, table: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        parse_config(shop_table(tmp_path) | {"webhook": [table]})


def test_a_secret_is_long_enough_and_readable(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    with pytest.raises(ConfigError, match="cannot be used"):
        read_secret(path)
    path.write_text("short")
    with pytest.raises(ConfigError, match="openssl rand -hex 32"):
        read_secret(path)
    path.write_text("whsec_" + base64.b64encode(bytes(range(24))).decode())
    assert read_secret(path) == bytes(range(24))
    assert GIVE_UP_S > 86_400
