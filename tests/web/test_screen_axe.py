"""The accessibility rules of axe-core, run in Chromium on every face of the screen."""

from __future__ import annotations

import pytest
from fake_service import STARTED, FakeService, nitrogen, vacuum
from playwright.async_api import Browser, expect
from screen_rig import TABLET, assert_clean, browser, screen, service

from holdwatch_daemon.messages import Alarm

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser", "service"]  # the fixtures, used by their names


@pytest.mark.parametrize("scheme", ["dark", "light"])
async def test_the_screen_breaks_no_serious_rule(
    browser: Browser, service: FakeService, scheme: str
) -> None:
    alarm = Alarm(id="a-1", kind="overpressure", text="Pressure too high.", since=STARTED)
    service.set_hold("bay-2", vacuum(15.0, "inconclusive"))
    async with screen(browser, service, TABLET, scheme=scheme, motion="reduce") as page:
        await expect(page.locator(".plot svg.chart").first).to_be_attached()
        await assert_clean(page, "a hold and a verdict")
        await page.locator("#bay-bay-2 .start").click()
        await assert_clean(page, "the start dialog")
        await page.locator("#start").get_by_role("button", name="Cancel").click()
        await page.get_by_role("button", name="Units").click()
        await assert_clean(page, "the units dialog")
        await page.get_by_role("button", name="Done").click()
        service.set_hold("bay-1", nitrogen(34.0, "fail"), alarm)
        service.set_hold("bay-2", vacuum(15.0, "pass"))
        await expect(page.locator("div.alarm")).to_be_visible()
        await assert_clean(page, "an alarm and verdicts")
