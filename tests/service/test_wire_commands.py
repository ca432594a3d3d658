"""Commands of a bay: bound to visits, held in sections, refused clearly, carried out once."""

from __future__ import annotations

import asyncio
import json
from datetime import date
from typing import TYPE_CHECKING, Any, get_args

import httpx
import pytest
from daemon_rig import (
    BAY,
    FedAdapter,
    TurnedClock,
    connected,
    events,
    isolated,
    run_hold,
    shop,
    shop_table,
    start,
    stop,
)
from mosquitto_fixture import Mosquitto, mosquitto

from holdwatch_api.app import create_app
from holdwatch_daemon.jobs.access import StoryBook, open_desk
from holdwatch_daemon.messages import BindWorkOrder, Command, StartHold
from holdwatch_daemon.report import make_report
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_procedures.vehicles.job import Job
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page
    from holdwatch_daemon.messages import Reply

__all__ = ["mosquitto"]  # the fixture, used by its name

SHORT = {
    "procedure": "pressure-decay",
    "criterion": {"leak_g_per_year": 0.5, "source": "too small to be seen in minutes"},
    "limits": {"max_duration_min": 4},
}


def book_of(folder: Path) -> StoryBook:
    """A book with two vehicles: one open visit each, and a closed one of the first."""
    book = StoryBook(folder / "holdwatch.db", lambda: 1_790_000_000 * 10**9)

    def change(page: Page) -> None:
        for name in ("BM-03", "BM-04"):
            page.put_unit(Vehicle(fleet_number=name, refrigerant="R134a"))
        for number, unit, closed in (
            ("2026-0016", "BM-03", "2026-09-01"),
            ("2026-0017", "BM-03", None),
            ("2026-0018", "BM-04", None),
            ("2026-0019", "BM-03", None),
        ):
            fields = {"number": number, "unit": unit, "opened_on": "2026-09-01"}
            page.put_visit(Job.model_validate(fields | {"closed_on": closed}), "opened")

    book.write(change)
    return book


async def bind(service: Service, number: str, command_id: str = "", **more: Any) -> Reply:
    fields = {"command": "bind_work_order", "id": command_id or f"bind-{number}"}
    command = BindWorkOrder.model_validate(fields | {"work_order": number} | more)
    return await service.command(BAY, command, by="test")


@pytest.fixture
async def service(tmp_path: Path) -> AsyncIterator[Service]:
    book_of(tmp_path)
    async with Service(shop(tmp_path), TurnedClock(), []) as running:
        yield running


def held_in(folder: Path, number: str) -> list[tuple[str, str]]:
    _, order = StoryBook(folder / "holdwatch.db", lambda: 0).visit(number)
    return [(hold.hold_id, hold.section) for hold in order.holds]


async def test_a_running_hold_is_bound_and_its_verdict_written_into_the_visit(
    service: Service, tmp_path: Path
) -> None:
    reply = await bind(service, "2026-0017", "too-early")
    assert (reply.ok, reply.text) == (False, "No hold has been made in Bay 1 that could be bound.")
    hold_id = await start(service, SHORT)
    reply = await bind(service, "2026-0017")
    assert reply.ok, reply.text
    assert "its verdict will be written there" in reply.text
    assert held_in(tmp_path, "2026-0017") == []
    await stop(service)
    await service.events.tell()
    assert held_in(tmp_path, "2026-0017") == [(hold_id, "system")]
    told = [e.data["work_order"] for e in await events(service) if "work_order" in e.data]
    assert told[-2:] == ["2026-0017", "2026-0017"]  # the binding, and the visit's own change
    desk = open_desk(tmp_path / "holdwatch.db", lambda: 0)
    day = date(2026, 9, 22)
    report = make_report(desk.book, "2026-0017", desk.tables, made_on=day, version="1")
    assert hold_id in report.to_json()


async def test_the_last_hold_is_bound_at_once_and_moves_between_open_visits(
    service: Service, tmp_path: Path
) -> None:
    hold_id = await start(service, SHORT)
    await stop(service)
    assert (await bind(service, "2026-0017")).ok
    assert held_in(tmp_path, "2026-0017") == [(hold_id, "system")]
    again = await bind(service, "2026-0017", "another-id")
    assert (again.ok, again.text) == (True, "It is bound to work order 2026-0017 already.")
    assert (await bind(service, "2026-0019", section="high-side")).ok
    assert held_in(tmp_path, "2026-0017") == []
    assert held_in(tmp_path, "2026-0019") == [(hold_id, "high-side")]
    assert await service.store.work_order(hold_id) == "2026-0019"


async def test_a_work_order_that_will_not_do_is_refused_and_the_open_ones_named(
    service: Service, tmp_path: Path
) -> None:
    await start(service, SHORT)
    for number, words in (
        ("2026-0099", "There is no work order '2026-0099'; open of BM-03: 2026-0019, 2026-0017."),
        ("2026-0016", "Work order 2026-0016 was closed on 2026-09-01; open of BM-03"),
        ("2026-0018", "was one of BM-03, not of BM-04"),
    ):
        reply = await bind(service, number)
        assert not reply.ok
        assert words in reply.text
    reply = await bind(service, "2026-0017", "odd-part", section="flux")
    assert not reply.ok
    assert "flux" in reply.text
    assert not any("work_order" in e.data for e in await events(service) if e.bay == BAY)


