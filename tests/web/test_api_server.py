"""The server in our own loop, and its streams over a real socket."""

from __future__ import annotations

import asyncio
import json
import signal
import socket
import ssl
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from fake_service import FakeService, nitrogen
from system_parts import require

import holdwatch_api.streams
from holdwatch_api.app import ServeError, Serving, create_app, serve
from holdwatch_api.streams import frame, with_beats

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable
    from pathlib import Path

Frame = dict[str, Any]


@pytest.fixture
def service() -> FakeService:
    return FakeService()


@pytest.fixture
async def base(service: FakeService) -> AsyncIterator[str]:
    async with serve(create_app(service.as_service), port=0) as serving:
        yield serving.url


async def frames(
    base: str,
    path: str,
    count: int,
    headers: dict[str, str] | None = None,
    *,
    opened: asyncio.Event | None = None,
    after: tuple[int, Callable[[], None]] = (0, lambda: None),
) -> list[Frame]:
    """Read so many events of a stream, with comments as ``{"comment": …}``.

    After a number of them something may be done.
    """
    read: list[Frame] = []
    fields: Frame = {}
    async with (
        httpx.AsyncClient(base_url=base, timeout=10) as client,
        client.stream("GET", path, headers=headers) as got,
    ):
        assert got.status_code == 200
        assert got.headers["content-type"].startswith("text/event-stream")
        if opened is not None:
            opened.set()
        async for line in got.aiter_lines():
            if line:
                name, _, text = line.partition(": ")
                fields[name or "comment"] = text.removeprefix(": ")
            elif fields:
                read.append(fields)
                fields = {}
                if len(read) == after[0]:
                    after[1]()
            if len(read) == count:
                break
    return read


async def wait_until_read(service: FakeService) -> None:
    """Wait until somebody follows the feed."""
    while not service.feed.followers:  # noqa: ASYNC110 - it has a number, no event
        await asyncio.sleep(0.01)


async def test_events_resume_without_gap(service: FakeService, base: str) -> None:
    for _ in range(5):
        await service.events.write("holdwatch.hold.noted")
    opened, *first = await frames(base, "/api/v1/events?after=0", 4)
    assert "comment" in opened
    assert [event["id"] for event in first] == ["1", "2", "3"]
    body = json.loads(first[0]["data"])
    assert body["specversion"] == "1.0"
    assert body["sequence"] == 1
    # A browser repeats the address and adds the last id, which must win.
    again = {"last-event-id": "3"}
    _, *rest = await frames(base, "/api/v1/events?after=0", 3, again)
    assert [event["id"] for event in rest] == ["4", "5"]


async def test_without_a_number_only_new_events_come(service: FakeService, base: str) -> None:
    await service.events.write("holdwatch.hold.noted")

    opened = asyncio.Event()

    async def write_soon() -> None:
        await opened.wait()
        await asyncio.sleep(0.3)  # the stream goes on to wait for the next event
        await service.events.write("holdwatch.verdict")

    task = asyncio.create_task(write_soon())
    _, event = await frames(base, "/api/v1/events", 2, opened=opened)
    await task
    assert (event["id"], json.loads(event["data"])["type"]) == ("2", "holdwatch.verdict")


@pytest.mark.parametrize(
    ("path", "headers", "status"),
    [("?after=-1", {}, 422), ("?after=x", {}, 422), ("", {"last-event-id": "seven"}, 400)],
)
async def test_a_wrong_number_is_refused(
    base: str, path: str, headers: dict[str, str], status: int
) -> None:
    async with httpx.AsyncClient(base_url=base) as client:
        got = await client.get(f"/api/v1/events{path}", headers=headers)
    assert got.status_code == status


async def test_the_live_stream_tells_all_then_changes(service: FakeService, base: str) -> None:
    def start() -> None:
        service.set_hold("bay-2", nitrogen(8.0))

    told = await frames(base, "/api/v1/live", 6, after=(5, start))
    assert [event["event"] for event in told] == ["bays", "state", "live", "state", "live", "state"]
    show = {"pressure": "kPag", "vacuum": "micron", "temperature": "degC"}
    assert json.loads(told[0]["data"]) == {"bays": ["bay-1", "bay-2"], "show": show}
    assert json.loads(told[5]["data"])["hold"]["hold_id"] == "H-0007"


async def test_the_live_stream_beats_in_silence(base: str, monkeypatch: pytest.MonkeyPatch) -> None:
    told = await frames(base, "/api/v1/live?bay=bay-1", 4)
    assert [event["event"] for event in told] == ["bays", "state", "live", "beat"]
    assert holdwatch_api.streams.BEAT_S <= 2.0  # the screen calls 7 s of silence a loss


