"""What a file says of holds and of a visit's end is held against the store that judged them."""

from __future__ import annotations

import json
import time
from datetime import date
from typing import TYPE_CHECKING, Any

import httpx
import pytest
from story_rig import StoryService

from holdwatch_api.app import create_app
from holdwatch_api.reports.page import report_html
from holdwatch_cli.demo.season import seed_story
from holdwatch_cli.jobs.desk import desk
from holdwatch_cli.jobs.job import job_lines
from holdwatch_daemon.jobs.access import StoryBook, StoryDesk
from holdwatch_daemon.jobs.changes import change_job
from holdwatch_daemon.jobs.files import export_text, stories_of, take
from holdwatch_daemon.jobs.views import answer_sentence, job_view
from holdwatch_daemon.report import against_store, make_report
from holdwatch_daemon.store.opening import open_database
from holdwatch_procedures.vehicles.changes import CloseJob, GiveAnswer, ReopenJob
from holdwatch_procedures.vehicles.job import Answer
from holdwatch_procedures.vehicles.overview import open_points_of, read_tables, sections_of
from holdwatch_procedures.vehicles.validation import VehicleError

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_daemon.jobs.access import Page
    from holdwatch_procedures.vehicles.job import HoldEntry, Job

MARK = "rought by a file, not judged here"
TABLES = read_tables()
DAY = date(2026, 6, 1)
ELSEWHERE = {
    "hold_id": "bay-9-never", "on": "2026-06-01", "procedure": "pressure-decay", "outcome": "pass",
    "g_per_year": 0.0, "low": -5.0, "high": 9.0, "sentence": "Tight.", "after_repair": True,
}  # fmt: skip


class Shop:
    """A store with the season in it, as a file goes out of it and comes in."""

    def __init__(self, folder: Path, *, seeded: bool = True) -> None:
        folder.mkdir(exist_ok=True)
        database = folder / "holdwatch.db"
        opened = open_database(database, "2026-01-01T00:00:00.000Z")
        opened.connection.close()
        opened.lock.release()
        assert not seeded or seed_story(database, time.time_ns)
        self.book = StoryBook(database, time.time_ns)
        self.desk = StoryDesk(self.book, TABLES)

    def out(self, form: Any = "json", table: str = "units") -> str:
        return export_text(stories_of(self.book, None), form, table)

    def take(self, text: str, form: Any = "json", table: str = "units") -> None:
        self.book.write(lambda page: take(page, TABLES, text, form, table, where="fleet.json"))

    def proved(self) -> Job:
        """The closed visit with a repair and its proofs."""
        visits = [visit for story in stories_of(self.book, None) for visit in story.visits]
        return next(visit for visit in visits if visit.repairs and visit.holds)

    def reopened(self) -> Job:
        number = self.proved().number
        return self.book.write(lambda page: change_job(page, TABLES, number, ReopenJob()))[1]

    def missing(self, number: str) -> dict[str, str]:
        story, order = self.book.visit(number)
        return {
            point.key: point.missing
            for point in open_points_of(order, story.unit, story.visits, TABLES)
        }


@pytest.fixture
def shop(tmp_path: Path) -> Shop:
    return Shop(tmp_path / "shop")


def order_in(content: dict[str, Any], number: str) -> dict[str, Any]:
    found: dict[str, Any] = next(one for one in content["work_orders"] if one["number"] == number)
    return found


def refused(shop: Shop, text: str, told: str, form: Any = "json", table: str = "units") -> None:
    before = shop.out()
    with pytest.raises(VehicleError, match=told):
        shop.take(text, form, table)
    assert shop.out() == before


def repaired(number: str, hold: dict[str, Any], **more: Any) -> dict[str, Any]:
    repair = {"place": "condenser", "act": "renewed", "on": "2026-06-01"}
    return {
        "number": number, "unit": "BM-04", "opened_on": "2026-06-01", "holds": [hold],
        "repairs": [repair],
        "answers": [{"point": "prove", "answer": "done", "on": "2026-06-01"}], **more,
    }  # fmt: skip


