"""The bay screen in a real Chromium: the browser, and a page over a scripted service."""

from __future__ import annotations

from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import pytest
import pytest_asyncio
from axe_playwright_python.async_playwright import Axe
from fake_service import FakeService, nitrogen, vacuum
from playwright.async_api import Browser, Page, async_playwright, expect
from system_parts import require

from holdwatch_api.app import create_app, serve

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.service import Service

CHROMIUM = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
expect.set_options(timeout=20_000)  # a busy machine takes its time
TV = (1920, 1080)
TABLET = (1024, 768)


@pytest_asyncio.fixture(loop_scope="module", scope="module")
async def browser() -> AsyncIterator[Browser]:
    program = require("chromium", "chromium")
    async with (
        async_playwright() as play,
        await play.chromium.launch(executable_path=program, args=CHROMIUM) as browser,
    ):
        yield browser


@asynccontextmanager
async def watched_page(
    browser: Browser,
    service: Service,
    size: tuple[int, int],
    path: str,
    *,
    scheme: str = "dark",
    motion: str = "no-preference",
) -> AsyncIterator[tuple[Page, str, list[str]]]:
    """Open a page; yields it, the address of its service, and the errors that it tells.

    Fails at the end if the page asked elsewhere; its errors are for the caller to judge.
    """
    errors: list[str] = []
    asked: set[str] = set()
    async with (
        serve(create_app(service), port=0) as serving,
        await browser.new_context(
            viewport={"width": size[0], "height": size[1]},
            color_scheme="light" if scheme == "light" else "dark",
            reduced_motion="reduce" if motion == "reduce" else "no-preference",
        ) as context,
    ):
        page = await context.new_page()
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("request", lambda request: asked.add(request.url))
        page.on(
            "console",
            lambda line: errors.append(line.text) if line.type == "error" else None,
        )
        await page.goto(serving.url + path)
        yield page, serving.url, errors
    assert {url for url in asked if not url.startswith(serving.url)} == set()


@asynccontextmanager
async def screen(
    browser: Browser,
    service: FakeService,
    size: tuple[int, int] = TV,
    path: str = "",
    *,
    scheme: str = "dark",
    motion: str = "no-preference",
) -> AsyncIterator[Page]:
    """Open the screen; fails at the end if the page reported an error or asked elsewhere."""
    opened = watched_page(browser, service.as_service, size, path, scheme=scheme, motion=motion)
    async with opened as (page, _, errors):
        await expect(page.locator("#link-text")).to_have_text("Live")
        yield page
    assert errors == []


@pytest.fixture
def service() -> FakeService:
    service = FakeService()
    service.set_hold("bay-1", nitrogen(23.0))
    service.set_hold("bay-2", vacuum(9.0))
    return service


async def assert_clean(page: Page, where: str) -> None:
    results = await Axe().run(page)
    serious = [
        f"{where}: {found['id']} ({found['impact']}): {node['html'][:160]} {node['failureSummary']}"
        for found in results.response["violations"]
        if found["impact"] in {"serious", "critical"}
        for node in found["nodes"]
    ]
    assert serious == []
    assert len(results.response["passes"]) > 10  # it has looked