async def test_a_reader_that_leaves_is_forgotten(service: FakeService, base: str) -> None:
    await frames(base, "/api/v1/live", 3)
    await wait_until_gone(service)


async def wait_until_gone(service: FakeService) -> None:
    while service.feed.followers:
        service.tell("bay-1")
        await asyncio.sleep(0.05)


async def test_stopping_does_not_wait_for_readers(service: FakeService) -> None:
    loop = asyncio.get_running_loop()
    async with serve(create_app(service.as_service), port=0) as serving:
        reader = asyncio.create_task(frames(serving.url, "/api/v1/live", 100))
        await wait_until_read(service)
        began = loop.time()
    assert loop.time() - began < 2.0
    assert len(await asyncio.wait_for(reader, 5)) >= 3


async def test_the_processs_signals_are_left_alone(service: FakeService) -> None:
    before = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    async with serve(create_app(service.as_service), port=0):
        during = signal.getsignal(signal.SIGTERM), signal.getsignal(signal.SIGINT)
    assert during == before


async def test_a_taken_port_is_one_clear_error(service: FakeService) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(ServeError, match=f"Port {port} on 127.0.0.1 cannot be used") as told:
            async with serve(create_app(service.as_service), port=port):
                pass
    assert "--port" in str(told.value)


async def test_a_foreign_host_is_one_clear_error(service: FakeService) -> None:
    with pytest.raises(ServeError, match=r"nowhere\.invalid"):
        async with serve(create_app(service.as_service), "nowhere.invalid", 0):
            pass


async def test_with_beats_closes_its_source() -> None:
    closed = False

    async def source() -> AsyncIterator[str]:
        nonlocal closed
        try:
            yield "a"
            await asyncio.sleep(60)
        finally:
            closed = True

    closing = asyncio.Event()
    stream = with_beats(source(), closing, lambda: "beat", every_s=0.01)
    assert [await anext(stream), await anext(stream)] == ["a", "beat"]
    closing.set()
    assert [text async for text in stream] == []
    assert closed


async def test_a_failing_source_is_not_hidden() -> None:
    async def source() -> AsyncIterator[str]:
        yield "a"
        raise ZeroDivisionError

    stream = with_beats(source(), asyncio.Event(), lambda: "beat")
    assert await anext(stream) == "a"
    with pytest.raises(ZeroDivisionError):
        await anext(stream)


async def test_a_certificate_makes_it_tls(service: FakeService, tmp_path: Path) -> None:
    openssl = require("openssl", "openssl")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 1 -subj /CN=garage"
    ways = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    made = await asyncio.create_subprocess_exec(
        openssl, *words.split(), *ways, stderr=asyncio.subprocess.DEVNULL
    )
    assert await made.wait() == 0
    trusting = ssl.create_default_context(cafile=certificate)
    app = create_app(service.as_service)
    async with (
        serve(app, port=0, certificate=certificate, private_key=key) as serving,
        httpx.AsyncClient(verify=trusting) as client,
    ):
        assert serving.url.startswith("https://")
        assert (await client.get(f"{serving.url}health")).status_code == 200


async def test_a_wrong_certificate_is_one_clear_error(service: FakeService, tmp_path: Path) -> None:
    (tmp_path / "no.pem").write_text("not a certificate")
    for name in ("no.pem", "missing.pem"):
        certificate = tmp_path / name
        with pytest.raises(ServeError, match=f"{name} cannot be used"):
            async with serve(
                create_app(service.as_service),
                port=0,
                certificate=certificate,
                private_key=certificate,
            ):
                pass


@pytest.mark.parametrize(
    ("serving", "url"),
    [
        (Serving("127.0.0.1", 8765), "http://127.0.0.1:8765/"),
        (Serving("::1", 80), "http://[::1]:80/"),
        (Serving("0.0.0.0", 1, tls=True), "https://127.0.0.1:1/"),  # noqa: S104 - only named
    ],
)
def test_the_screens_address_can_be_opened(serving: Serving, url: str) -> None:
    assert serving.url == url


def test_a_frame_of_several_lines_stays_one_event() -> None:
    assert frame("a\nb", number=3) == "id: 3\ndata: a\ndata: b\n\n"


@pytest.mark.parametrize(("host", "status"), [("garage.example", 200), ("other.example", 421)])
async def test_a_configured_host_name_is_answered_and_no_other(host: str, status: int) -> None:
    service = FakeService(host_names=["Garage.example"])
    names = service.config.http.host_names
    async with (
        serve(create_app(service.as_service, host_names=names), port=0) as serving,
        httpx.AsyncClient(timeout=60.0) as client,
    ):
        answer = await client.get(f"{serving.url}health", headers={"host": f"{host}:8443"})
        assert answer.status_code == status
