"""Pages in Chromium: nothing foreign, nothing inline, and a screen that is paired by a code."""

from __future__ import annotations

import re
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import pytest
from fake_service import nitrogen
from playwright.async_api import Browser, Page, expect
from screen_rig import TABLET, assert_clean, browser
from security_rig import app_of, book_of, every_route, guarded_service

from holdwatch_api.app import serve

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from fake_service import FakeService

pytestmark = [pytest.mark.timeout(180), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser"]  # the fixture, used by its name

VIOLATIONS = """
window.violations = [];
addEventListener("securitypolicyviolation",
  (event) => window.violations.push(`${event.violatedDirective} ${event.blockedURI}`));
"""


@asynccontextmanager
async def opened(browser: Browser, url: str, *, scheme: str = "dark") -> AsyncIterator[Page]:
    """Open an address in a browser of its own; fails at the end on what the policy refused."""
    async with await browser.new_context(
        viewport={"width": TABLET[0], "height": TABLET[1]},
        color_scheme="light" if scheme == "light" else "dark",
    ) as context:
        page = await context.new_page()
        asked: set[str] = set()
        page.on("request", lambda request: asked.add(request.url))
        await page.add_init_script(VIOLATIONS)
        await page.goto(url)
        yield page
        assert await page.evaluate("() => window.violations") == []
        origin = re.match(r"http://[^/]*/", url)
        assert origin is not None
        assert {each for each in asked if not each.startswith(origin[0])} == set()


@pytest.fixture
def service(tmp_path: Path) -> FakeService:
    service = guarded_service(tmp_path, host="127.0.0.1")
    service.set_hold("bay-1", nitrogen(23.0))
    return service


async def test_no_page_breaks_its_own_policy(browser: Browser, service: FakeService) -> None:
    app = app_of(service)
    pages = sorted(
        path for path, method in every_route(app.routes) if re.match(r"^/[a-z-]*$", path)
    )
    pages = [path for path in pages if path not in {"/health", "/metrics"}]
    assert {"/", "/history"} <= set(pages)
    async with serve(app, port=0) as serving:
        for path in pages:
            async with opened(browser, serving.url.rstrip("/") + path) as page:
                await page.wait_for_load_state("networkidle" if path != "/" else "load")
                await page.wait_for_timeout(300)
                html = await (await page.request.get(page.url)).text()
                assert re.search(r"<style|<script(?![^>]* src=)|\sstyle=|\son[a-z]+=", html) is None


async def test_a_television_is_paired_from_a_screen_that_may_operate(
    browser: Browser, service: FakeService
) -> None:
    book = book_of(service)
    _, operate = book.make("operate", "Bench tablet")
    async with (
        serve(app_of(service), port=0) as serving,
        opened(browser, serving.url) as tv,
        opened(browser, serving.url, scheme="light") as tablet,
    ):
        code = tv.locator("#pair-code")  # it comes without a key being pressed
        await expect(code).to_have_text(re.compile("[A-Z]{4}-[A-Z]{4}"))
        await assert_clean(tv, "the sign-in dialog with a code")
        shown = await code.text_content()
        assert shown is not None
        await tablet.locator("#token").fill("not-a-token")
        await tablet.keyboard.press("Enter")
        await expect(tablet.locator("#sign-in-why")).to_contain_text("not known here")
        await tablet.locator("#token").fill(operate)
        await tablet.keyboard.press("Enter")
        await expect(tablet.locator("#link-text")).to_have_text("Live")
        await tablet.get_by_role("button", name="Access").click()
        await expect(tablet.locator("#access-who")).to_contain_text("operate as “Bench tablet”")
        await assert_clean(tablet, "the access dialog")
        await tablet.get_by_label("Code that it shows").fill(shown.lower())
        await tablet.get_by_label("Its name").fill("Bay TV")
        await tablet.get_by_role("button", name="Let it in").click()
        await expect(tablet.locator("#access-told")).to_contain_text("may watch as “Bay TV”")
        await expect(tv.locator("#link-text")).to_have_text("Live")
        await expect(tv.locator("#sign-in")).to_be_hidden()
        cookies = await tv.context.cookies()
        held = next(cookie for cookie in cookies if cookie["name"] == "holdwatch")
        assert held["httpOnly"]
        assert held["sameSite"] == "Strict"
        assert await tv.evaluate("() => document.cookie") == ""
        book.revoke("Bay TV")
        await expect(code).to_have_text(re.compile("[A-Z]{4}-[A-Z]{4}"))  # it asks anew by itself


async def test_past_holds_ask_for_a_token_too(browser: Browser, service: FakeService) -> None:
    _, watch = book_of(service).make("watch", "office")
    async with (
        serve(app_of(service), port=0) as serving,
        opened(browser, f"{serving.url}history") as page,
    ):
        await expect(page.locator("#sign-in-why")).to_contain_text("needs a token")
        await page.locator("#token").fill(watch)
        await page.keyboard.press("Enter")
        await expect(page.locator("#told")).to_have_text("1 hold")
