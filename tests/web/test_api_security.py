"""A stranger can change nothing and read nothing: every route, with every kind of token."""

from __future__ import annotations

import asyncio
import json
import os
import re
import sqlite3
import time
from contextlib import AsyncExitStack
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from fake_service import FakeService
from security_rig import app_of, bearer, book_of, client_of, every_route, guarded_service

import holdwatch_api.security.connections
from holdwatch_api.app import serve
from holdwatch_api.security.guard import Guard
from holdwatch_api.security.limits import Places
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.load import parse_config

if TYPE_CHECKING:
    from pathlib import Path

    from fastapi import FastAPI

OPEN = {
    ("/", "GET"),
    ("/history", "GET"),
    ("/static/screen.js", "GET"),
    ("/static/plot.js", "GET"),
    ("/health", "GET"),
    ("/api/openapi.json", "GET"),
    ("/api/v1/session", "GET"),
    ("/api/v1/session", "POST"),
    ("/api/v1/session", "DELETE"),
    ("/api/v1/pairing", "POST"),
    ("/api/v1/pairing/collect", "POST"),
}
"""What a stranger may ask for. Whoever adds to it says here that it shows and changes nothing."""
PAGE = re.compile(r"^/[a-z-]*$")  # a page of the screen holds no data: test_screen_csp opens each
SAFE = {"GET", "HEAD", "OPTIONS"}


def routes_of(app: FastAPI) -> list[tuple[str, str]]:
    return sorted(set(every_route(app.routes)))


def is_open(path: str, method: str) -> bool:
    return (path, method) in OPEN or (method == "GET" and PAGE.match(path) is not None)


async def ask(client: httpx.AsyncClient, path: str, method: str, **given: Any) -> httpx.Response:
    return await client.request(
        method,
        re.sub(r"\{[^}]*\}", "x", path),
        json=None if method in SAFE else {},
        headers=given.get("headers"),
    )


async def test_no_route_is_open_that_is_not_named(tmp_path: Path) -> None:
    service = guarded_service(tmp_path)
    app, book = app_of(service), book_of(service)
    _, watch = book.make("watch", "Bay TV")
    _, old = book.make("operate", "old tablet", expires=int(time.time()) - 1)
    gone, lost = book.make("operate", "lost tablet")
    book.revoke(gone.id)
    app.state.closing.set()  # the streams end at once
    found = routes_of(app)
    documented = {
        (path, method.upper()) for path, of in app.openapi()["paths"].items() for method in of
    }
    assert documented <= set(found)  # the walk has found them all
    for path, method in found:
        for number, headers in enumerate(({}, bearer(lost), bearer(old), bearer("x" * 40))):
            # From an address of its own, so that no limit hides the answer.
            async with client_of(app, f"192.168.{number}.{len(path)}") as client:
                got = await ask(client, path, method, headers=headers)
            if is_open(path, method):
                assert got.status_code not in {403, 500}, (path, method)
            else:
                assert got.status_code in {401, 415, 429}, (path, method, got.status_code)
                assert got.status_code != 415 or path.endswith(("photographs", "verify"))
        async with client_of(app) as client:
            got = await ask(client, path, method, headers=bearer(watch))
        if method in SAFE or is_open(path, method):
            assert got.status_code not in {401, 403}, (path, method)
        else:
            assert got.status_code in {403, 415}, (path, method, got.status_code)
    assert service.commands == []


async def test_a_route_that_nobody_thought_of_is_closed(tmp_path: Path) -> None:
    app = app_of(guarded_service(tmp_path))

    @app.get("/later/thing")
    async def later() -> str:
        return "data"

    async with client_of(app) as client:
        assert (await client.get("/later/thing")).status_code == 401
        assert (await client.put("/", json={})).status_code == 401


async def test_a_websocket_is_refused_before_any_route() -> None:
    sent: list[Any] = []

    async def inner(scope: Any, receive: Any, send: Any) -> None:
        raise AssertionError("a websocket reached the application")

    async def receive() -> Any:
        return {"type": "websocket.connect"}

    async def send(message: Any) -> None:
        sent.append(message)

    await Guard(inner, access=None)({"type": "websocket"}, receive, send)  # type: ignore[arg-type]  # it is not asked
    assert sent == [{"type": "websocket.close", "code": 1008}]


