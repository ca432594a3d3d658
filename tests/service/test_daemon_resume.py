"""A killed process's holds: carried on in the same boot, judged as a gap after a new one."""

from __future__ import annotations

import asyncio
import os
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import daemon_rig
import pytest
from daemon_rig import (
    FedAdapter,
    TurnedClock,
    first_event,
    run_hold,
    settled,
    shop,
    shop_table,
    tight_hold,
)

from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_procedures.holds.hold import Hold

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.messages import Event
    from holdwatch_physics.reading import Reading

BAY = "BM-bay1"


async def begin(service: Service) -> str:
    start = StartHold(command="start_hold", id="start", recipe="nitrogen")
    reply = await service.command(BAY, start, by="test")
    assert reply.hold_id is not None, reply.text
    await service.command(BAY, SayIsolated(command="say_isolated", id="iso"), by="test")
    return reply.hold_id


async def feed(
    service: Service, clock: TurnedClock, adapter: FedAdapter, seconds: Iterator[list[Reading]]
) -> None:
    """Feed the rest of a recorded hold until it has its verdict."""
    for second in seconds:
        clock.now_ns = second[0].mono_ns
        adapter.put(*second)
        await settled(service, adapter)
        if service.bays[BAY].runner is None:
            return


def story(found: list[Event]) -> list[tuple[str, Any, Any]]:
    """What a hold told: type, hold time and sentence."""
    return [
        (event.type, event.data.get("t_s"), event.data.get("text"))
        for event in found
        if event.type not in {"holdwatch.hold.resumed", "holdwatch.hold.started"}
    ]


def without_version(verdict: dict[str, Any] | None) -> dict[str, Any]:
    assert verdict is not None
    return verdict


async def test_an_interrupted_hold_tells_and_decides_what_an_uninterrupted_one_does(
    tmp_path: Path,
) -> None:
    recorded = list(tight_hold(TurnedClock(), 1200))

    async def held(data: Path, cuts: list[int]) -> tuple[dict[str, Any], list[Event]]:
        clock = TurnedClock()
        position, hold_id = 0, ""
        for cut in [*cuts, len(recorded)]:
            adapter = FedAdapter()
            async with Service(shop(data), clock, [adapter]) as service:
                hold_id = hold_id or await begin(service)
                await feed(service, clock, adapter, iter(recorded[position:cut]))
                position = cut
                if service.bays[BAY].runner is None:
                    await first_event(service, "holdwatch.verdict")
                    verdict = without_version(await service.store.verdict(hold_id))
                    return verdict, await service.store.hold_events(hold_id)
        pytest.fail("the hold found no verdict")

    whole, told_whole = await held(tmp_path / "whole", [])
    cut, told_cut = await held(tmp_path / "cut", [37, 300, 893, 894])
    assert cut == whole
    assert story(told_cut) == story(told_whole)
    resumed = [event for event in told_cut if event.type == "holdwatch.hold.resumed"]
    assert len(resumed) == 4
    assert resumed[1].data["readings"] == 900
    assert resumed[1].data["same_boot"] is True


async def test_what_was_decided_but_not_written_is_decided_after_the_start(tmp_path: Path) -> None:
    """Killed between the readings and the verdict that rests on them."""
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        hold_id = await begin(service)
        bay = service.bays[BAY]
        await run_hold(service, clock, adapter, 1200, until=lambda: bay.runner is None)
        await first_event(service, "holdwatch.verdict")
        whole = await service.store.verdict(hold_id)
    _undo_verdict(config.database, hold_id)
    async with Service(config, clock, [FedAdapter()]) as service:
        told = await first_event(service, "holdwatch.verdict")
        assert await service.store.verdict(hold_id) == whole
        assert service.bay_state(BAY).doing == "verdict"
        assert told.subject == hold_id


def _undo_verdict(database: Path, hold_id: str) -> None:
    """Take the file back to before the verdict's transaction."""
    connection = sqlite3.connect(database)
    (number,) = connection.execute(
        "SELECT sequence FROM events WHERE type = 'holdwatch.verdict'"
    ).fetchone()
    connection.execute("DELETE FROM events WHERE sequence >= ?", (number,))
    connection.execute("DELETE FROM verdicts WHERE hold_id = ?", (hold_id,))
    connection.execute(
        "UPDATE holds SET ended = NULL, end_t_ns = NULL, outcome = NULL, sentence = NULL"
    )
    connection.commit()
    connection.close()


