"""The story in the store: written whole, found fast, beside a running service."""

from __future__ import annotations

import asyncio
import sqlite3
import time
import tomllib
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import BAY, FedAdapter, TurnedClock, settled, shop, shop_table, start, stop

from holdwatch_api.app import create_app
from holdwatch_api.routes.recipes import summaries
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.jobs.files import KINDS
from holdwatch_daemon.messages import StartHold, StopHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_procedures.vehicles.job import Job
from holdwatch_procedures.vehicles.validation import VehicleError, load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page
    from holdwatch_daemon.store.transactions import Transactions

DAY = "2026-05-11"
UNIT = {
    "fleet_number": "BM-02",
    "plate": "LIB 202",
    "vin": "1M8GDM9AXKP042788",
    "description": "library van",
    "refrigerant": "R134a",
    "nameplate_charge_g": 900,
    "oil": {"kind": "PAG", "grade": "46", "amount_ml": 180},
    "evaporators": 2,
    "volume": {
        "litres": 1.6, "relative_u": 0.01, "how": "measured", "source": "nitrogen expansion",
        "measured_on": DAY,
    },
    "max_pressure_kpa_g": 1600,
    "own_places": {"roof joint": "high-side"},
    "section_volumes": {
        "compressor": {"litres": 0.3, "relative_u": 0.05, "how": "stated", "source": "the shop"},
    },
}  # fmt: skip
VISIT = {
    "number": "2026-0001",
    "unit": "BM-02",
    "opened_on": DAY,
    "complaint": "warm",
    "weighings": [{"kind": "charged", "grams": 900, "on": DAY, "tops_up": True}],
    "holds": [
        {"hold_id": "h1", "on": DAY, "procedure": "pressure-decay", "outcome": "fail",
         "g_per_year": 200.5, "low": 60.25, "high": 350, "readings_sha256": "a" * 64,
         "after_repair": True},
    ],
    "findings": [
        {"place": "condenser", "means": "dye", "points": "for", "on": DAY,
         "misled_by": ["dye-from-earlier-repair"], "photographs": ["b" * 64], "note": "glows"},
    ],
    "dye": [{"dye": "yellow", "amount_ml": 8, "on": DAY, "way": "under vacuum"}],
    "repairs": [{"place": "condenser", "act": "renewed", "on": DAY, "oil_lost_ml": 15}],
    "parts": [{"name": "condenser", "quantity": 1}],
    "advice": ["Come back.", "Soon."],
    "answers": [{"point": "oil", "answer": "done", "note": "15 in", "by": "K.", "on": DAY}],
}  # fmt: skip


def unit(**changes: Any) -> Vehicle:
    return load_row(Vehicle, {**UNIT, **changes}, where="unit")


def visit(**changes: Any) -> Job:
    return load_row(Job, {**VISIT, **changes}, where="visit")


def stored_visit(**changes: Any) -> Job:
    """The visit as the store gives it back: its hold is none of the store's."""
    (hold,) = visit().holds
    kept = hold.model_copy(update={"judged_elsewhere": True})
    return visit(**changes).model_copy(update={"holds": (kept,)})


def book_in(folder: Path, transactions: Transactions | None = None) -> StoryBook:
    return StoryBook(folder / "holdwatch.db", time.time_ns, transactions)


def filled(folder: Path, transactions: Transactions | None = None) -> StoryBook:
    book = book_in(folder, transactions)

    def change(page: Page) -> None:
        page.put_unit(unit())
        page.put_visit(visit(), "visit opened")

    book.write(change)
    return book


def test_a_unit_and_a_visit_come_back_as_they_were_written(tmp_path: Path) -> None:
    story = filled(tmp_path).story("bm02")
    assert story.unit == unit()
    assert story.visits == (stored_visit(),)


def test_a_bare_unit_and_visit_come_back_too(tmp_path: Path) -> None:
    book = book_in(tmp_path)
    bare = load_row(Vehicle, {"plate": "LIB 9", "refrigerant": "R-744"}, where="unit")
    order = load_row(Job, {"number": "a", "unit": "lib9", "opened_on": DAY}, where="visit")

    def change(page: Page) -> None:
        page.put_unit(bare)
        page.put_visit(order, "visit opened")

    book.write(change)
    assert book.story("LIB-9").unit == bare
    assert book.story("LIB-9").visits == (order,)


