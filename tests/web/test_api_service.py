"""The API over the real service: a nitrogen hold from command to verdict, and on the screen."""

from __future__ import annotations

import json
import re
import sqlite3
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from daemon_rig import (
    FedAdapter,
    TurnedClock,
    eventually,
    first_event,
    run_hold,
    settled,
    shop,
    tight_hold,
)
from playwright.async_api import async_playwright, expect
from screen_rig import CHROMIUM
from system_parts import require

from holdwatch_api.app import create_app, serve
from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from holdwatch_daemon.clock import SystemClock

pytestmark = pytest.mark.timeout(240)
HOLD_S = 2400


class Bench:
    """A served service with the probes in the test's hand."""

    def __init__(self, service: Service, clock: TurnedClock, adapter: FedAdapter, url: str) -> None:
        self.service = service
        self.clock = clock
        self.adapter = adapter
        self.url = url
        self.client = httpx.AsyncClient(base_url=url, timeout=20)

    async def get(self, path: str) -> Any:
        got = await self.client.get(path)
        assert got.status_code == 200, got.text
        return got.json()

    async def post(self, path: str, **body: object) -> httpx.Response:
        return await self.client.post(path, json=body)

    def decided(self) -> bool:
        return self.service.bay_state("BM-bay1").doing == "verdict"

    async def warm_up(self) -> None:
        """Let the probes say something, as before any hold."""
        for second in tight_hold(self.clock, 3):
            self.adapter.put(*second)
        await settled(self.service, self.adapter)


@asynccontextmanager
async def bench(data: Path) -> AsyncIterator[Bench]:
    clock: Any = TurnedClock()
    turned: SystemClock = clock
    adapter = FedAdapter()
    async with (
        Service(shop(data), turned, [adapter]) as service,
        serve(create_app(service), port=0) as serving,
    ):
        made = Bench(service, clock, adapter, serving.url)
        async with made.client:
            yield made


async def test_a_hold_runs_from_command_to_verdict_over_http(tmp_path: Path) -> None:
    async with bench(tmp_path) as at:
        await at.warm_up()
        (bay,) = await at.get("/api/v1/bays")
        assert (bay["bay"], bay["doing"], bay["unit"]) == ("BM-bay1", "idle", "BM-03")
        recipe, *shipped = await at.get("/api/v1/recipes?bay=BM-bay1")
        assert (recipe["name"], recipe["max_pressure_kpa_g"]) == ("nitrogen", 1800.0)
        assert "overnight-nitrogen" in [one["name"] for one in shipped]
        unknown = await at.post("/api/v1/bays/BM-bay1/holds", recipe="helium")
        assert unknown.status_code == 409
        assert "helium" in unknown.json()["text"]

        started = await at.post("/api/v1/bays/BM-bay1/holds", recipe="nitrogen", id="start-1")
        assert started.status_code == 200, started.text
        again = await at.post("/api/v1/bays/BM-bay1/holds", recipe="nitrogen", id="start-1")
        assert again.json() == started.json()
        hold_id = started.json()["hold_id"]
        said = await at.post("/api/v1/bays/BM-bay1/command", command="say_isolated", id="say-1")
        assert said.json()["ok"], said.text

        await run_hold(
            at.service, at.clock, at.adapter, HOLD_S, leak_pa_per_s=60.0, until=at.decided
        )
        assert at.decided()
        await first_event(at.service, "holdwatch.verdict")  # from here on it is on the disk
        state = await at.get("/api/v1/bays/BM-bay1")
        assert state["hold"]["outcome"] == "fail"
        detail = await at.get(f"/api/v1/holds/{hold_id}")
        assert detail["verdict"]["outcome"] == "fail"
        assert detail["recipe_toml"].count("pressure-decay") == 1
        with sqlite3.connect(tmp_path / "holdwatch.db") as store:
            stored = store.execute("SELECT outcome FROM verdicts").fetchall()
        store.close()
        assert stored == [("fail",)]

        curve = await at.get(f"/api/v1/holds/{hold_id}/curve")
        judged = [point for point in curve["points"] if point["compensated_pa"] is not None]
        assert judged[-1]["low_g_per_year"] > state["hold"]["criterion_limit"]
        rest = await at.get(f"/api/v1/holds/{hold_id}/curve?after={curve['next'] - 2}")
        assert rest["points"] == curve["points"][-2:]
        trace = await at.get(f"/api/v1/holds/{hold_id}/trace?points=100")
        assert set(trace["series"]) == {"low_side", "pipe_temperature", "barometer"}
        assert len(trace["series"]["low_side"]["t_s"]) <= 110

        late = await at.post(f"/api/v1/holds/{hold_id}/stop")
        assert late.status_code == 409
        assert "nothing to stop" in late.json()["text"]