async def test_the_first_token_closes_the_door_and_the_last_does_not_open_it(
    tmp_path: Path,
) -> None:
    service = guarded_service(tmp_path, host="127.0.0.1")
    app, book = app_of(service), book_of(service)
    async with client_of(app, "127.0.0.1") as client:
        assert (await client.get("/api/v1/session")).json()["open"] is True
        assert (await client.get("/api/v1/bays")).status_code == 200
        token, text = book.make("watch", "Bay TV")
        assert (await client.get("/api/v1/bays")).status_code == 401
        assert (await client.get("/api/v1/bays", headers=bearer(text))).status_code == 200
        book.revoke(token.id)
        await asyncio.sleep(0.3)
        assert (await client.get("/api/v1/bays", headers=bearer(text))).status_code == 401
        assert (await client.get("/api/v1/bays")).status_code == 401


async def test_a_token_file_that_is_being_written_keeps_nobody_waiting(tmp_path: Path) -> None:
    service = guarded_service(tmp_path, host="127.0.0.1")
    _, text = book_of(service).make("watch", "Bay TV")
    app = app_of(service)
    other = sqlite3.connect(book_of(service).path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")  # as a commit does until a slow disk has it
    try:
        os.utime(book_of(service).path)
        async with client_of(app, "127.0.0.1") as client:
            for _ in range(3):
                began = time.monotonic()
                async with asyncio.timeout(20):
                    answer = await client.get("/api/v1/bays", headers=bearer(text))
                assert answer.status_code == 200
                assert time.monotonic() - began < 5.0
                await asyncio.sleep(0.3)
    finally:
        other.execute("ROLLBACK")
        other.close()


async def test_wrong_tokens_are_answered_more_and_more_slowly(tmp_path: Path) -> None:
    (tmp_path / "operate").write_text("operating-0123456789")
    service = guarded_service(
        tmp_path, host="127.0.0.1", operate_token_file=str(tmp_path / "operate")
    )
    app = app_of(service)
    _, good = book_of(service).make("watch", "Bay TV")
    async with client_of(app) as client:
        said = [
            (await client.get("/api/v1/bays", headers=bearer(f"wrong-{number}"))).status_code
            for number in range(12)
        ]
        assert said == [401] * 10 + [429] * 2
        refused = await client.post("/api/v1/session", json={"token": "operating-0123456789"})
        assert refused.status_code == 429
        assert 1 <= int(refused.headers["retry-after"]) <= 30
        # A chosen token is not even looked at; one of 256 random bits cannot be guessed.
        chosen = bearer("operating-0123456789")
        assert (await client.get("/api/v1/bays", headers=chosen)).status_code == 429
        assert (await client.get("/api/v1/bays", headers=bearer(good))).status_code == 200
    async with client_of(app, "192.168.7.3") as other:
        assert (await other.get("/api/v1/bays", headers=chosen)).status_code == 200


async def test_a_cookie_that_is_no_good_any_more_is_taken_away(tmp_path: Path) -> None:
    app = app_of(guarded_service(tmp_path))
    async with client_of(app) as client:
        client.cookies.set("holdwatch", "hw_of_yesterday", domain="localhost.local")
        assert "Max-Age=0" in (await client.get("/api/v1/bays")).headers["set-cookie"]
        assert (await client.get("/api/v1/bays")).headers.get("set-cookie") is None


async def test_commands_come_at_a_bounded_rate(tmp_path: Path) -> None:
    service = guarded_service(tmp_path)
    app = app_of(service)
    _, text = book_of(service).make("operate", "bench")
    async with client_of(app) as client:
        path = "/api/v1/bays/bay-9/command"
        said = [
            (await client.post(path, json={}, headers=bearer(text))).status_code for _ in range(80)
        ]
    assert set(said) == {422, 429}
    assert said.index(429) >= 60


@pytest.mark.parametrize("scheme", ["http", "https"])
async def test_a_screen_is_paired_by_its_code_and_by_nobody_elses(
    tmp_path: Path, scheme: str
) -> None:
    service = guarded_service(tmp_path)
    app, book = app_of(service), book_of(service)
    _, watch = book.make("watch", "other")
    _, operate = book.make("operate", "bench")
    base = f"{scheme}://localhost"
    async with client_of(app, base=base) as tv, client_of(app, "192.168.7.9", base) as thief:
        asked = await tv.post("/api/v1/pairing", json={})
        assert asked.status_code == 201
        cookie = asked.headers["set-cookie"]
        assert "HttpOnly" in cookie
        assert "SameSite=strict" in cookie
        assert ("Secure" in cookie) is (scheme == "https")
        code = asked.json()["code"]
        assert re.fullmatch(r"[BCDFGHJKLMNPQRSTVWXZ]{4}-[BCDFGHJKLMNPQRSTVWXZ]{4}", code)
        wanted = {"code": code.lower(), "scope": "watch", "name": "Bay TV"}
        approve = "/api/v1/pairing/approve"
        assert (await tv.post(approve, json=wanted)).status_code == 401
        assert (await tv.post(approve, json=wanted, headers=bearer(watch))).status_code == 403
        assert (await tv.post("/api/v1/pairing/collect", json={})).json()["state"] == "waiting"
        approved = await thief.post(approve, json=wanted, headers=bearer(operate))
        assert approved.json()["address"] == "192.168.7.2"
        again = await thief.post(approve, json=wanted, headers=bearer(operate))
        assert again.status_code == 404  # once
        assert (await thief.post("/api/v1/pairing/collect", json={})).status_code == 404
        paired = await tv.post("/api/v1/pairing/collect", json={})
        assert paired.json() == {"state": "paired", "scope": "watch", "name": "Bay TV"}
        token = next(c for c in paired.headers.get_list("set-cookie") if "holdwatch=hw_" in c)
        assert "HttpOnly" in token
        assert "SameSite=strict" in token
        assert ("Secure" in token) is (scheme == "https")
        assert "Max-Age=34560000" in token
        assert (await tv.get("/api/v1/bays")).status_code == 200
        assert (await tv.post("/api/v1/pairing/collect", json={})).status_code == 404
        assert (await thief.get("/api/v1/bays")).status_code == 401
    assert [token.name for token in book.tokens()] == ["other", "bench", "Bay TV"]


async def test_codes_cannot_be_tried_out(tmp_path: Path) -> None:
    service = guarded_service(tmp_path)
    app = app_of(service)
    _, operate = book_of(service).make("operate", "bench")
    wanted = {"code": "BBBB-BBBB", "scope": "watch", "name": "x"}
    async with client_of(app) as client:
        path = "/api/v1/pairing/approve"
        said = [
            (await client.post(path, json=wanted, headers=bearer(operate))).status_code
            for _ in range(7)
        ]
        assert said == [404] * 5 + [429] * 2
        said = [(await client.post("/api/v1/pairing", json={})).status_code for _ in range(5)]
        assert said == [201] * 3 + [429] * 2


async def test_a_stream_ends_when_its_token_is_taken_back(tmp_path: Path) -> None:
    service = guarded_service(tmp_path, host="127.0.0.1")
    book = book_of(service)
    _, text = book.make("watch", "Bay TV")
    book.make("watch", "another")

    async def follow(base: str, path: str) -> float:
        async with (
            httpx.AsyncClient(base_url=base, headers=bearer(text), timeout=20) as client,
            client.stream("GET", path) as got,
        ):
            assert got.status_code == 200
            opened.release()
            async for _ in got.aiter_bytes():
                pass
        return time.monotonic()

    opened = asyncio.Semaphore(0)
    async with serve(app_of(service), port=0) as serving:
        tasks = [
            asyncio.create_task(follow(serving.url, path))
            for path in ("/api/v1/live", "/api/v1/events")
        ]
        for _ in tasks:
            await opened.acquire()
        book.revoke("Bay TV")
        began = time.monotonic()
        ended = await asyncio.wait_for(asyncio.gather(*tasks), 15)
    assert max(ended) - began < 6.0  # 2.5 s at most, on a machine with nothing else to do


async def test_one_asker_has_so_many_streams(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("holdwatch_api.security.access.Places", lambda _most, _in_all: Places(2, 3))
    service = guarded_service(tmp_path, host="127.0.0.1")
    _, one = book_of(service).make("watch", "Bay TV")
    _, other = book_of(service).make("watch", "another")
    async with serve(app_of(service), port=0) as serving, AsyncExitStack() as held:
        client = await held.enter_async_context(httpx.AsyncClient(base_url=serving.url))

        async def open_one(text: str) -> tuple[int, AsyncExitStack]:
            stack = await held.enter_async_context(AsyncExitStack())
            asked = client.stream("GET", "/api/v1/live", headers=bearer(text))
            got = await stack.enter_async_context(asked)
            return got.status_code, stack

        opened = [await open_one(text) for text in (one, one, one, other, other)]
        assert [status for status, _ in opened] == [200, 200, 429, 200, 429]
        await opened[0][1].aclose()  # a place that is given back is there again
        async with asyncio.timeout(10):
            while (await open_one(other))[0] == 429:  # noqa: ASYNC110 - asked over the socket
                await asyncio.sleep(0.1)


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"host": "0.0.0.0"}, "give `certificate` and `private_key`, or the `proxies`"),  # noqa: S104 - refused
        ({"host": "192.168.7.2"}, "can be reached from the network"),
        ({"proxies": ["proxy.example"]}, "a proxy is an address or a network"),
    ],
)
def test_the_network_needs_tls_or_a_proxy(given: dict[str, Any], told: str) -> None:
    with pytest.raises(ConfigError, match=re.escape(told)):
        parse_config({"site": {"name": "x"}, "http": given})


