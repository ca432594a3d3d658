"""The application: all routes, the bay screen, and the server that runs them in our loop."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import uvicorn
from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, PlainTextResponse
from starlette.exceptions import HTTPException as StarletteHTTPException
from starlette.staticfiles import StaticFiles

from holdwatch_api.documents.asyncapi import asyncapi_document
from holdwatch_api.documents.openapi import openapi_document
from holdwatch_api.metrics import CONTENT_TYPE, exposition
from holdwatch_api.routes.bays import routes
from holdwatch_api.routes.job_files import file_routes
from holdwatch_api.routes.job_work import JobWork
from holdwatch_api.routes.jobs import job_routes
from holdwatch_api.routes.live import streams
from holdwatch_api.routes.record import record_routes
from holdwatch_api.routes.vehicles import vehicle_routes
from holdwatch_api.security.access import Access
from holdwatch_api.security.connections import (
    MOST_CONNECTIONS,
    MOST_HEAD_BYTES,
    PatientProtocol,
    ProxiedProtocol,
)
from holdwatch_api.security.guard import Guard, problem
from holdwatch_api.security.proxies import ThroughProxy
from holdwatch_api.security.session import bearer_of, session_routes
from holdwatch_api.shapes import Health
from holdwatch_daemon.errors import HoldwatchError
from holdwatch_daemon.version import version

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Awaitable, Callable, Collection, Iterator

    from holdwatch_daemon.service import Service

__all__ = ["ServeError", "Serving", "create_app", "serve"]

_STATIC = Path(__file__).parent / "static"
_TITLES = {
    400: "Bad request",
    404: "Not there",
    405: "Not possible here",
    422: "Not understood",
    503: "Not now",
}
_STOP_S = 3  # how long open connections get to end when the server stops
_PAGES = {
    "/": "index.html",
    "/history": "history.html",
    "/vehicles": "vehicles.html",
    "/vehicle": "vehicle.html",
    "/visit": "visit.html",
    "/expansion": "expansion.html",
}
"""Path of each page → its file. A page is open to all: it holds no data, and asks for it."""


class ServeError(HoldwatchError):
    """The HTTP server cannot start; the message says how to mend it."""


def create_app(service: Service, *, host_names: Collection[str] = ()) -> FastAPI:
    """Return the application over a service that is entered, or is before the first request.

    Args:
        service: What answers.
        host_names: Names, beside ``localhost`` and plain addresses, that clients reach it by.

    Raises:
        ConfigError: A token file of the configuration cannot be used.
    """
    app = FastAPI(
        title="holdwatch",
        version=version(),
        summary="Bays, holds and verdicts of a shop's vacuum and nitrogen holds.",
        openapi_url=None,  # see _add_process
        docs_url=None,  # the usual documentation pages load their scripts from elsewhere
        redoc_url=None,
    )
    http = service.config.http
    access = Access.from_config(service.config)
    app.state.closing = asyncio.Event()
    app.state.proxied = bool(http.proxies)
    app.add_middleware(Guard, access=access, names=tuple(host_names), pages=tuple(_PAGES))
    if http.proxies:
        app.add_middleware(ThroughProxy, proxies=http.proxies, tls=http.certificate is not None)
    app.include_router(routes(service))
    jobs = JobWork(service)
    app.include_router(vehicle_routes(service, jobs))
    app.include_router(job_routes(jobs))
    app.include_router(file_routes(jobs))
    app.include_router(record_routes(service))
    app.include_router(streams(service, access, app.state.closing))
    app.include_router(session_routes(access))
    _add_process(app, service)
    _add_screen(app)
    app.add_exception_handler(StarletteHTTPException, _on_http_error)
    made = functools.cache(lambda: openapi_document(app))
    app.openapi = made  # type: ignore[method-assign]  # FastAPI's own way to do so
    app.add_exception_handler(RequestValidationError, _on_bad_request)
    return app


def _add_process(app: FastAPI, service: Service) -> None:
    @app.get("/health", tags=["process"])
    async def health(request: Request) -> Health:
        """Whether the service and its parts are well; the parts only for who may watch."""
        parts = service.health()
        status: Literal["ok", "degraded"] = "ok" if parts.get("status") == "ok" else "degraded"
        if bearer_of(request) is None:
            return Health(status=status)
        told = {key: value for key, value in parts.items() if key != "status"}
        return Health(status=status, parts=told)

    @app.get("/api/openapi.json", include_in_schema=False)
    def openapi() -> JSONResponse:  # in a thread: it is made when it is first asked for
        return JSONResponse(app.openapi())

    @app.get("/api/asyncapi.json", tags=["process"])
    async def asyncapi() -> dict[str, Any]:
        """What is published over MQTT, as an AsyncAPI document."""
        return asyncapi_document(service.config, version())

    @app.get("/metrics", tags=["process"], response_class=PlainTextResponse)
    async def metrics() -> PlainTextResponse:
        """Figures for a scrape, in the Prometheus text format."""
        return PlainTextResponse(exposition(service.metrics()), media_type=CONTENT_TYPE)


def _add_screen(app: FastAPI) -> None:
    for path, name in _PAGES.items():
        text = (_STATIC / name).read_text(encoding="utf-8")
        app.add_api_route(path, _page(text), include_in_schema=False, methods=["GET"])
    app.mount("/static", StaticFiles(directory=_STATIC))


def _page(text: str) -> Callable[[], Awaitable[HTMLResponse]]:
    async def page() -> HTMLResponse:
        return HTMLResponse(text)

    return page


def _problem(status: int, detail: str, headers: dict[str, str] | None = None) -> JSONResponse:
    body = problem(status, _TITLES.get(status, "Error"), detail)
    return JSONResponse(body, status, headers, media_type="application/problem+json")


async def _on_http_error(_request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, StarletteHTTPException):
        raise error
    detail = error.detail
    if error.status_code == 404 and detail == "Not Found":
        detail = "There is nothing at this address; /api/openapi.json lists what there is."
    return _problem(error.status_code, detail, dict(error.headers or {}))


async def _on_bad_request(_request: Request, error: Exception) -> JSONResponse:
    if not isinstance(error, RequestValidationError):
        raise error
    return _problem(422, "; ".join(_in_words(found) for found in error.errors()))


def _in_words(found: dict[str, Any]) -> str:
    """Return one complaint as a sentence that names the place."""
    where = ".".join(str(part) for part in found["loc"])
    if found["type"] == "missing":
        return f"{where} is missing"
    if found["type"] == "extra_forbidden":
        return f"{where} is not known; leave it out"
    return f"{where}: {found['msg'][:1].lower()}{found['msg'][1:]}"


@dataclass(frozen=True, slots=True)
class Serving:
    """Where the server can be reached."""

    host: str
    port: int
    tls: bool = False

    @property
    def url(self) -> str:
        """The bay screen's address; for "any address" the one of this machine itself."""
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(self.host, self.host)  # noqa: S104 - compared only
        named = f"[{host}]" if ":" in host else host
        return f"{'https' if self.tls else 'http'}://{named}:{self.port}/"


