"""Vehicles, visits and the measuring of a volume in a real Chromium, over a real store."""

from __future__ import annotations

import asyncio
import re
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from fake_service import value
from playwright.async_api import Browser, FilePayload, Page, expect
from screen_rig import TABLET, assert_clean, browser, watched_page
from story_rig import StoryService, png

from holdwatch_daemon.messages import Live

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

pytestmark = [pytest.mark.timeout(180), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser"]  # the fixture, used by its name


@asynccontextmanager
async def page_at(
    browser: Browser, service: StoryService, path: str, *, scheme: str = "dark"
) -> AsyncIterator[tuple[Page, str]]:
    """Open a page; fails at the end if it broke a rule of its own or asked elsewhere."""
    opened = watched_page(browser, service.as_service, TABLET, path, scheme=scheme)
    async with opened as (page, url, errors):
        yield page, url
    # A browser tells every refusal (409) as an error of its console.
    assert [line for line in errors if "409" not in line] == []


async def write(page: Page) -> None:
    await page.get_by_role("button", name="Write it down", exact=True).click()
    await expect(page.locator("#dialog")).not_to_be_visible()


async def test_a_visit_from_the_search_to_the_report(browser: Browser, tmp_path: Path) -> None:
    service = StoryService(tmp_path)
    async with page_at(browser, service, "vehicles") as (page, url):
        await expect(page.locator("#vehicles li")).to_have_count(5)
        await assert_clean(page, "the list")
        await page.get_by_label("Fleet number, plate or VIN").fill("lib204")
        await expect(page.locator("#vehicles li")).to_have_count(1)
        await page.get_by_role("link", name="BM-04").click()

        await expect(page.locator("#sentence")).to_contain_text("Before the repair: between")
        await expect(page.locator("#plot svg.chart").first).to_be_attached()
        await assert_clean(page, "a vehicle")
        await page.get_by_role("button", name="Open a visit…").click()
        await page.get_by_label("What the customer says").fill("Warm again, on the long tour.")
        await page.get_by_role("button", name="Open", exact=True).click()

        await expect(page.locator("#lamp")).to_contain_text("Start with the ultraviolet lamp")
        await page.get_by_role("button", name="A find…").click()
        dialog = page.locator("#dialog")
        await dialog.get_by_role("radio", name="condenser", exact=True).check()
        await assert_clean(page, "the dialog of a find")
        await write_is_refused_without_means(page)
        await dialog.get_by_role("radio", name="dye under ultraviolet light").check()
        await dialog.get_by_role("radio", name="Points to a leak").check()
        await page.set_input_files(
            "#photos",
            files=FilePayload(name="row.png", mimeType="image/png", buffer=png(90, pixels=8)),
        )
        await write(page)
        await expect(page.locator("#suspects li").first).to_contain_text("condenser")
        picture = page.locator("#findings img")
        await expect(picture).to_have_js_property("complete", True)
        assert await picture.evaluate("image => image.naturalWidth") == 8

        await page.get_by_role("button", name="Close the visit").click()
        await expect(page.locator("#refused")).to_contain_text("not-repaired: not answered")
        await assert_clean(page, "a visit that is not closed")
        await page.get_by_role("button", name="Advice…").click()
        await page.get_by_label("In words").fill("The condenser leaks; not filled up again.")
        await write(page)
        await page.get_by_role("button", name=re.compile("^Answer: Tell the customer")).click()
        await page.get_by_role("button", name="Answer", exact=True).click()
        await expect(page.locator("#points li")).to_have_count(0)
        await page.get_by_role("button", name="Close the visit").click()
        await expect(page.locator("#sentence")).to_contain_text("Closed on")
        await expect(page.get_by_role("button", name="A find…")).not_to_be_visible()

        link = await page.get_by_role("link", name="HTML").get_attribute("href")
        report = await page.request.get(url.rstrip("/") + str(link))
        assert "The condenser leaks; not filled up again." in await report.text()
        assert "data:image/jpeg;base64," in await report.text()  # made smaller by the screen
        await page.goto(url.rstrip("/") + str(link))  # its own style is let through, nothing else
        await expect(page.locator("main").first).to_have_css("padding-top", "22.6772px")


async def write_is_refused_without_means(page: Page) -> None:
    await page.get_by_role("button", name="Write it down", exact=True).click()
    await expect(page.locator("#dialog-told")).to_contain_text("Choose the place")


class BottleBay:
    """A bay whose gauge is on the bottle: a reading every ten seconds of simulated time."""

    def __init__(self, service: StoryService, page: Page) -> None:
        self._service, self._page = service, page
        self._now = datetime(2026, 5, 4, 8, tzinfo=UTC)

    async def stands(self, kpa_gauge: float, seconds: int, *, falls_by: float = 0.0) -> None:
        for at in range(0, seconds, 10):
            self._now += timedelta(seconds=10)
            pressure = 1e3 * (kpa_gauge + falls_by * (seconds - at))
            values = [
                value("high_side", pressure, "", "kPa (gauge)"),
                value("vacuum", 40.0, "", "Pa"),
                value("pipe_temperature.1", 294.15, "21.0", "°C"),
                value("pipe_temperature.2", 295.15, "22.0", "°C"),
            ]
            self._service.lives["bay-1"] = Live(
                bay="bay-1",
                time=self._now.isoformat(),
                simulated=True,
                values=values,
                barometer_pa=101.3e3,
            )
            self._service.tell("bay-1")
            await asyncio.sleep(0.15)


async def test_a_volume_is_measured_step_by_step(browser: Browser, tmp_path: Path) -> None:
    service = StoryService(tmp_path)
    async with page_at(browser, service, "expansion?vehicle=BM-04", scheme="light") as (page, _):
        bay = BottleBay(service, page)
        take = page.get_by_role("button", name="Take these readings")
        await expect(page.locator(".caution")).to_contain_text("never oxygen, never air")
        await page.get_by_role("button", name="I have read this").click()
        await page.get_by_role("radio", name="Bay 1").check()
        await bay.stands(900.0, 20)
        await expect(page.get_by_label("Gauge on the bottle")).to_have_value("high_side")
        await expect(page.get_by_label("Thermometer on the pipes")).to_have_value(
            "pipe_temperature.2"
        )
        await assert_clean(page, "the instruments")
        await page.get_by_role("button", name="Next").click()
        await page.get_by_label("Bottle with its valve, litres").fill("2")
        await page.get_by_label("Hose between bottle").fill("30")
        await page.get_by_role("button", name="Next").click()
        await expect(page.locator("h2")).to_contain_text("Is the vehicle evacuated")
        await take.click()
        await bay.stands(900.0, 60)
        await expect(page.locator(".still")).to_have_text("It stands still. Take the readings.")
        await assert_clean(page, "a reading")
        await take.click()
        await expect(page.locator("h2")).to_contain_text("Open the bottle into the vehicle")
        await bay.stands(450.0, 60, falls_by=1.0)
        await expect(page.locator(".still")).to_have_text("Still moving. Wait.")
        await take.click()
        await expect(page.locator("#told")).to_contain_text("still moving")
        await bay.stands(450.0, 70)
        await expect(page.locator(".still")).to_have_text("It stands still. Take the readings.")
        await take.click()
        # By hand, ideal gas: 2.0 l (1001.3/294.15 - 551.3/294.15) / ((551.3 - 0.04)/295.15)
        # less 0.03 l of hose = 1.608 l.
        await expect(page.locator(".lead")).to_contain_text("1.61 litres", timeout=60_000)
        await assert_clean(page, "the result")
        await page.get_by_role("button", name="Keep as the vehicle’s volume").click()
        await expect(page.locator("#told")).to_contain_text("Every later hold of BM-04 uses it.")


async def test_what_only_waits_or_proves_nothing_is_shown_so(
    browser: Browser, tmp_path: Path
) -> None:
    service, day = StoryService(tmp_path), "2026-06-01"
    hold = {"hold_id": "bay-9-never", "on": day, "procedure": "pressure-decay", "outcome": "pass"}
    visit = {
        "number": "x-1", "unit": "BM-04", "opened_on": day, "holds": [hold],
        "repairs": [{"place": "condenser", "act": "renewed", "on": day}],
        "weighings": [{"kind": "recovered", "grams": 590, "on": day}],
    }  # fmt: skip
    volume = {"litres": 0.3, "relative_u": 0.05, "how": "stated", "source": "stated by the shop"}
    async with page_at(browser, service, "vehicle?name=BM-04") as (page, url):
        api = url.rstrip("/") + "/api/v1/"
        content = {"format": 1, "work_orders": [visit]}
        assert (await page.request.post(f"{api}story", data=content)).ok
        kept = {"section_volumes": {"compressor": volume}}
        assert (await page.request.patch(f"{api}vehicles/BM-04", data=kept)).ok
        await page.goto(f"{url.rstrip('/')}/visit?number=x-1")
        await expect(page.locator("#holds")).to_contain_text("not judged here, no proof; it says")
        await expect(page.locator("#holds .outcome")).to_have_count(0)
        point = page.locator("#points li").filter(has_text="590 g is written down; confirm it")
        await expect(point.get_by_role("button")).to_have_text("Confirm…")
        await point.get_by_role("button").click()
        await page.get_by_role("button", name="Answer", exact=True).click()
        await expect(point).to_have_count(0)
        await page.goto(f"{url.rstrip('/')}/vehicle?name=BM-04")
        fact = page.locator("#facts div").filter(has_text="Volume of compressor")
        await expect(fact.locator("dd")).to_have_text(
            "0.3 litres ±5.0 % (stated: stated by the shop)"
        )
        shown = page.locator("#visits li").filter(has_text="x-1")
        await expect(shown).to_contain_text("holds brought by a file, not judged here")
        await assert_clean(page, "the vehicle")
