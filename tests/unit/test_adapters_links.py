"""The parts that links share: pauses, patience, and the queue out of callbacks."""

from __future__ import annotations

import asyncio
import random
import time

import pytest

from holdwatch_adapters import stream
from holdwatch_adapters.backoff import Backoff
from holdwatch_adapters.stream import ItemQueue, within
from holdwatch_physics.reading import Quantity, Reading


def test_pauses_double_up_to_the_last_and_are_never_less_than_half() -> None:
    backoff = Backoff(random.Random(3))
    whole = [0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0]
    pauses = [backoff.next_s() for _ in whole]
    assert all(
        max(0.5, full / 2) <= pause <= full for pause, full in zip(pauses, whole, strict=True)
    )
    assert pauses[-1] != pauses[-2], "two probes that failed together must drift apart"
    backoff.reset()
    assert backoff.next_s() <= 0.5


async def test_a_call_returns_its_result_or_its_error() -> None:
    async def add() -> int:
        return 2

    async def fail() -> int:
        raise OSError("no radio")

    assert await within(1.0, add()) == 2
    with pytest.raises(OSError, match="no radio"):
        await within(1.0, fail())


async def test_a_call_that_cleans_up_for_ever_is_left_behind() -> None:
    released = asyncio.Event()

    async def stubborn() -> None:
        try:
            await asyncio.sleep(60.0)
        finally:
            await released.wait()
            raise OSError("said to nobody")

    began = time.monotonic()
    with pytest.raises(TimeoutError, match=r"no answer within 0\.05 s"):
        await within(0.05, stubborn(), grace_s=0.05)
    assert time.monotonic() - began < 2.0
    released.set()
    await asyncio.sleep(0.01)


async def test_cancelling_the_caller_cancels_the_call() -> None:
    ended = asyncio.Event()

    async def call() -> None:
        try:
            await asyncio.sleep(60.0)
        finally:
            ended.set()

    caller = asyncio.create_task(within(60.0, call()))
    await asyncio.sleep(0.01)
    caller.cancel()
    with pytest.raises(asyncio.CancelledError):
        await caller
    assert ended.is_set()


async def test_what_nobody_takes_up_is_dropped_and_said_once(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(stream, "_QUEUE_LIMIT", 3)
    outlet = ItemQueue()
    for n in range(5):
        outlet.put(Reading("gauge/pressure", Quantity.PRESSURE_GAUGE, n, n, 0.0))
    outlet.close()
    taken = [await outlet.get() for _ in range(4)]
    assert [item.utc_ns for item in taken if isinstance(item, Reading)] == [0, 1, 2]
    assert taken[-1] is None
    assert outlet.dropped == 2
    assert caplog.text.count("dropped") == 1