def test_every_list_of_a_job_has_its_table_as_csv() -> None:
    assert {kind.field for kind in KINDS} == set(Job.model_fields) - {
        "number", "unit", "opened_on", "closed_on", "complaint",
    }  # fmt: skip


@pytest.mark.parametrize(
    "words", ["BM-02", "bm 02", "lib202", "LIB-202", "1m8gdm9axkp042788", "042788", "LIBRARY"]
)
def test_a_unit_is_found_by_any_identifier_however_it_is_typed(tmp_path: Path, words: str) -> None:
    found = filled(tmp_path).ask(lambda c: stored_vehicles.find_vehicles(c, words))
    assert [one.vehicle.name for one in found] == ["BM-02"]


def test_what_is_typed_whole_comes_first(tmp_path: Path) -> None:
    book = book_in(tmp_path)

    def change(page: Page) -> None:
        for name in ("ABM-1", "BM-11", "BM-1", "BM-2"):
            page.put_unit(unit(fleet_number=name, plate="", vin=None))

    book.write(change)
    found = book.ask(lambda c: stored_vehicles.find_vehicles(c, "bm1"))
    assert [one.vehicle.name for one in found] == ["BM-1", "BM-11"]
    found = book.ask(lambda c: stored_vehicles.find_vehicles(c, "m1"))
    assert [one.vehicle.name for one in found] == ["ABM-1", "BM-11", "BM-1"]
    assert book.ask(lambda c: stored_vehicles.find_vehicles(c, "%")) == []


def test_two_vehicles_never_share_an_identifier(tmp_path: Path) -> None:
    book = filled(tmp_path)
    other = unit(fleet_number="BM-03", plate="lib-202", vin=None)
    with pytest.raises(VehicleError, match="LIB202 is an identifier of BM-02 already"):
        book.write(lambda page: page.put_unit(other))
    assert book.ask(lambda c: stored_vehicles.find_vehicles(c, "BM-03")) == []


def test_a_renamed_vehicle_keeps_its_visits(tmp_path: Path) -> None:
    book = filled(tmp_path)

    def change(page: Page) -> None:
        page.put_unit(unit(fleet_number="BM-12"), unit_id=page.unit("BM-02").id)
        _, order = page.story("BM-12")
        page.put_visit(order.model_copy(update={"complaint": "warm again"}), "changed")

    book.write(change)
    story, order = book.visit("2026-0001")
    assert story.unit.name == "BM-12"
    assert order.complaint == "warm again"
    with pytest.raises(VehicleError, match=r"no vehicle goes by 'BM-02'"):
        book.story("BM-02")


def test_a_change_that_fails_leaves_nothing(tmp_path: Path) -> None:
    book = filled(tmp_path)

    def change(page: Page) -> None:
        page.put_visit(visit(complaint="else"), "changed")
        raise ValueError("changed my mind")

    with pytest.raises(ValueError, match="changed my mind"):
        book.write(change)
    assert book.visit("2026-0001")[1].complaint == "warm"


def test_a_stored_row_that_was_spoilt_is_named(tmp_path: Path) -> None:
    book = filled(tmp_path)
    connection = sqlite3.connect(book.database)
    connection.execute("UPDATE jobs SET body = json_set(body, '$.weighings[0].grams', -5)")
    connection.commit()
    connection.close()
    with pytest.raises(
        VehicleError, match=r"work order 2026-0001, as stored: `weighings\.0\.grams`"
    ):
        book.visit("2026-0001")


def test_a_missing_database_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no such database yet"):
        book_in(tmp_path).story("BM-02")


