"""Processes killed in the middle of holds leave nothing lost, doubled, torn or judged wrongly."""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING

import pytest
from daemon_rig import FedAdapter, TurnedClock, first_event, run_hold, shop, start
from fault_audit import Findings, Heard, check_statuses, compare_heard, look_as_found
from fault_shop import PREFIX
from kill_campaign import campaign
from system_parts import require

from holdwatch_daemon.service import Service

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.timeout(400)  # it waits more than it works; a busy machine makes it long
def test_ten_kills_leave_nothing_lost_doubled_torn_or_judged_wrongly() -> None:
    require("mosquitto", "mosquitto")
    found = campaign(10, 3, bays=2)
    assert not found.wrong, found.notes
    assert found.seen["kills"] == 10
    assert found.seen["databases checked"] >= 8
    assert found.seen["verdicts"] >= 2
    assert found.seen["events heard"] > 40


@pytest.fixture
async def told(tmp_path: Path) -> tuple[Path, list[Heard]]:
    """A store with a few events, and what a customer who missed nothing heard of it."""
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        await start(service)
        await run_hold(service, clock, adapter, 3)
        await first_event(service, "holdwatch.hold.started")
        events = await service.store.events_after(0, 100)
    bodies = [event.model_dump_json(exclude_none=True) for event in events]
    with sqlite3.connect(config.database) as connection:
        rows = connection.execute("SELECT bay, body FROM events ORDER BY sequence").fetchall()
    connection.close()
    assert [body for _, body in rows][: len(bodies)] == bodies
    heard = [Heard(f"{PREFIX}/events", retained=False, payload=body.encode()) for _, body in rows]
    heard += [
        Heard(f"{PREFIX}/bay/{bay}/events", retained=False, payload=body.encode())
        for bay, body in rows
        if bay is not None
    ]
    return config.database, heard


def wrong_of(database: Path, heard: list[Heard]) -> dict[str, int]:
    found = Findings()
    connection = sqlite3.connect(database)
    compare_heard(connection, heard, found)
    connection.close()
    return dict(found.wrong)


async def test_the_audit_finds_what_is_lost_doubled_or_out_of_order(
    told: tuple[Path, list[Heard]],
) -> None:
    database, heard = told
    assert wrong_of(database, heard) == {}
    assert wrong_of(database, [*heard, heard[0]]) == {}, "delivered again: no harm"
    assert wrong_of(database, heard[1:]) == {"lost events": 1}
    assert wrong_of(database, [heard[1], heard[0], *heard[2:]]) == {"out of order": 1}
    changed = json.loads(heard[0].payload) | {"time": "2026-01-01T00:00:00Z"}
    other = Heard(heard[0].topic, retained=False, payload=json.dumps(changed).encode())
    assert wrong_of(database, [other, *heard]) == {
        "heard but not stored": 1,
        "doubled event numbers": 1,
    }


async def test_the_audit_finds_gaps_doubled_verdicts_and_torn_files(
    told: tuple[Path, list[Heard]], tmp_path: Path
) -> None:
    database, _ = told
    scratch = tmp_path / "scratch"
    sound = Findings()
    look_as_found(database, scratch, sound)
    assert (dict(sound.wrong), sound.seen["databases checked"]) == ({}, 1)
    with sqlite3.connect(database) as connection:
        connection.execute("DELETE FROM events WHERE sequence = 1")
        for sequence in (101, 102):
            connection.execute(
                "INSERT INTO events VALUES (?, ?, 'holdwatch.verdict', '', NULL, NULL, 'h', '{}')",
                (sequence, str(sequence)),
            )
    connection.close()
    found = Findings()
    look_as_found(database, scratch, found)
    assert found.wrong["doubled verdicts"] == 1
    assert found.wrong["gaps in numbering"] > 1
    content = bytearray(database.read_bytes())
    for place in range(5 * 4096, len(content), 4096):
        content[place : place + 64] = bytes(64)
    database.write_bytes(content)
    torn = Findings()
    look_as_found(database, scratch, torn)
    assert torn.wrong["unsound databases"] >= 1


def test_the_audit_finds_a_service_that_was_never_said_to_be_gone() -> None:
    said = [
        Heard(f"{PREFIX}/status", retained=False, payload=word)
        for word in (b"online", b"offline", b"online", b"online")
    ]
    found = Findings()
    check_statuses(said, found)
    assert dict(found.wrong) == {"online twice without offline": 1}
