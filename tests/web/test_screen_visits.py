"""A hold bound to a work order from the bay screen, in a real Chromium."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from fake_service import FakeService, nitrogen
from playwright.async_api import Browser, Route, expect
from screen_rig import TABLET, assert_clean, browser, screen, service

if TYPE_CHECKING:
    from playwright.async_api import Page

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser", "service"]  # the fixtures, used by their names

VISITS = [
    {"number": "2026-1", "opened_on": "2026-01-05", "closed_on": "2026-01-06", "complaint": ""},
    {"number": "2026-4", "opened_on": "2026-03-01", "closed_on": None, "complaint": "cools badly"},
]

PLACES = [
    {"key": "system", "name": "the whole system", "parent": None, "leaf": False},
    {"key": "front", "name": "front part", "parent": "system", "leaf": False},
    {"key": "drier", "name": "drier", "parent": "front", "leaf": True},
]


async def let_the_vehicle_be_known(page: Page) -> None:
    async def answer(route: Route) -> None:
        path = route.request.url.split("/api/v1/vehicles")[1]
        told: object = [{"fleet_number": "BM-03"}]
        if path == "/BM-03":
            told = {"visits": VISITS}
        elif path == "/BM-03/words":
            told = {"places": PLACES}
        await route.fulfill(body=json.dumps(told), content_type="application/json")

    await page.route("**/api/v1/vehicles**", answer)
    await page.route("**/api/v1/vehicles/**", answer)


async def test_a_hold_is_begun_for_the_open_work_order(
    browser: Browser, service: FakeService
) -> None:
    service.set_hold("bay-1", None)
    async with screen(browser, service, TABLET) as page:
        await let_the_vehicle_be_known(page)
        bay, dialog = page.locator("#bay-bay-1"), page.locator("#start")
        await bay.locator(".start").click()
        pick = dialog.get_by_label("Work order", exact=True)
        await expect(pick.locator("option")).to_have_text(
            ["2026-4, opened 2026-03-01: cools badly", "none"]
        )
        await assert_clean(page, "the start dialog with a work order")
        await dialog.get_by_text("Only a part of the unit").click()
        part = dialog.get_by_label("Part that is shut off from the rest")
        await expect(part.locator("option")).to_have_text(["the whole unit", "front part"])
        await part.select_option("front part")
        await dialog.get_by_label("Its volume, litres").fill("1.25")
        await dialog.get_by_label("I have checked these points.").check()
        await dialog.get_by_role("button", name="Start").click()
        await expect(bay.locator(".sentence")).to_contain_text("Holding, 7 min.")
    ((_, said, _),) = service.commands
    told = said.model_dump()
    assert told["work_order"] == "2026-4"
    assert (told["section"], told["volume_l"]) == ("front", 1.25)


async def test_a_decided_hold_is_bound_later(browser: Browser, service: FakeService) -> None:
    service.set_hold("bay-1", nitrogen(34.0, "pass"))
    async with screen(browser, service, TABLET) as page:
        bay, dialog = page.locator("#bay-bay-1"), page.locator("#bind")
        await bay.get_by_role("button", name="Work order…").click()
        await expect(dialog).to_contain_text("No work order is open for BM-03")
        await expect(dialog.get_by_role("button", name="Bind")).to_be_hidden()
        await dialog.get_by_role("button", name="Cancel").click()
        await let_the_vehicle_be_known(page)
        await bay.get_by_role("button", name="Work order…").click()
        await expect(dialog).to_contain_text("stands in the report of the visit of BM-03")
        await assert_clean(page, "the work order dialog")
        await dialog.get_by_role("button", name="Bind").click()
        await expect(bay.locator(".answer")).to_have_text("Done.")
    ((name, said, _),) = service.commands
    assert (name, said.command) == ("bay-1", "bind_work_order")
    assert said.model_dump()["work_order"] == "2026-4"
