"""Events: no gap and no double, whoever writes, and every subscriber hears all of them."""

from __future__ import annotations

import asyncio
from contextlib import aclosing, asynccontextmanager
from typing import TYPE_CHECKING

import pytest
from daemon_rig import START_UTC_NS, seeded

from holdwatch_daemon.store import events as events_module
from holdwatch_daemon.store.events import Draft, EventLog, Telling
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.queries import Queries
from holdwatch_daemon.store.rows import Ids
from holdwatch_daemon.store.writer import Writer

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path


@asynccontextmanager
async def log_in(folder: Path) -> AsyncIterator[EventLog]:
    opened = open_database(folder / "holdwatch.db", "now")
    queries = Queries(folder / "holdwatch.db")
    writer = Writer(opened.connection, Ids("boot-1", simulated=False))
    log = EventLog(
        writer,
        queries,
        site="county-library",
        database_id=opened.database_id,
        simulated=False,
        newest=await queries.newest_sequence(),
    )
    try:
        yield log
    finally:
        log.close()
        await writer.close()
        await queries.close()
        opened.lock.release()


def noted(bay: str | None, n: int = 0) -> Draft:
    return Draft("holdwatch.hold.noted", START_UTC_NS, {"n": n}, bay=bay, subject="hold-1")


async def test_numbers_have_no_gap_although_transactions_fail(tmp_path: Path) -> None:
    chance = seeded(3)

    def failing(telling: Telling) -> None:
        telling.tell(noted("bay-1"))
        telling.tell(noted("bay-2"))
        raise ValueError("undone")

    async def writes(log: EventLog, bay: str | None) -> None:
        for n in range(40):
            if chance.random() < 0.3:
                with pytest.raises(ValueError, match="undone"):
                    await log.transact(failing)
            else:
                await log.tell(*[noted(bay, n)] * chance.randrange(1, 4))
            await asyncio.sleep(chance.random() * 0.002)

    async with log_in(tmp_path) as log, asyncio.TaskGroup() as group:
        for bay in ("bay-1", "bay-2", "bay-3", None):
            group.create_task(writes(log, bay))
    async with log_in(tmp_path) as log:
        await log.tell(noted("bay-1"))
        found = await log._queries.events_after(0, 10_000)
    assert [event.sequence for event in found] == list(range(1, len(found) + 1))
    for bay in ("bay-1", "bay-2", "bay-3"):
        numbers = [event.baysequence for event in found if event.bay == bay]
        assert numbers == list(range(1, len(numbers) + 1))
    assert len({event.id for event in found}) == len(found)


async def test_subscribers_hear_everything_in_order_whenever_they_come(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(events_module, "_KEPT", 10)
    monkeypatch.setattr(events_module, "_PAGE", 7)
    total = 120

    async def hears(log: EventLog, after: int, pause_s: float) -> list[int]:
        heard: list[int] = []
        async with aclosing(log.subscribe(after)) as events:
            async for event in events:
                heard.append(event.sequence)
                await asyncio.sleep(pause_s)
                if event.sequence == total:
                    break
        return heard

    async with log_in(tmp_path) as log:
        async with asyncio.TaskGroup() as group:
            early = group.create_task(hears(log, 0, 0.0))
            slow = group.create_task(hears(log, 0, 0.003))
            middle = group.create_task(hears(log, 50, 0.0))
            for n in range(total):
                await log.tell(noted("bay-1", n))
        late = await hears(log, 100, 0.0)
    assert early.result() == slow.result() == list(range(1, total + 1))
    assert middle.result() == list(range(51, total + 1))
    assert late == list(range(101, total + 1))


async def test_without_a_number_only_new_events_are_heard(tmp_path: Path) -> None:
    async with log_in(tmp_path) as log:
        await log.tell(noted("bay-1"))
        following = log.subscribe()
        await log.tell(noted("bay-1"))
        assert (await anext(following)).sequence == 2
        await following.aclose()


async def test_a_subscription_ends_with_the_log(tmp_path: Path) -> None:
    async with log_in(tmp_path) as log:
        await log.tell(noted("bay-1"))
        heard = asyncio.create_task(_all(log))
        await asyncio.sleep(0.05)
        log.close()
        async with asyncio.timeout(2):
            assert await heard == [1]


async def _all(log: EventLog) -> list[int]:
    return [event.sequence async for event in log.subscribe(0)]


async def test_an_event_is_a_cloudevent_with_our_extensions(tmp_path: Path) -> None:
    async with log_in(tmp_path) as log:
        await log.tell(noted("bay-1", 7))
        (event,) = await log._queries.events_after(0)
        (body,) = await log._queries.ask(lambda c: c.execute("SELECT body FROM events").fetchone())
    # Required attributes: CloudEvents 1.0.2, "Required attributes" (from memory).
    assert event.specversion == "1.0"
    assert event.source == "/holdwatch/county-library"
    assert event.id.startswith("county-library-")
    assert event.time == "2026-09-21T14:13:20.000Z"
    assert '"simulated"' not in body
    assert '"sequence":1' in body
    assert '"baysequence":1' in body


async def test_ids_differ_after_a_database_is_begun_anew(tmp_path: Path) -> None:
    ids = []
    for folder in ("first", "second"):
        async with log_in(tmp_path / folder) as log:
            await log.tell(noted(None))
            ids += [event.id for event in await log._queries.events_after(0)]
    assert ids[0] != ids[1]