async def test_after_a_new_boot_the_gap_is_never_bridged(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        hold_id = await begin(service)
        await run_hold(service, clock, adapter, 600)
    # The machine was away for two minutes; its monotonic clock begins anew.
    rebooted = TurnedClock(boot_id="boot-2", mono_ns=40 * 10**9)
    rebooted.utc_zero_ns = clock.utc_ns() + 120 * 10**9 - rebooted.now_ns
    adapter = FedAdapter()
    async with Service(config, rebooted, [adapter]) as service:
        resumed = await first_event(service, "holdwatch.hold.resumed")
        assert resumed.data["same_boot"] is False
        assert resumed.data["gap_s"] > 30 * 60, "longer than any gap the recipe bridges"
        bay = service.bays[BAY]
        await run_hold(service, rebooted, adapter, 1500, until=lambda: bay.runner is None)
        await first_event(service, "holdwatch.verdict")
        verdict = await service.store.verdict(hold_id)
        trace = await service.store.hold_trace(hold_id)
    assert verdict is not None
    assert "gap" in verdict["causes"]
    times = trace["series"]["low_side"]["t_s"]
    assert times == sorted(times)


async def test_a_clock_set_back_between_boots_never_turns_a_hold_back(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        await begin(service)
        await run_hold(service, clock, adapter, 60)
    rebooted = TurnedClock(boot_id="boot-2", mono_ns=10**9)
    rebooted.utc_zero_ns = clock.utc_ns() - 86_400 * 10**9
    async with Service(config, rebooted, [FedAdapter()]) as service:
        resumed = await first_event(service, "holdwatch.hold.resumed")
    assert resumed.data["gap_s"] > 30 * 60


async def test_a_clock_set_in_the_middle_of_a_hold_changes_nothing(tmp_path: Path) -> None:
    verdicts = []
    for name, jump_ns in (("steady", 0), ("set", 7_200 * 10**9)):
        clock, adapter = TurnedClock(), FedAdapter()
        async with Service(shop(tmp_path / name), clock, [adapter]) as service:
            hold_id = await begin(service)
            recorded = list(tight_hold(TurnedClock(), 1200))
            await feed(service, clock, adapter, iter(recorded[:400]))
            clock.utc_zero_ns += jump_ns
            await feed(service, clock, adapter, iter(recorded[400:]))
            await first_event(service, "holdwatch.verdict")
            verdicts.append(without_version(await service.store.verdict(hold_id)))
    assert verdicts[0] == verdicts[1]


async def test_a_hold_of_a_bay_that_is_gone_ends_without_a_pass(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        hold_id = await begin(service)
        await run_hold(service, clock, adapter, 60)
    table = shop_table(tmp_path / "data")
    table["bay"][0]["name"] = "BM-bay2"
    async with Service(parse_config(table), clock, []) as service:
        verdict = await first_event(service, "holdwatch.verdict")
        assert await service.store.list_holds(BAY) != []
    assert verdict.subject == hold_id
    assert verdict.data["outcome"] == "inconclusive"


async def test_a_hold_that_cannot_be_judged_again_does_not_stop_the_start(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        hold_id = await begin(service)
        await run_hold(service, clock, adapter, 60)

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a mistake")

    monkeypatch.setattr(Hold, "take", broken)
    async with Service(config, clock, [FedAdapter()]) as service:
        told = await first_event(service, "holdwatch.verdict")
        assert service.bays[BAY].runner is None
        assert (await service.store.verdict(hold_id) or {})["outcome"] == "inconclusive"
    assert told.subject == hold_id


async def test_a_hold_whose_recipe_no_longer_reads_is_ended_and_told(tmp_path: Path) -> None:
    config, clock, adapter = shop(tmp_path / "data"), TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        hold_id = await begin(service)
    connection = sqlite3.connect(config.database)
    connection.execute("UPDATE holds SET recipe_toml = recipe_toml || '[newer]'")
    connection.commit()
    connection.close()
    async with Service(config, clock, []) as service:
        stopped = await first_event(service, "holdwatch.hold.stopped")
        row = await service.store.hold(hold_id)
        assert service.bay_state(BAY).doing == "idle"
    assert "unknown key `newer`" in stopped.data["text"]
    assert row is not None
    assert row.outcome == "inconclusive"


KILLED = """
import asyncio, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
from daemon_rig import FedAdapter, TurnedClock, run_hold, shop
from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service

async def main():
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(Path(sys.argv[1])), clock, [adapter]) as service:
        start = StartHold(command="start_hold", id="start", recipe="nitrogen")
        await service.command("BM-bay1", start, by="test")
        isolated = SayIsolated(command="say_isolated", id="iso")
        await service.command("BM-bay1", isolated, by="test")
        await run_hold(service, clock, adapter, 400)
        print("fed", flush=True)
        await run_hold(service, clock, adapter, 10**6)

asyncio.run(main())
"""


async def test_a_killed_process_leaves_a_whole_file_and_the_next_one_carries_on(
    tmp_path: Path,
) -> None:
    script = tmp_path / "killed.py"
    script.write_text(KILLED, encoding="utf-8")
    data = tmp_path / "data"
    here = str(Path(daemon_rig.__file__).parent)
    with subprocess.Popen(  # noqa: ASYNC220 - the test waits for nothing else
        [sys.executable, str(script), str(data), here], stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert await asyncio.to_thread(child.stdout.readline) == b"fed\n"
        os.kill(child.pid, signal.SIGKILL)
    connection = sqlite3.connect(data / "holdwatch.db")
    assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    (stored,) = connection.execute("SELECT COUNT(*) FROM readings").fetchone()
    (newest_ns,) = connection.execute("SELECT MAX(mono_ns) FROM readings").fetchone()
    connection.close()
    assert stored > 0
    clock, adapter = TurnedClock(mono_ns=newest_ns + 5 * 10**9), FedAdapter()
    async with Service(shop(data), clock, [adapter]) as service:
        resumed = await first_event(service, "holdwatch.hold.resumed")
        assert resumed.data["readings"] == stored
        bay = service.bays[BAY]
        await run_hold(service, clock, adapter, 1500, until=lambda: bay.runner is None)
        verdict = await first_event(service, "holdwatch.verdict")
        numbers = [event.sequence for event in await service.store.events_after(0, 10_000)]
    assert verdict.data["outcome"] in {"pass", "inconclusive"}
    assert numbers == list(range(1, len(numbers) + 1))