async def test_a_running_hold_is_stopped_by_its_id(tmp_path: Path) -> None:
    async with bench(tmp_path) as at:
        await at.warm_up()
        started = await at.post("/api/v1/bays/BM-bay1/holds", recipe="nitrogen")
        hold_id = started.json()["hold_id"]
        await run_hold(at.service, at.clock, at.adapter, 60)
        stopped = await at.post(f"/api/v1/holds/{hold_id}/stop")
        assert stopped.status_code == 200, stopped.text
        await first_event(at.service, "holdwatch.verdict")
        verdict = (await at.get(f"/api/v1/holds/{hold_id}"))["verdict"]
        assert verdict["outcome"] == "inconclusive"


async def test_events_over_http_are_the_stored_ones_without_gap(tmp_path: Path) -> None:
    async with bench(tmp_path) as at:
        await at.warm_up()
        await at.post("/api/v1/bays/BM-bay1/holds", recipe="nitrogen")
        await eventually(lambda: at.service.events.newest >= 2)
        newest = at.service.events.newest
        read: list[dict[str, Any]] = []
        async with at.client.stream("GET", "/api/v1/events?after=0") as got:
            async for line in got.aiter_lines():
                if line.startswith("data: "):
                    read.append(json.loads(line.removeprefix("data: ")))
                if len(read) == newest:
                    break
        assert [event["sequence"] for event in read] == list(range(1, newest + 1))
        with sqlite3.connect(tmp_path / "holdwatch.db") as store:
            bodies = store.execute("SELECT body FROM events ORDER BY sequence").fetchall()
        store.close()
        assert read == [json.loads(body) for (body,) in bodies[:newest]]


async def test_health_and_metrics_of_the_real_process(tmp_path: Path) -> None:
    async with bench(tmp_path) as at:
        await at.warm_up()
        health = await at.get("/health")
        assert health["status"] in {"ok", "degraded"}
        assert {"adapters", "broker", "store"} <= set(health["parts"])
        metrics = (await at.client.get("/metrics")).text
        # A sample line of the text format: name, labels, a space, a number.
        sample = re.compile(r'holdwatch_\w+(\{(\w+="[^"]*",?)+\})? [-+0-9.eInfNa]+')
        lines = [line for line in metrics.splitlines() if not line.startswith("# ")]
        assert len(lines) > 3
        assert [line for line in lines if not sample.fullmatch(line)] == []


async def test_the_screen_follows_a_real_hold_to_its_verdict(tmp_path: Path) -> None:
    program = require("chromium", "chromium")
    async with (
        bench(tmp_path) as at,
        async_playwright() as play,
        await play.chromium.launch(executable_path=program, args=CHROMIUM) as browser,
    ):
        await at.warm_up()
        page = await browser.new_page(viewport={"width": 1920, "height": 1080})
        await page.goto(at.url)
        expect.set_options(timeout=20_000)
        bay = page.locator("#bay-BM-bay1")
        await expect(bay.locator(".sentence")).to_contain_text("No hold is running")
        await bay.locator(".start").click()
        await expect(page.locator("#cautions")).to_contain_text("1,800 kPa (gauge)")
        await page.locator("#checked").check()
        await page.locator("#go").click()
        await expect(bay.locator(".stop")).to_be_visible()
        await run_hold(at.service, at.clock, at.adapter, 30)
        await bay.get_by_role("button", name="The valve is closed").click()
        await expect(bay.locator(".answer")).to_have_text(
            re.compile(r"closed|noted", re.IGNORECASE)
        )
        number = bay.locator(".number.main .value")
        # 15 bar (gauge), as the probe says, in the shop's unit.
        await expect(number).to_have_text(re.compile(r"^1.?(499|500|501)\.\d$"))
        await expect(bay.locator(".number.main .unit")).to_have_text("kPa (gauge)")

        await run_hold(
            at.service, at.clock, at.adapter, HOLD_S, leak_pa_per_s=60.0, until=at.decided
        )
        await expect(bay.locator(".mark")).to_be_hidden()
        await expect(bay.locator(".verdict-word")).to_have_text("FAIL")
        verdict = at.service.bay_state("BM-bay1").sentence
        await expect(bay.locator(".verdict-sentence")).to_have_text(verdict)
        await expect(bay.locator(".reasons li").first).to_contain_text("confidence")
        await expect(bay.locator("path.line")).to_have_count(2)  # measured, limit
        await expect(bay.locator("path.band")).to_have_count(1)
        await page.screenshot(path=tmp_path / "verdict.png")
