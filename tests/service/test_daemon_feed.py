"""The feed: what a bay shows is made once for each change, whoever follows at whatever pace."""

from __future__ import annotations

import asyncio
from contextlib import aclosing
from typing import TYPE_CHECKING

import pytest
from fake_service import FakeService, nitrogen

from holdwatch_daemon.outlets.feed import Feed, Pace

if TYPE_CHECKING:
    from holdwatch_daemon.messages import BayState, Live
    from holdwatch_daemon.outlets.feed import Frame

FAST = Pace(busy_s=0.05, quiet_s=0.05)


class Script:
    """A feed over the scripted bays that counts what it makes."""

    def __init__(self) -> None:
        self.service = FakeService()
        self.feed = Feed(["bay-1", "bay-2"], self.state, self.live)
        self.states: list[str] = []
        self.lives: list[str] = []
        self.error: Exception | None = None

    def state(self, bay: str) -> BayState:
        self.states.append(bay)
        if self.error is not None:
            raise self.error
        return self.service.bay_state(bay)

    def live(self, bay: str) -> Live:
        self.lives.append(bay)
        return self.service.live(bay).model_copy(update={"time": str(len(self.lives))})


def told(frames: list[Frame]) -> list[tuple[str, str]]:
    return [(frame.kind, frame.bay) for frame in frames]


async def silence(feed: Feed) -> None:
    """Let the feed make what it still owes."""
    async with aclosing(feed.follow([], FAST, patience_s=0.8)) as nothing:
        assert await anext(nothing) == []


async def test_who_follows_gets_all_that_stands_then_what_changes() -> None:
    script = Script()
    async with aclosing(script.feed.follow(pace=FAST)) as news:
        everything = [("state", "bay-1"), ("live", "bay-1"), ("state", "bay-2"), ("live", "bay-2")]
        assert told(await anext(news)) == everything
        script.service.set_hold("bay-2", nitrogen(8.0))
        script.feed.note("bay-2")
        came: list[tuple[str, str]] = []
        while ("state", "bay-2") not in came:
            came += told(await anext(news))
        assert set(came) == {("state", "bay-2"), ("live", "bay-2")}


async def test_a_message_is_made_once_for_all_who_follow() -> None:
    script = Script()
    async with (
        aclosing(script.feed.follow(pace=FAST)) as one,
        aclosing(script.feed.follow(pace=FAST)) as other,
    ):
        await anext(one)
        await anext(other)
        await anext(one)  # what was made for the other
        script.lives.clear()
        script.feed.note("bay-1")
        (first,), (second,) = await anext(one), await anext(other)
        assert first is second
        assert first.json is second.json
        assert script.lives == ["bay-1"]


async def test_the_time_alone_is_no_news() -> None:
    script = Script()
    async with aclosing(script.feed.follow(["bay-1"], FAST)) as news:
        await anext(news)
        state = script.service.states["bay-1"]
        script.service.states["bay-1"] = state.model_copy(update={"time": "later"})
        script.feed.note("bay-1")
        assert told(await anext(news)) == [("live", "bay-1")]
        await silence(script.feed)
        assert script.states.count("bay-1") > 1
        script.feed.note("bay-1")
        assert told(await anext(news)) == [("live", "bay-1")]


async def test_a_state_that_had_to_wait_comes_by_itself() -> None:
    script = Script()
    async with aclosing(script.feed.follow(["bay-1"], FAST, patience_s=5.0)) as news:
        await anext(news)
        script.service.set_hold("bay-1", nitrogen(8.0))
        script.feed.note("bay-1")  # within half a second of the state before
        assert told(await anext(news)) == [("live", "bay-1")]
        assert told(await anext(news)) == [("state", "bay-1")]


async def test_a_change_that_a_new_follower_brings_to_light_is_told_to_the_others() -> None:
    script = Script()
    async with aclosing(script.feed.follow(["bay-1"], FAST, patience_s=5.0)) as news:
        await anext(news)
        script.service.set_hold("bay-1", nitrogen(8.0))  # noted to nobody
        await silence(script.feed)
        async with aclosing(script.feed.follow()) as late:
            await anext(late)
        assert ("state", "bay-1") in told(await anext(news))


async def test_the_same_values_at_the_same_time_are_no_news() -> None:
    script = Script()
    feed = Feed(["bay-1"], script.service.bay_state, script.service.live)
    async with aclosing(feed.follow(pace=FAST, patience_s=0.8)) as news:
        await anext(news)
        feed.note("bay-1")
        assert await anext(news) == []


async def test_quiet_bays_are_told_at_the_quiet_pace() -> None:
    script = Script()
    script.service.set_hold("bay-1", nitrogen(8.0))
    counts = {"bay-1": 0, "bay-2": 0}
    pace = Pace(busy_s=0.1, quiet_s=0.4)
    now = asyncio.get_running_loop().time
    async with aclosing(script.feed.follow(pace=pace, patience_s=0.02)) as news:
        began = now()
        async for frames in news:
            script.feed.note("bay-1")
            script.feed.note("bay-2")
            for frame in frames:
                counts[frame.bay] += frame.kind == "live"
            if counts["bay-2"] == 3:
                break
    assert now() - began > 0.7, "two pauses of a quiet bay"
    assert counts["bay-1"] > counts["bay-2"], "a hold is told more often"


async def test_a_slow_follower_gets_the_newest_and_holds_nobody_up() -> None:
    script = Script()
    async with (
        aclosing(script.feed.follow(["bay-1"], FAST)) as slow,
        aclosing(script.feed.follow(["bay-1"], FAST)) as quick,
    ):
        await anext(slow)
        await anext(quick)
        for _ in range(5):
            script.feed.note("bay-1")
            (frame,) = await anext(quick)
        assert await anext(slow) == [frame]


async def test_nothing_is_made_while_nobody_follows() -> None:
    script = Script()
    script.feed.note("bay-1")
    async with aclosing(script.feed.follow()) as news:
        await anext(news)
    script.states.clear()
    script.feed.note("bay-1")
    await asyncio.sleep(0.1)
    assert script.states == []
    assert script.feed.followers == 0


async def test_silence_is_told_to_who_asks_for_it() -> None:
    script = Script()
    async with aclosing(script.feed.follow(patience_s=0.05)) as news:
        assert len(await anext(news)) == 4
        assert await anext(news) == []


async def test_closing_ends_everyone() -> None:
    script = Script()
    async with aclosing(script.feed.follow()) as news:
        await anext(news)
        script.feed.close()
        assert [frames async for frames in news] == []
    assert [frames async for frames in script.feed.follow()] == []


async def test_what_cannot_be_made_is_said_to_who_follows_and_the_next_one_begins_anew() -> None:
    script = Script()
    async with aclosing(script.feed.follow(["bay-1"], FAST)) as news:
        await anext(news)
        await asyncio.sleep(0.6)
        script.error = ArithmeticError("no such figure")
        script.feed.note("bay-1")
        with pytest.raises(ArithmeticError):
            await anext(news)
    script.error = None
    async with aclosing(script.feed.follow(["bay-1"], FAST)) as news:
        await anext(news)
        script.feed.note("bay-1")
        assert told(await anext(news)) == [("live", "bay-1")]