def test_an_honest_export_comes_in_without_a_change(shop: Shop) -> None:
    for _ in range(2):  # with the proved visit closed, and open
        before = shop.out()
        shop.take(before)
        for table in ("holds", "weighings", "answers"):
            shop.take(shop.out("csv", table), "csv", table)
        assert shop.out() == before
        shop.reopened()
    assert "judged_elsewhere" not in before


@pytest.mark.parametrize(
    ("field", "value"),
    [("outcome", "pass"), ("high", 9000.0), ("sentence", "Tight."), ("readings_sha256", "a" * 64),
     ("section", "condenser"), ("after_repair", True)],
)  # fmt: skip
def test_a_file_cannot_say_other_than_the_store_of_its_hold(
    shop: Shop, field: str, value: Any
) -> None:
    order = shop.reopened()
    failed = next(hold for hold in order.holds if hold.outcome == "fail")
    content = json.loads(shop.out())
    for hold in order_in(content, order.number)["holds"]:
        if hold["hold_id"] == failed.hold_id:
            hold[field] = value
    told = f"visit {order.number}, hold {failed.hold_id}, {field}: the file says {value}, this"
    refused(shop, json.dumps(content), told)


def test_a_table_of_holds_cannot_either(shop: Shop) -> None:
    shop.reopened()
    forged = shop.out("csv", "holds").replace(",fail,", ",pass,", 1)
    refused(shop, forged, "outcome: the file says pass, this store judged it fail", "csv", "holds")


async def test_nor_over_http(tmp_path: Path) -> None:
    service = StoryService(tmp_path)
    book = StoryBook(service.config.database, time.time_ns)
    text = export_text(stories_of(book, None), "json", "units")
    transport = httpx.ASGITransport(create_app(service.as_service))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:
        path = "/api/v1/story"
        client.headers["content-type"] = "application/json"
        assert (await client.post(path, content=text.encode())).status_code == 200
        forged = text.replace('"outcome": "fail"', '"outcome": "pass"', 1)
        told = await client.post(path, content=forged.encode())
    assert told.status_code == 409
    assert "outcome: the file says pass, this store judged it fail" in told.json()["detail"]


def test_a_visit_that_is_closed_here_is_not_replaced(shop: Shop) -> None:
    number = shop.proved().number
    content = json.loads(shop.out())
    order_in(content, number)["complaint"] = "None."
    refused(shop, json.dumps(content), f"visit {number}: it was closed here on .* complaint other")
    weighings = shop.out("csv", "weighings").replace(f"{number},charged", f"{number},recovered")
    refused(shop, weighings, f"{number}: it was closed here on", "csv", "weighings")


def test_a_file_closes_no_visit_that_may_not_close(shop: Shop) -> None:
    order = shop.reopened()
    content = json.loads(shop.out())
    given = order_in(content, order.number)
    given["answers"] = [one for one in given["answers"] if one["point"] != "prove"]
    shop.take(json.dumps(content))
    given["closed_on"] = str(order.repaired_on)
    refused(shop, json.dumps(content), "the file closes it on .*cannot close: prove: not answered")
    given["holds"].append({**ELSEWHERE, "on": given["closed_on"]})  # nor by a hold from nowhere
    refused(shop, json.dumps(content), "cannot close: prove: not answered")


def test_a_hold_is_of_one_visit_and_of_its_own_vehicle(shop: Shop) -> None:
    hold = shop.proved().holds[-1].model_dump(mode="json")
    content = {"format": 1, "work_orders": [repaired("x-1", hold)]}
    refused(shop, json.dumps(content), f"is bound to visit {shop.proved().number} already")

    def change(page: Page) -> None:
        page.connection.execute("DELETE FROM job_holds")
        page.connection.execute("UPDATE holds SET unit = 'BM-99'")

    shop.book.write(change)
    refused(shop, json.dumps(content), "was one of BM-99, not of BM-04")


