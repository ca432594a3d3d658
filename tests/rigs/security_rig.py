"""What tests of tokens and screens stand on: a service that asks for tokens, and its routes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import httpx
from fake_service import FakeService

from holdwatch_api.app import create_app
from holdwatch_api.security.tokens import FILE, TokenBook
from holdwatch_daemon.settings.shop import ShopConfig

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from fastapi import FastAPI

CERTIFIED = {"host": "0.0.0.0", "certificate": "c.pem", "private_key": "k.pem"}  # noqa: S104 - never bound
"""A table under which every request needs a token."""


def guarded_service(folder: Path, **http: object) -> FakeService:
    """Return a service whose tokens are in the folder; by default one that the network reaches."""
    service = FakeService()
    table: dict[str, Any] = service.config.model_dump(mode="json")
    table["site"]["data"] = str(folder)
    table["http"] |= http or CERTIFIED
    service.config = ShopConfig.model_validate(table)
    return service


def book_of(service: FakeService) -> TokenBook:
    """The tokens of a service, as a command would open them."""
    return TokenBook(service.config.site.data / FILE)


def client_of(
    app: FastAPI, address: str = "192.168.7.2", base: str = "http://localhost"
) -> httpx.AsyncClient:
    """A browser at an address; it keeps cookies."""
    transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 1))
    return httpx.AsyncClient(transport=transport, base_url=base)


def app_of(service: FakeService) -> FastAPI:
    return create_app(service.as_service)


def bearer(text: str) -> dict[str, str]:
    return {"authorization": f"Bearer {text}"}


def every_route(routes: Iterable[Any]) -> Iterator[tuple[str, str]]:
    """Yield path and method of every route, however deep it was included."""
    for route in routes:
        inner = getattr(route, "original_router", None)
        if inner is not None:
            yield from every_route(inner.routes)
        elif getattr(route, "methods", None):
            for method in route.methods:
                yield route.path, method
        else:
            yield f"{route.path}/screen.js", "GET"  # a mounted folder