async def test_only_a_declared_proxy_says_whose_a_request_is(tmp_path: Path) -> None:
    service = guarded_service(tmp_path, host="0.0.0.0", proxies=["10.0.0.0/24"])  # noqa: S104 - never bound
    app, book = app_of(service), book_of(service)
    book.make("watch", "first")
    forwarded = {"x-forwarded-for": "1.2.3.4, 198.51.100.7", "x-forwarded-proto": "https"}
    async with client_of(app, "10.0.0.5") as proxy:
        asked = await proxy.post("/api/v1/pairing", json={}, headers=forwarded)
        assert "Secure" in asked.headers["set-cookie"]
        with sqlite3.connect(book.path) as connection:
            (address,) = connection.execute("SELECT address FROM pairings").fetchone()
        connection.close()
        assert address == "198.51.100.7"  # not what the asker himself had written before it
    async with client_of(app, "10.0.1.5") as stranger:
        got = await stranger.get("/", headers=forwarded)
        assert got.status_code == 403
        assert "through its proxy" in got.json()["detail"]
    async with client_of(app, "127.0.0.1") as here:
        assert (await here.get("/health")).status_code == 200


async def test_without_a_proxy_nobody_says_who_he_is(tmp_path: Path) -> None:
    service = guarded_service(tmp_path)
    app = app_of(service)
    async with client_of(app) as client:
        said = [
            (
                await client.get(
                    "/api/v1/bays",
                    headers=bearer("wrong") | {"x-forwarded-for": f"10.0.0.{number}"},
                )
            ).status_code
            for number in range(12)
        ]
    assert said[-1] == 429


