"""The wall clock set in the middle of holds, and machines started anew: verdicts must not care.

Run: ``python -m benchmarks run clock_steps [--seeds 3]``. Each case runs a hold
of the real service over the same readings; what happens to the clock differs. Where the machine
goes on, the verdict must be the undisturbed one to the last bit; where it was started anew, the
same outcome or inconclusive for the gap. Exit status 1 where anything was wrong.
"""

from __future__ import annotations

import argparse
import asyncio
import sys
import tempfile
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from fault_audit import Findings, report
from fault_shop import (
    LEAKS_PA_PER_S,
    START_UTC_NS,
    STEP_NS,
    Place,
    Probes,
    World,
    WorldClock,
    shop_table,
)

from holdwatch_daemon.messages import SayIsolated, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.messages import Event
    from holdwatch_physics.reading import ProbeNotice, Reading

HOUR: Final = 3_600
DAY: Final = 86_400
_PACE: Final = 1e6
_LOOK_S: Final = 0.6
"""Longer than the service takes to look at its clocks again, s."""
_LONGEST_S: Final = 3_700


@dataclass(frozen=True, slots=True)
class Case:
    """What happens to the clocks of one hold.

    Attributes:
        name: For the table.
        sets: Second of the hold → by how many seconds the wall clock is set then.
        starts: When the hold begins, RFC 3339; None where it does not matter.
        restarts: Second of the hold → seconds for which no process lives.
        new_boot: Whether such a restart is one of the machine.
    """

    name: str
    sets: dict[int, float] = field(default_factory=dict)
    starts: str | None = None
    restarts: dict[int, int] = field(default_factory=dict)
    new_boot: bool = False