def brought(shop: Shop) -> HoldEntry:
    """Bring an open visit whose only proof is a hold that this store never held."""
    given = repaired("x-1", {**ELSEWHERE, "judged_elsewhere": False})
    shop.take(json.dumps({"format": 1, "work_orders": [given]}))
    (hold,) = shop.book.visit("x-1")[1].holds
    return hold


def test_a_hold_from_nowhere_is_marked_and_proves_nothing(shop: Shop) -> None:
    assert brought(shop).judged_elsewhere
    assert MARK in shop.missing("x-1")["prove"]
    with pytest.raises(VehicleError, match=f"prove: .*{MARK}"):
        shop.book.write(lambda page: change_job(page, TABLES, "x-1", CloseJob(on=DAY)))
    again = shop.out()
    assert '"judged_elsewhere": true' in again
    shop.take(again)  # as it went out
    shop.take(again.replace('"judged_elsewhere": true', '"judged_elsewhere": false'))
    shop.take(shop.out("csv", "holds").replace("True,True", "True,"), "csv", "holds")
    assert shop.out() == again


def test_a_hold_from_nowhere_is_shown_as_such(shop: Shop) -> None:
    brought(shop)
    story, order = shop.book.visit("x-1")
    report = make_report(shop.book, "x-1", TABLES, made_on=DAY, version="1")
    (proof,) = report.customer.proof
    assert proof.startswith(f"B{MARK}, and no proof: ")
    customer, page = report_html(report).split("<main>")[1:3]
    assert MARK in customer
    assert f"pass, b{MARK}" in page
    assert [line for line in report.shop.open_points if line.startswith("prove") and MARK in line]
    at_terminal = desk(shop.book.database.parent)
    line = next(line for line in job_lines(at_terminal, story, order) if line[:4] == "hold")
    assert f"b{MARK}, no proof; the file says PASS" in line
    assert against_store(shop.book, report, TABLES, pytest.fail) == []


def test_a_section_from_nowhere_is_not_tight(shop: Shop) -> None:
    given = repaired("x-1", {**ELSEWHERE, "section": "condenser", "after_repair": False})
    given = {**given, "repairs": [], "answers": []}
    shop.take(json.dumps({"format": 1, "work_orders": [given]}))
    story, order = shop.book.visit("x-1")
    read = sections_of(order, story.unit, TABLES)
    assert read is not None
    assert [part.standing for part in read.sections] == ["cannot tell"]
    assert MARK in read.sections[0].sentence
    assert read.findings(DAY) == ()


def test_a_shop_that_moves_takes_its_story_along_marked(shop: Shop, tmp_path: Path) -> None:
    other = Shop(tmp_path / "other", seeded=False)
    other.take(shop.out())
    moved, own = other.proved(), shop.proved()
    assert moved.closed_on == own.closed_on
    assert all(hold.judged_elsewhere for hold in moved.holds)
    assert MARK in other.missing(moved.number)["prove"]
    before = other.out()
    other.take(before)
    assert other.out() == before
    plain = [hold.model_copy(update={"judged_elsewhere": False}) for hold in moved.holds]
    assert plain == list(own.holds)
    shop.take(before)  # and back: the store that judged them knows them
    assert not any(hold.judged_elsewhere for hold in shop.proved().holds)


def test_a_failed_hold_before_the_repair_leaves_the_proof_open(shop: Shop) -> None:
    order = shop.reopened()
    content = json.loads(shop.out())
    given = order_in(content, order.number)
    given["holds"] = [hold for hold in given["holds"] if hold["outcome"] == "fail"]
    given["answers"] = []
    shop.take(json.dumps(content))
    row = {"point": "prove", "answer": "done", "on": str(order.repaired_on)}
    answer = GiveAnswer(row=Answer.model_validate(row))
    at_terminal = desk(shop.book.database.parent)
    number = order.number
    story, order = shop.book.write(
        lambda page: change_job(page, at_terminal.tables, number, answer)
    )
    view = job_view(at_terminal, story, order, today=DAY)
    assert answer_sentence(view, "prove", "done").startswith("prove: noted, but still open: ")
