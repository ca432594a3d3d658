"""The whole record in a real Chromium, over a real store: drawn as a band, zoomed to readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import httpx
import pytest
from daemon_rig import TurnedClock, shop
from playwright.async_api import Browser, expect
from screen_rig import assert_clean, browser
from store_shop import START_S, fill

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = [pytest.mark.timeout(120), pytest.mark.asyncio(loop_scope="module")]

__all__ = ["browser"]  # the fixture, used by its name


async def test_the_record_is_drawn_and_zoomed_down_to_readings(
    browser: Browser, tmp_path: Path
) -> None:
    opened = open_database(tmp_path / "holdwatch.db", "2026-09-21T14:00:00.000Z")
    fill(opened.connection, seconds=7200, story=False)
    roll_all(opened.connection, Ids("other", simulated=False))
    opened.connection.close()
    opened.lock.release()
    errors: list[str] = []
    async with (
        Service(shop(tmp_path), TurnedClock(), []) as service,
        serve(create_app(service), port=0) as serving,
        httpx.AsyncClient(base_url=serving.url) as client,
        await browser.new_page(viewport={"width": 1024, "height": 900}) as page,
    ):
        query = {"channel": "gauge/pressure", "points": "10", "from": "2026-09-21T14:00:00Z"}
        answer = await client.get("/api/v1/history", params=query | {"to": "2026-09-21T16:00:00Z"})
        body = answer.json()
        assert (body["width_s"], body["whole"], body["from_s"]) == (1200, True, START_S)
        assert [sum(each["count"]) for each in body["series"]] == [7200]
        refused = await client.get("/api/v1/history", params=query | {"to": query["from"]})
        assert refused.status_code == 409
        page.on("pageerror", lambda error: errors.append(str(error)))
        page.on("console", lambda line: errors.append(line.text) if line.type == "error" else None)
        await page.goto(f"{serving.url}history")
        await page.get_by_text("The whole record").click()
        told = page.locator("#record-told")
        await expect(told).to_contain_text("lowest, mean and highest of every 5 s")
        for line in ("path.band", "path.line"):
            await expect(page.locator(f"#record-plot {line}")).to_have_count(1)
        await assert_clean(page, "the record")
        plot = page.locator("#record-plot")
        await plot.scroll_into_view_if_needed()
        box = await plot.bounding_box()
        assert box is not None
        middle = box["y"] + box["height"] / 2
        await page.mouse.move(box["x"] + 300, middle)
        await page.mouse.down()
        await page.mouse.move(box["x"] + 400, middle, steps=5)
        await page.mouse.up()
        await expect(told).to_contain_text("single readings")
        await page.locator("#channel").select_option("1")
        await expect(told).to_contain_text("every 5 s")
    assert errors == []
