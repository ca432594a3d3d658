"""Adapters that raise what nobody expects, and probes that flood, never stop a bay."""

from __future__ import annotations

import asyncio
import sqlite3
from contextlib import suppress
from typing import TYPE_CHECKING

import pytest
from daemon_rig import (
    BAY,
    GAUGE,
    FedAdapter,
    TurnedClock,
    eventually,
    isolated,
    reading,
    run_hold,
    seeded,
    shop,
    start,
)

from holdwatch_daemon.intake.supervisor import MOST_PER_S, FloodGate, Supervisor
from holdwatch_daemon.service import Service
from holdwatch_physics.reading import Channel, ProbeNotice, Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

ODD = [
    asyncio.CancelledError(),
    SystemExit(3),
    BaseExceptionGroup("together", [asyncio.CancelledError(), ValueError("one of two")]),
    ExceptionGroup("together", [OSError("the socket is gone"), ValueError("one of two")]),
    StopAsyncIteration(),
    MemoryError(),
    RecursionError("too deep"),
    TimeoutError(),
]


class Raising:
    """An adapter that yields once and then raises, each time the next of its errors."""

    name = "astray"

    def __init__(self, errors: list[BaseException], clock: TurnedClock) -> None:
        self._errors = list(errors)
        self._clock = clock

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        self._clock.now_ns += 10**9
        yield reading(self._clock, GAUGE, 1.5e6)
        if self._errors:
            raise self._errors.pop(0)


async def test_whatever_an_adapter_raises_it_is_started_again() -> None:
    clock, came, pauses = TurnedClock(), [], []

    async def publish(item: Reading | ProbeNotice) -> None:
        came.append(item)

    async def sleep(seconds: float) -> None:
        pauses.append(seconds)
        await asyncio.sleep(0)

    supervisor = Supervisor(Raising(ODD, clock), publish, clock, seeded(1), sleep=sleep)
    async with asyncio.timeout(5):
        await supervisor.run()
    assert len(came) == len(ODD) + 1
    assert supervisor.status.restarts == len(pauses) == len(ODD)
    assert supervisor.status.state == "ended"


@pytest.mark.parametrize("answer", [ValueError("no"), SystemExit(1), None])
async def test_an_adapter_that_answers_a_cancellation_with_an_error_still_ends(
    answer: BaseException | None,
) -> None:
    entered = asyncio.Event()

    class Stubborn(FedAdapter):
        async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
            entered.set()
            try:
                await asyncio.Event().wait()
            except asyncio.CancelledError:
                if answer is not None:
                    raise answer from None
                raise
            yield reading(TurnedClock(), GAUGE, 1.0)

    async def publish(_item: Reading | ProbeNotice) -> None:
        return

    supervisor = Supervisor(Stubborn(), publish, TurnedClock(), seeded(1))
    async with asyncio.timeout(5), asyncio.TaskGroup() as group:
        task = group.create_task(supervisor.run())
        await entered.wait()
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
    assert task.cancelled()


class Flood:
    """A known probe and a thousand strangers that send as fast as the machine lets them."""

    name = "flood"

    def __init__(self, clock: TurnedClock) -> None:
        self._clock = clock
        self.sent = 0

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        while True:
            stamp = (self._clock.utc_ns(), self._clock.mono_ns() + self.sent)
            value = 98_000.0 + self.sent % 7
            self.sent += 1
            if self.sent % 500 == 0:
                await asyncio.sleep(0)  # as a radio would, after a burst
            if self.sent % 2:
                yield Reading(
                    "BM-room/pressure", Quantity.PRESSURE_ABSOLUTE, *stamp, value, Quality.GOOD
                )
            else:
                name = f"stranger-{self.sent % 2_000}/temperature"
                yield Reading(name, Quantity.TEMPERATURE, *stamp, 300.0, Quality.GOOD)


async def test_a_flood_is_told_once_bounded_and_no_hindrance_to_the_bays(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    flood, seconds = Flood(clock), 40
    config = shop(tmp_path / "data")
    async with Service(config, clock, [adapter, flood]) as service:
        await start(service)
        await isolated(service)
        await run_hold(service, clock, adapter, seconds)
        await eventually(lambda: service._writer.state.pending_rows == 0)
        told = await service.store.events_after(0, 1_000)
        stopped = service._supervisors[1].status.stopped
        runner = service.bays[BAY].runner
        assert runner is not None
        assert runner._late == 0, "the bay's own readings came in time"
        assert len(service._inbox) < 2_000
    assert flood.sent > 100 * 2 * MOST_PER_S
    assert stopped > flood.sent / 2
    with sqlite3.connect(config.database) as connection:
        stored = dict(
            connection.execute(
                "SELECT channels.name, COUNT(*) FROM readings"
                " JOIN channels ON channels.id = channel_id GROUP BY channels.name"
            ).fetchall()
        )
    connection.close()
    assert stored[GAUGE] == seconds, "not one of the bay's own is missing"
    assert stored["BM-room/pressure"] <= (seconds + 1) * (MOST_PER_S + 1)
    refused = [event for event in told if event.type == "holdwatch.reading.refused"]
    rooms = [event for event in refused if event.data.get("probe") == "BM-room"]
    assert 1 <= len(rooms) <= 2, "once a minute"
    assert "more than 50 a second" in rooms[0].data["text"]
    assert len(refused) - len(rooms) <= 50, "strangers: fifty by name, the rest counted"


def test_the_gate_lets_measure_pass_and_stops_what_is_beyond() -> None:
    gate, clock = FloodGate(), TurnedClock()
    passed = sum(gate.passes(reading(clock, GAUGE, 1.0, ahead_ns=n)) for n in range(1_000))
    assert (passed, gate.stopped) == (MOST_PER_S, 1_000 - MOST_PER_S)
    clock.now_ns += 10**9
    assert gate.passes(reading(clock, GAUGE, 1.0)), "the next second it is heard again"
    first = gate.complaint(reading(clock, GAUGE, 1.0))
    assert first is not None
    assert first.kind == "refused"
    assert gate.complaint(reading(clock, GAUGE, 1.0)) is None
    clock.now_ns += 60 * 10**9
    assert gate.complaint(reading(clock, GAUGE, 1.0)) is not None
    others = [reading(clock, f"other-{n}/pressure", 1.0) for n in range(1_000)]
    assert sum(gate.complaint(other) is not None for other in others) == 7, "eight a minute in all"


def test_strangers_share_one_measure() -> None:
    clock = TurnedClock()
    gate = FloodGate(lambda probe: probe == Channel.parse(GAUGE).probe)
    strangers = [reading(clock, f"stranger-{n}/pressure", 1.0) for n in range(1_000)]
    assert sum(gate.passes(stranger) for stranger in strangers) == MOST_PER_S
    assert gate.passes(reading(clock, GAUGE, 1.0))


def test_the_gate_stays_small_however_many_senders_there_are() -> None:
    gate, clock = FloodGate(), TurnedClock()
    for n in range(5_000):
        gate.passes(ProbeNotice(f"p{n}", "malformed", clock.utc_ns(), clock.mono_ns()))
        gate.complaint(reading(clock, f"p{n}/pressure", 1.0))
    assert len(gate._counts) <= 1_025
    assert len(gate._complained) <= 8