async def test_a_visit_that_closes_before_the_verdict_costs_the_link_never_the_verdict(
    service: Service, tmp_path: Path
) -> None:
    hold_id = await start(service, SHORT)
    assert (await bind(service, "2026-0017")).ok

    def change(page: Page) -> None:
        _, order = page.story("2026-0017")
        page.put_visit(order.model_copy(update={"closed_on": order.opened_on}), "closed")

    book = StoryBook(tmp_path / "holdwatch.db", lambda: 0, service.transactions)
    await asyncio.to_thread(book.write, change)
    await stop(service)
    await service.events.tell()
    assert await service.store.verdict(hold_id) is not None
    texts = [str(e.data.get("text")) for e in await events(service)]
    assert any("could not be written into work order 2026-0017" in text for text in texts)


async def test_a_section_is_held_with_its_own_volume_from_its_visit(tmp_path: Path) -> None:
    book_of(tmp_path)
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path), clock, [adapter]) as service:
        said: dict[str, Any] = {
            "command": "start_hold",
            "id": "s-1",
            "recipe": SHORT,
            "section": "high-side",
        }
        refused = await service.command(BAY, StartHold.model_validate(said), by="test")
        assert "give it as `volume_l`" in refused.text
        said |= {"id": "s-2", "volume_l": 0.8, "volume_uncertainty": 0.2, "work_order": "2026-0016"}
        refused = await service.command(BAY, StartHold.model_validate(said), by="test")
        assert "was closed" in refused.text
        assert service.bays[BAY].runner is None
        said |= {"id": "s-3", "work_order": "2026-0017"}
        reply = await service.command(BAY, StartHold.model_validate(said), by="test")
        assert reply.ok, reply.text
        assert reply.text.startswith("The hold has begun. Bound to work order 2026-0017")
        again = await service.command(BAY, StartHold.model_validate(said), by="test")
        assert again == reply
        runner = service.bays[BAY].runner
        assert runner is not None
        assert runner.identity.recipe.volume_l == 0.8
        assert runner.identity.recipe.volume_uncertainty == 0.2
        await isolated(service)
        await run_hold(service, clock, adapter, 30)
        await stop(service)
        await service.events.tell()
    assert held_in(tmp_path, "2026-0017") == [(reply.hold_id, "high-side")]


# What an idle bay without relays, and one where a hold runs, say to each command.
IDLE: dict[str, tuple[dict[str, Any], str]] = {
    "stop_hold": ({}, "No hold is running in Bay 1."),
    "extend_hold": ({"minutes": 5}, "No hold is running in Bay 1."),
    "say_isolated": ({}, "No hold is running in Bay 1."),
    "acknowledge_alarm": ({"alarm": "gone"}, "No alarm 'gone' stands in Bay 1."),
    "bind_work_order": ({"work_order": "2026-0017"}, "No hold has been made in Bay 1"),
    "start_hold": ({"recipe": "missing"}, "No recipe is named 'missing'"),
    "start_evacuation": (
        {"recipe": "nitrogen", "recovered": True},
        "Valve and pump of Bay 1 are not switched by wire",
    ),
    "stop_evacuation": ({}, "Valve and pump of Bay 1 are not switched by wire"),
}


def test_every_command_is_among_them() -> None:
    union = get_args(get_args(Command)[0])
    assert {get_args(one.model_fields["command"].annotation)[0] for one in union} == set(IDLE)


async def test_each_command_is_refused_over_http_and_once(tmp_path: Path) -> None:
    config = parse_config(shop_table(tmp_path))
    async with Service(config, TurnedClock(), []) as service:
        transport = httpx.ASGITransport(app=create_app(service))
        async with httpx.AsyncClient(transport=transport, base_url="http://127.0.0.1") as client:
            for name, (fields, words) in IDLE.items():
                body = {"command": name, "id": f"h-{name}", **fields}
                first = await client.post(f"/api/v1/bays/{BAY}/command", json=body)
                second = await client.post(f"/api/v1/bays/{BAY}/command", json=body)
                assert first.status_code == second.status_code == 409, first.text
                assert words in first.json()["text"]
                assert first.json() == second.json()
        refused = [e for e in await events(service) if e.type == "holdwatch.command.refused"]
        assert [e.data["command"] for e in refused] == list(IDLE)


async def test_each_command_is_refused_over_mqtt_and_once(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    config = shop(tmp_path, mqtt={"host": "127.0.0.1", "port": mosquitto.port})
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
        heard = mosquitto.subscribe("holdwatch/county-library/bay/+/reply")
        topic = f"holdwatch/county-library/bay/{BAY}/command"
        for name, (fields, _) in IDLE.items():
            body = json.dumps({"command": name, "id": f"m-{name}", **fields})
            mosquitto.publish(topic, body)
        mosquitto.publish(topic, json.dumps({"command": "stop_hold", "id": "m-stop_hold"}))
        found = await heard.until(lambda replies: len(replies) >= len(IDLE) + 1)
        by_id = {one.json["id"]: one.json for one in found}
        for name, (_, words) in IDLE.items():
            assert by_id[f"m-{name}"]["ok"] is False
            assert words in by_id[f"m-{name}"]["text"]
        refused = [e for e in await events(service) if e.type == "holdwatch.command.refused"]
        assert len(refused) == len(IDLE)
