"""The page of past holds in a real Chromium: sifted by unit and day, overlaid, zoomed."""

from __future__ import annotations

import pytest
from fake_service import FakeService, nitrogen, vacuum
from playwright.async_api import Browser, expect
from screen_rig import assert_clean, browser, service

from holdwatch_api.app import create_app, serve

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser", "service"]  # the fixtures, used by their names


@pytest.mark.parametrize("scheme", ["dark", "light"])
async def test_past_holds_are_sifted_overlaid_and_zoomed(
    browser: Browser, service: FakeService, scheme: str
) -> None:
    service.set_hold("bay-1", nitrogen(34.0, "fail"))
    service.set_hold("bay-2", vacuum(15.0, "pass"))
    service.more_holds("bay-1", 3)
    errors: list[str] = []
    async with (
        serve(create_app(service.as_service), port=0) as serving,
        await browser.new_page(
            viewport={"width": 1024, "height": 768},
            color_scheme="light" if scheme == "light" else "dark",
        ) as page,
    ):
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda line: errors.append(line.text) if line.type == "error" else None)
        await page.goto(f"{serving.url}history")
        rows = page.locator("#rows tr")
        await expect(rows).to_have_count(4)  # of the newest hold's procedure
        await expect(page.locator("#plot path.line")).to_have_count(1)
        await rows.nth(1).get_by_role("checkbox").check()
        await rows.nth(2).get_by_role("checkbox").check()
        await expect(page.locator("#plot path.line")).to_have_count(3)
        await expect(rows.first).to_contain_text("FAIL")
        dashes = {
            await rows.nth(n)
            .locator("line")
            .evaluate("line => getComputedStyle(line).strokeDasharray")
            for n in (0, 1, 2)
        }
        assert len(dashes) == 3
        await assert_clean(page, "past holds")
        whole = await page.locator("#x1").input_value()
        await page.locator("#caption").scroll_into_view_if_needed()
        plot = await page.locator("#plot").bounding_box()
        assert plot is not None
        middle = plot["y"] + plot["height"] / 2
        await page.mouse.move(plot["x"] + 300, middle)
        await page.mouse.down()
        await page.mouse.move(plot["x"] + 500, middle, steps=5)
        await page.mouse.up()
        await expect(page.locator("#x1")).not_to_have_value(whole)
        await page.get_by_role("button", name="Show all").click()
        await expect(page.locator("#x1")).to_have_value(whole)
        await page.locator("#quantity").select_option("temperature")
        await expect(page.locator("#caption")).to_have_text("Pipe temperature, °C")
        await page.get_by_label("Unit", exact=True).select_option("VAN-11")
        await expect(rows).to_have_count(0)
        await page.get_by_label("Work", exact=True).select_option("standing-vacuum")
        await expect(rows).to_have_count(1)
        await page.get_by_label("From", exact=True).fill("2026-03-05")
        await expect(rows).to_have_count(0)
    assert errors == []
