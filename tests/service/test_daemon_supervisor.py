"""Supervision: an adapter that fails comes back, later each time, and says what it lost."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

from daemon_rig import GAUGE, FedAdapter, TurnedClock, eventually, reading, seeded

from holdwatch_adapters.backoff import Backoff
from holdwatch_adapters.ports import AdapterError
from holdwatch_daemon.intake.intake import AGAIN_NS, Inbox, ProbeTracker
from holdwatch_daemon.intake.supervisor import Supervisor
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Channel, ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

PROBE = Channel.parse(GAUGE).probe


def notice(clock: TurnedClock, kind: str, detail: str = "", value: float | None = None) -> Any:
    return ProbeNotice(PROBE, kind, clock.utc_ns(), clock.mono_ns(), detail, value)


class Rig:
    """A supervisor whose pauses the test sees and whose seconds it turns."""

    def __init__(self, adapter: FedAdapter) -> None:
        self.clock = TurnedClock()
        self.pauses: list[float] = []
        self.seconds = 0.0
        self.came: list[Reading | ProbeNotice] = []
        self.supervisor = Supervisor(
            adapter,
            self._publish,
            self.clock,
            seeded(1),
            sleep=self._sleep,
            steady_clock=lambda: self.seconds,
        )

    async def _publish(self, item: Reading | ProbeNotice) -> None:
        self.came.append(item)

    async def _sleep(self, seconds: float) -> None:
        self.pauses.append(seconds)
        await asyncio.sleep(0)


async def run_through(rig: Rig) -> None:
    async with asyncio.timeout(5):
        await rig.supervisor.run()


def test_pauses_double_with_jitter_from_half_a_second_to_thirty() -> None:
    chance = seeded(7)
    for _ in range(50):
        backoff = Backoff(chance)
        for failures in range(1, 60):
            whole = min(0.5 * 2 ** (failures - 1), 30.0)
            assert max(0.5, whole / 2) <= backoff.next_s() <= whole


async def test_an_adapter_that_fails_is_started_again_and_its_readings_go_on() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    first, second = reading(rig.clock, GAUGE, 1.0), reading(rig.clock, GAUGE, 2.0)
    adapter.put(first, AdapterError("the radio is off"), second, None)
    await run_through(rig)
    assert rig.came == [first, second]
    assert rig.supervisor.status.restarts == 1
    assert rig.supervisor.status.state == "ended"
    assert rig.supervisor.status.error is None


async def test_an_adapter_that_keeps_failing_waits_ever_longer() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    adapter.put(*[AdapterError("no device")] * 12, None)
    await run_through(rig)
    assert len(rig.pauses) == 12
    assert rig.pauses[0] == 0.5
    assert all(15.0 <= pause <= 30.0 for pause in rig.pauses[7:])


async def test_after_a_steady_minute_the_pause_is_short_again() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    adapter.put(*[AdapterError("no device")] * 8, None)
    task = asyncio.create_task(run_through(rig))
    await eventually(lambda: len(rig.pauses) >= 8)
    await task
    adapter.put(AdapterError("again"), None)
    rig.seconds = 0.0

    def steady() -> float:
        rig.seconds += 100.0
        return rig.seconds

    rig.supervisor._seconds = steady
    await run_through(rig)
    assert rig.pauses[-1] == 0.5


async def test_a_mistake_in_an_adapter_does_not_leave_its_task() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    adapter.put(ZeroDivisionError("a bug"), None)
    await run_through(rig)
    assert len(rig.pauses) == 1


async def test_probes_of_a_failed_adapter_are_told_lost_once() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    adapter.put(notice(rig.clock, "connected"), AdapterError("gone"), AdapterError("gone"), None)
    await run_through(rig)
    lost = [item for item in rig.came if isinstance(item, ProbeNotice) and item.kind == "lost"]
    assert [(item.probe, item.detail) for item in lost] == [(PROBE, "gone")]


async def test_cancelling_releases_the_adapter() -> None:
    released = asyncio.Event()

    class Held(FedAdapter):
        async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
            try:
                async for item in super().stream():
                    yield item
            finally:
                released.set()

    adapter = Held()
    rig = Rig(adapter)
    adapter.put(reading(rig.clock, GAUGE, 1.0))
    task = asyncio.create_task(rig.supervisor.run())
    await eventually(lambda: rig.came)
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    assert released.is_set()


def book() -> ProbeTracker:
    table = {"probe": [{"name": PROBE, "address": "02:00:00:00:00:01", "profile": "ess"}]}
    return ProbeTracker(parse_config(table).probe)


def test_a_link_is_told_once_for_each_change() -> None:
    clock, known = TurnedClock(), book()
    kinds = ["lost", "connected", "connected", "lost", "lost", "connected"]
    drafts = [known.take(notice(clock, kind)) for kind in kinds]
    assert [None if draft is None else draft.type for draft in drafts] == [
        None,
        "holdwatch.probe.connected",
        None,
        "holdwatch.probe.lost",
        None,
        "holdwatch.probe.connected",
    ]


def test_malformed_data_is_counted_whole_and_told_once_a_minute() -> None:
    clock, known = TurnedClock(), book()
    told = []
    for _ in range(121):
        draft = known.take(notice(clock, "malformed", "short payload"))
        if draft is not None:
            told.append(draft.data["count"])
        clock.now_ns += AGAIN_NS // 60
    assert known.states[PROBE].malformed == 121
    assert told == [1, 60, 60]


def test_a_low_battery_is_told_once_until_it_recovers() -> None:
    clock, known = TurnedClock(), book()
    charges = [80.0, 14.0, 13.0, 16.0, 14.0, 90.0, 15.0]
    drafts = [known.take(notice(clock, "battery", value=charge)) for charge in charges]
    assert [draft is not None for draft in drafts] == [
        False,
        True,
        False,
        False,
        False,
        False,
        True,
    ]


def test_a_stranger_is_not_believed() -> None:
    known = book()
    assert not known.knows("somebody-else/pressure")
    assert known.strangers == 1


async def test_a_full_queue_makes_whoever_puts_in_wait() -> None:
    queue: Inbox[int] = Inbox(2)
    await queue.put(1)
    await queue.put(2)
    waiting = asyncio.create_task(queue.put(3))
    await asyncio.sleep(0.01)
    assert not waiting.done()
    assert await queue.take(2) == [1, 2]
    await waiting
    assert queue.take_rest() == [3]


async def test_what_is_offered_is_taken_in_order_and_refused_when_full() -> None:
    queue: Inbox[int] = Inbox(3)
    taking = asyncio.create_task(queue.take(10))
    await asyncio.sleep(0)
    assert [queue.offer(number) for number in range(5)] == [True, True, True, False, False]
    assert await taking == [0, 1, 2]
    putting = [asyncio.create_task(queue.put(number)) for number in range(5, 12)]
    came: list[int] = []
    while len(came) < len(putting):
        came += await queue.take(2)
        await asyncio.sleep(0)
    assert sorted(came) == list(range(5, 12))
    assert not len(queue)
    await asyncio.gather(*putting)


async def test_an_item_waits_for_room_only_where_there_is_none() -> None:
    adapter = FedAdapter()
    rig = Rig(adapter)
    waited: list[Reading | ProbeNotice] = []
    inbox: Inbox[Reading | ProbeNotice] = Inbox(2)

    async def publish(item: Reading | ProbeNotice) -> None:
        waited.append(item)

    items = [reading(rig.clock, GAUGE, float(number)) for number in range(4)]
    adapter.put(*items, None)
    supervisor = Supervisor(adapter, publish, rig.clock, seeded(1), offer=inbox.offer)
    async with asyncio.timeout(5):
        await supervisor.run()
    assert inbox.take_rest() == items[:2]
    assert waited == items[2:]