async def raw(port: int, *pieces: bytes, pause_s: float = 0.0) -> bytes:
    """Send pieces of a request as a patient attacker does; return what is answered."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        for piece in pieces:
            writer.write(piece)
            await writer.drain()
            await asyncio.sleep(pause_s)
        return await asyncio.wait_for(reader.read(), 10)
    except ConnectionError:
        return b""
    finally:
        writer.close()


async def test_who_dawdles_over_a_request_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(holdwatch_api.security.connections, "HEAD_S", 0.5)
    async with serve(app_of(FakeService()), port=0) as serving:
        assert await raw(serving.port) == b""  # says nothing
        assert (
            await raw(serving.port, *([b"GET /health HTTP/1.1\r\n", b"x: 1\r\n"] * 2), pause_s=0.2)
            == b""
        )
        whole = b"GET /health HTTP/1.1\r\nhost: localhost\r\n\r\n"
        # A first request does not buy time for the next.
        answered = await raw(serving.port, whole, b"GET", pause_s=0.3)
        assert answered.startswith(b"HTTP/1.1 200")


async def test_a_long_head_is_not_read() -> None:
    async with serve(app_of(FakeService()), port=0) as serving:
        got = await raw(serving.port, b"GET / HTTP/1.1\r\nx: " + b"a" * 40_000)
    assert got.startswith(b"HTTP/1.1 4")


async def test_a_body_that_does_not_come_is_not_waited_for(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("holdwatch_api.security.guard._BODY_S", 0.3)
    head = (
        b"POST /api/v1/bays/bay-1/command HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n"
        b"content-type: application/json\r\ncontent-length: 900\r\n\r\n{"
    )
    async with serve(app_of(FakeService()), port=0) as serving:
        got = await raw(serving.port, head)
    assert got.startswith(b"HTTP/1.1 408")
    assert "in time" in json.loads(got.rpartition(b"\r\n\r\n")[2])["detail"]