async def test_changes_of_a_running_service_are_numbered_and_told_in_order(
    tmp_path: Path,
) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    config = shop(tmp_path)
    async with Service(config, clock, [adapter]) as service:
        await settled(service, adapter)
        news = service.events.subscribe()
        first = asyncio.ensure_future(anext(news))
        await asyncio.to_thread(filled, config.database.parent, service.transactions)
        async with asyncio.timeout(60):
            told = [await first, await anext(news)]
            await start(service)
            told += [await anext(news), await anext(news)]
        assert [event.type for event in told] == [
            "holdwatch.story.changed", "holdwatch.story.changed", "holdwatch.job.changed",
            "holdwatch.hold.started",
        ]  # fmt: skip
        assert told[1].data == {
            "unit": "BM-02", "work_order": "2026-0001", "what": "visit opened",
        }  # fmt: skip
        assert told[0].source == told[2].source
        await stop(service)
        everything = await service.store.events_after(0)
    sequence = [event.sequence for event in everything]
    assert sequence == list(range(1, len(sequence) + 1))
    assert len({event.id for event in everything}) == len(everything)


async def test_a_hold_takes_from_the_story_what_configuration_and_recipe_leave_out(
    tmp_path: Path,
) -> None:
    table = shop_table(tmp_path)
    bay = table["bay"][0]
    bay["unit_under_test"] = {"name": "lib 202", "charge_g": 850}
    recipe = {"procedure": "pressure-decay", "criterion": {"leak_g_per_year": 60}}
    table["recipes"] = {"bare": recipe}
    config = parse_config(table, where="shop.toml")
    filled(config.database.parent)
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        await settled(service, adapter)
        stored = await service.store.unit_named("LIB 202")
        (listed,) = [one for one in summaries(config, config.bay[0], stored) if one.name == "bare"]
        assert listed.problem is None
        hold_id = await start(service, "bare")
        toml = await service.store.recipe_toml(hold_id)
        await stop(service)
        part = StartHold(command="start_hold", id="part", recipe="bare", section="compressor")
        reply = await service.command(BAY, part, by="test")
        assert reply.ok, reply.text
        of_part = await service.store.recipe_toml(reply.hold_id or "")
        ended = StopHold(command="stop_hold", id="part ends")
        await service.command(BAY, ended, by="test")
        rest = part.model_copy(update={"id": "rest", "section": "high-side"})
        refused = await service.command(BAY, rest, by="test")
    assert not refused.ok
    assert "The volume of 'high-side' is not the whole unit's" in refused.text
    held = tomllib.loads(of_part or "")
    assert (held["volume_l"], held["volume_uncertainty"]) == (0.3, 0.05)
    assert held["charge_g"] == 850
    used = tomllib.loads(toml or "")
    assert used["volume_l"] == 1.6
    assert used["volume_uncertainty"] == 0.01
    assert used["refrigerant"] == "R-134a"
    assert (used | used["limits"])["max_pressure_kpa_g"] == 1600
    assert used["charge_g"] == 850  # the configuration's own figure comes first


async def test_vehicles_are_read_over_http(tmp_path: Path) -> None:
    import httpx  # noqa: PLC0415 - only here

    config = shop(tmp_path)
    filled(config.database.parent)
    async with Service(config, TurnedClock(), [FedAdapter()]) as service:
        transport = httpx.ASGITransport(create_app(service))
        async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
            found = (await client.get("/api/v1/vehicles", params={"find": "lib2"})).json()
            one = (await client.get("/api/v1/vehicles/lib 202")).json()
            none = await client.get("/api/v1/vehicles/BM-99")
    assert [each["plate"] for each in found] == ["LIB 202"]
    assert one["visits"][0]["weighings"][0]["grams"] == 900
    assert none.status_code == 404
    assert "BM-99" in none.json()["detail"]


def test_a_lookup_stays_fast_in_a_large_store(tmp_path: Path) -> None:
    # 10,000 vehicles; the benchmark story_search.py adds 20 visits to each of them.
    book = book_in(tmp_path)

    def change(page: Page) -> None:
        for number in range(10_000):
            one = unit(fleet_number=f"V-{number:05d}", plate=f"P {number:05d}", vin=None)
            stored_vehicles.put_vehicle(page.connection, one, page.now)

    book.write(change)
    connection = answers.connect(book.database)
    times = []
    for words in ("v04321", "P 09999", "432", "nowhere"):
        began = time.perf_counter()
        stored_vehicles.find_vehicles(connection, words)
        times.append(time.perf_counter() - began)
    connection.close()
    assert sorted(times)[-2] < 0.05  # one of them may have met a busy machine