CASES: Final = (
    Case("undisturbed"),
    Case("an hour forward", {300: HOUR}),
    Case("an hour back", {300: -HOUR}),
    Case("a second back, as a leap second does", {300: -1.0}),
    Case("three days back", {300: -3 * DAY}),
    Case("thirty days forward", {300: 30 * DAY}),
    Case("back to 1970, then right again", {200: -(START_UTC_NS // 10**9), 400: 1_790_000_000.0}),
    Case("to and fro by an hour, ten times", {100 + 40 * n: HOUR * (-1) ** n for n in range(10)}),
    Case("across midnight", starts="2026-12-31T23:55:00Z"),
    Case("across midnight, and set back over it", {500: -2 * HOUR}, "2026-12-31T23:55:00Z"),
    Case("the end of summer time in Europe", starts="2026-10-25T00:55:00Z"),
    Case("the end of summer time in New York", starts="2026-11-01T05:55:00Z"),
    Case("the start of summer time in Europe", starts="2027-03-28T00:55:00Z"),
    Case("a new process", restarts={300: 20}),
    Case("a new process, and an hour back", {340: -HOUR}, restarts={300: 20}),
    Case("a new process, and three days back", {340: -3 * DAY}, restarts={300: 20}),
    Case("a new boot", restarts={300: 120}, new_boot=True),
    Case("a new boot, a day back", {299: -DAY}, restarts={300: 120}, new_boot=True),
    Case("a new boot, thirty days forward", {299: 30 * DAY}, restarts={300: 120}, new_boot=True),
)
"""Clocks of computers count UTC, so that midnight and summer time are times like any other."""


class _Told(Probes):
    """The shop's probes as fast as they are taken; at given seconds something else goes first."""

    def __init__(
        self, world: World, clock: WorldClock, bays: tuple[Place, ...], seed: int, life: _Life
    ) -> None:
        super().__init__(world, clock, bays, seed, pace=_PACE)
        self._life = life

    async def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        await self._life.begun.wait()
        async for item in super().stream():
            yield item
            await self._life.after(item.mono_ns)


class _Life:
    """One process of a case."""

    def __init__(self, world: World, clock: WorldClock, case: Case, zero_ns: int) -> None:
        self.begun = asyncio.Event()
        self.ended = asyncio.Event()
        self._world = world
        self._clock = clock
        self._case = case
        self._zero_ns = zero_ns
        self._seen = -1

    async def after(self, _: int) -> None:
        """Set the clock or end the life where its second has come."""
        second = (self._world.now_ns - self._zero_ns) // STEP_NS
        if second == self._seen:
            return
        self._seen = second
        if second in self._case.sets:
            await asyncio.sleep(_LOOK_S)
            self._clock.set_by_ns += round(self._case.sets[second] * 1e9)
            await asyncio.sleep(_LOOK_S)
        if second in self._case.restarts or second > _LONGEST_S:
            self.ended.set()
            await asyncio.Event().wait()


async def hold(case: Case, place: Place, leak: float, seed: int, folder: Path) -> _Outcome:
    """Run one hold through a case and return its verdict and the events of the shop."""
    bays = (place,)
    world = World(folder / "world", 1)
    world.now_ns = 10**12
    world.begin(0, 1, leak)
    zero_ns, set_by_ns, hold_id = world.now_ns, 0, ""
    if case.starts is not None:
        began = datetime.fromisoformat(case.starts).astimezone(UTC)
        set_by_ns = round(began.timestamp()) * 10**9 - START_UTC_NS - zero_ns
    config = parse_config(shop_table(folder / "data", bays, None))
    while True:
        clock = WorldClock(world, 1.0)
        clock.set_by_ns = set_by_ns
        life = _Life(world, clock, case, zero_ns)
        probes = _Told(world, clock, bays, seed, life)
        async with Service(config, clock, [probes], simulated=True) as service:
            hold_id = hold_id or await _begin(service, place)
            life.begun.set()
            over = asyncio.create_task(life.ended.wait())
            verdict = None
            patience = 1500  # told all, with no restart to come: its verdict is on the way
            while verdict is None and patience:
                await asyncio.sleep(0.02)
                verdict = await service.store.verdict(hold_id)
                if over.done():
                    ended = (world.now_ns - zero_ns) // STEP_NS
                    patience = 0 if ended in case.restarts else patience - 1
            over.cancel()
            events = await service.store.events_after(0, 10_000)
            if verdict is not None:
                return _Outcome(verdict, events)
        set_by_ns = clock.set_by_ns
        second = (world.now_ns - zero_ns) // STEP_NS
        world.now_ns += case.restarts[second] * 10**9
        if case.new_boot:
            world.reboot()


async def _begin(service: Service, place: Place) -> str:
    start = StartHold(command="start_hold", id="start", recipe=place.recipe)
    reply = await service.command(place.name, start, by="benchmark")
    await service.command(
        place.name, SayIsolated(command="say_isolated", id="isolated"), by="benchmark"
    )
    if reply.hold_id is None:
        raise RuntimeError(reply.text)
    return reply.hold_id


@dataclass(frozen=True, slots=True)
class _Outcome:
    verdict: dict[str, Any]
    events: list[Event]


def check(case: Case, outcome: _Outcome, like: dict[str, Any], found: Findings) -> None:
    """Compare a case's verdict with the one it must be like, and look at its events."""
    verdict, where = outcome.verdict, case.name
    found.seen["holds"] += 1
    numbers = [event.sequence for event in outcome.events]
    if numbers != list(range(1, len(numbers) + 1)):
        found.fault("gaps in numbering", where)
    steps = [event for event in outcome.events if event.type == "holdwatch.clock.stepped"]
    found.seen["steps told"] += len(steps)
    # A step by a second is within what clocks are drawn by, and one before a boot's first look
    # has nothing to be compared with.
    expected = sum(abs(by) >= 2.0 for by in case.sets.values())
    if len(steps) != expected:
        found.fault("steps not told once each", f"{where}: {len(steps)} of {expected}")
    if not case.new_boot:
        unlike = {key for key in like if like[key] != verdict.get(key)}
        if unlike:
            found.fault("verdicts unlike the undisturbed", f"{where}: {sorted(unlike)}")
        else:
            found.seen["verdicts like the undisturbed, to the last bit"] += 1
    elif verdict["outcome"] == like["outcome"]:
        found.seen["after a new boot: the same outcome"] += 1
    elif verdict["outcome"] == "inconclusive" and "gap" in verdict["causes"]:
        found.seen["after a new boot: inconclusive for the gap"] += 1
    else:
        found.fault("wrong verdicts", f"{where}: {verdict['outcome']} {verdict['causes']}")


def campaign(seed: int, recipe: str, leak: float, cases: tuple[Case, ...] = CASES) -> Findings:
    """Run the cases with one kind of hold."""
    place, found = Place("BM-01", recipe), Findings()
    like: dict[bool, dict[str, Any]] = {}
    ordered = sorted(cases, key=lambda case: bool(case.sets or case.starts))
    for case in ordered:
        with tempfile.TemporaryDirectory(prefix="holdwatch-clock-") as folder:
            outcome = asyncio.run(hold(case, place, leak, seed, Path(folder)))
        has_gap = bool(case.restarts) and not case.new_boot
        reference = like.setdefault(has_gap, outcome.verdict)
        check(case, outcome, reference, found)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2)
    options = parser.parse_args()
    found = Findings()
    for seed in range(options.seeds):
        for recipe, leaks in LEAKS_PA_PER_S.items():
            for leak in leaks:
                found.add(campaign(seed, recipe, leak))
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