class _Server(uvicorn.Server):
    """A server that leaves the process's signals alone: the command line handles them."""

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Install nothing."""
        yield


@contextlib.asynccontextmanager
async def serve(
    app: FastAPI,
    host: str = "127.0.0.1",
    port: int = 8765,
    *,
    certificate: Path | None = None,
    private_key: Path | None = None,
) -> AsyncIterator[Serving]:
    """Serve the application in this loop; yields where, with the port found for port 0.

    On leaving, open event streams are ended first, so that nobody waits for them.

    Raises:
        ServeError: The port is taken, the host is not this machine's, or the certificate
            cannot be used.
    """
    listener = _listen(host, port)
    try:
        config = uvicorn.Config(
            app,
            lifespan="off",
            log_config=None,
            access_log=False,
            server_header=False,
            proxy_headers=False,  # ThroughProxy reads them, where a proxy is declared
            http=ProxiedProtocol if app.state.proxied else PatientProtocol,
            ws="none",
            h11_max_incomplete_event_size=MOST_HEAD_BYTES,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_graceful_shutdown=_STOP_S,
            ssl_certfile=certificate,
            ssl_keyfile=private_key,
        )
        config.load()
    except OSError as error:  # ssl.SSLError is one
        listener.close()
        raise ServeError(f"The certificate {certificate} cannot be used: {error}") from error
    server = _Server(config)
    task = asyncio.create_task(server.serve(sockets=[listener]), name="http")
    try:
        while not server.started and not task.done():  # noqa: ASYNC110 - see below
            await asyncio.sleep(0.01)  # the server offers a flag, no event
        if task.done():
            await task
        yield Serving(host, listener.getsockname()[1], tls=certificate is not None)
    finally:
        app.state.closing.set()
        server.should_exit = True
        await task


def _listen(host: str, port: int) -> socket.socket:
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        listener = socket.socket(family, kind, protocol)
    except OSError as error:
        raise ServeError(f"The host {host!r} is not an address here: {error}.") from error
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(address)
        listener.listen(128)
    except OSError as error:
        listener.close()
        raise ServeError(
            f"Port {port} on {host} cannot be used ({error.strerror}). Stop the program that has "
            "it, or choose another with --port; --port 0 takes a free one."
        ) from error
    listener.setblocking(False)
    return listener
