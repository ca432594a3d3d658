"""Kill -9 at random instants of live holds, hundreds of times, and audit what is left.

Run: ``python -m benchmarks run kill_campaign [--kills 500] [--seed 1]``. A
process of the real service (SQLite, a real Mosquitto, time-lapse probes) is killed and started
again at once, several times a hold, while a customer with a lasting session listens; in the end
store, customer and verdicts are compared. Exit status 1 where anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import logging
import multiprocessing
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any, Final, Protocol

from fault_audit import (
    Ear,
    Findings,
    check_statuses,
    compare_commands,
    compare_heard,
    compare_retained,
    compare_verdicts,
    look_as_found,
    report,
)
from fault_broker import Broker
from fault_shop import (
    LEAKS_PA_PER_S,
    PREFIX,
    STEP_NS,
    Filling,
    Place,
    Probes,
    World,
    WorldClock,
    places,
)
from fault_shop import shop_table as table_of

from holdwatch_cli.running import run_until_stopped
from holdwatch_daemon.bays.runner import HoldRunner
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_daemon.store import answers
from holdwatch_physics.fluids import Fluids

SPEED: Final = 150.0
"""Simulated seconds a second."""
_AGAIN_S: Final = 0.4
_LOOK_S: Final = 0.003
_LONGEST_LIFE_S: Final = 3.0
_LONGEST_WAIT_S: Final = 20.0
"""For a decision to kill in, or for a process to be ready, s."""
_PATIENCE_S: Final = 300.0
WAYS: Final = ("start", "any", "any", "command", "event", "verdict")
"""Where a kill is aimed: at the start, anywhere, after a command, an event, in a verdict."""


_WISHES: Final[tuple[list[dict[str, Any]], ...]] = (
    [],
    [{"command": "bind_work_order", "work_order": "WO-1"}],
    [{"command": "extend_hold", "minutes": 5.0}],
)
"""What else people ask of a hold."""

# -- the life of one process --------------------------------------------------------------------


def live(data: str, world_file: str, bays: tuple[Place, ...], port: int, seed: int) -> None:
    """Be the service until killed, or until SIGTERM."""
    folder = Path(data)
    folder.mkdir(exist_ok=True)
    logging.basicConfig(
        filename=folder / "log.txt", format="%(levelname)s %(name)s %(message)s", level="WARNING"
    )
    world = World(Path(world_file), len(bays))
    watched = HoldRunner._write  # noqa: SLF001 - to aim by, it is called as it stands

    def noting(self: HoldRunner, *notices: Any, **more: Any) -> Any:
        if self.verdict is not None:
            world.deciding += 1
        return watched(self, *notices, **more)

    HoldRunner._write = noting  # type: ignore[method-assign]  # noqa: SLF001 - the same
    clock = WorldClock(world, SPEED)
    config = parse_config(table_of(folder, bays, port))
    service = Service(config, clock, [Probes(world, clock, bays, seed)], simulated=True)
    run_until_stopped(service.run())


class Life(Protocol):
    """A running process, warm or cold."""

    def kill(self) -> None: ...

    def terminate(self) -> None: ...


# -- the people and the grim reaper -------------------------------------------------------------


@dataclass(slots=True)
class _Desk:
    """What the people of one bay are about: sent again until it is answered."""

    place: Place
    number: int = 0
    tries: int = 0
    asked: dict[str, Any] | None = None
    sent_s: float = 0.0
    hold: str | None = None
    wishes: list[dict[str, Any]] = field(default_factory=list)


@dataclass(slots=True)
class Episode:
    """One fresh shop, from its first start to the audit.

    Attributes:
        seed: Of everything that is left to chance.
        kills: How many processes are killed.
        cold: How many of them are started as programs of their own, imports and all.
        bays: How many bays the shop has.
        folder: For its files.
        broker: Runs through.
        fluids: For judging again.
    """

    seed: int
    kills: int
    cold: int
    bays: tuple[Place, ...]
    folder: Path
    broker: Broker
    fluids: Fluids
    found: Findings = field(default_factory=Findings)
    fillings: list[tuple[str, Filling]] = field(default_factory=list)
    ended: set[str] = field(default_factory=set)
    world: World = field(init=False)
    chance: Random = field(init=False)
    desks: list[_Desk] = field(init=False)
    ear: Ear = field(init=False)
    _sent: int = 0
    _read: int = 0

    def run(self) -> Findings:
        """Kill as often as asked, let the last process end in order, and audit."""
        self.world = World(self.folder / "world", len(self.bays))
        self.world.now_ns = 10**12
        self.chance = Random(self.seed)  # noqa: S311 - a campaign repeats itself
        self.desks = [_Desk(place) for place in self.bays]
        topics = ("events", "status", "bay/+/events", "bay/+/reply", "bay/+/verdict")
        self.ear = Ear(
            self.broker.port, f"archive-{self.seed}", *(f"{PREFIX}/{each}" for each in topics)
        )
        try:
            for number in range(self.kills):
                self._kill_one(is_cold=number < self.cold)
                look_as_found(self._database, self.folder / "scratch", self.found)
                self._outage()
            self._last_life()
        finally:
            self.ear.close()
        self._audit()
        return self.found

    @property
    def _database(self) -> Path:
        return self.folder / "data" / "holdwatch.db"

    def _spawn(self, *, is_cold: bool = False) -> Life:
        arguments = (
            str(self.folder / "data"),
            str(self.folder / "world"),
            self.bays,
            self.broker.port,
            self.seed,
        )
        if is_cold:
            given = json.dumps([*arguments[:2], len(self.bays), *arguments[3:]])
            return subprocess.Popen([sys.executable, __file__, "--live", given])
        process = multiprocessing.get_context("forkserver").Process(target=live, args=arguments)
        process.start()
        return process

    def _kill_one(self, *, is_cold: bool) -> None:
        way = "cold" if is_cold else self.chance.choice(WAYS)
        life = self._spawn(is_cold=is_cold)
        delay = {"start": 0.4, "any": 2.5, "cold": 9.0}.get(way, 0.02)
        self._until(way, self.chance.uniform(0.0, delay))
        life.kill()
        _join(life)
        self.found.seen["kills"] += 1
        self.found.seen[f"kills: {way}"] += 1

    def _until(self, way: str, delay_s: float) -> None:
        """Let the shop go on until the moment to kill."""
        began = time.monotonic()
        sent, heard, deciding = self._sent, len(self.ear.heard), self.world.deciding
        least = self.chance.uniform(0.0, 1.5)
        end = began + delay_s if way in {"start", "cold"} else None
        if end is None:
            began = self._until_ready()
            end = began + delay_s if way == "any" else None
        longest = _LONGEST_WAIT_S if way == "verdict" else _LONGEST_LIFE_S
        while end is None or time.monotonic() < end:
            self._attend()
            aimed = {
                "command": self._sent > sent,
                "event": len(self.ear.heard) > heard,
                "verdict": self.world.deciding > deciding,
            }.get(way, False)
            lived = time.monotonic() - began
            if end is None and ((aimed and lived > least) or lived > longest):
                self.found.seen[f"kills: {way}, hit"] += aimed
                end = time.monotonic() + delay_s
            if lived < least and way != "verdict":
                sent, heard = self._sent, len(self.ear.heard)
            time.sleep(_LOOK_S)

    def _until_ready(self) -> float:
        """Wait until a process takes readings in; return when that was."""
        ready_ns = self.world.now_ns + 3 * STEP_NS
        until = time.monotonic() + _LONGEST_WAIT_S
        while self.world.now_ns < ready_ns and time.monotonic() < until:
            self._attend()
            time.sleep(_LOOK_S)
        return time.monotonic()

    def _outage(self) -> None:
        """Let time pass while nobody watches; now and then the whole machine was off."""
        chance = self.chance
        long = chance.random() < 0.15
        self.world.now_ns += (
            round(chance.uniform(60, 600) if long else chance.uniform(1, 30)) * 10**9
        )
        if chance.random() < 0.08:
            self.world.reboot()
            self.found.seen["new boots"] += 1

    def _last_life(self) -> None:
        life = self._spawn()
        until = time.monotonic() + _PATIENCE_S
        while any(desk.hold or desk.asked for desk in self.desks):
            self._attend(begin=False)
            if time.monotonic() > until:
                self.found.fault("holds that never ended", f"{self.desks}")
                break
            time.sleep(_LOOK_S)
        life.terminate()
        _join(life)
        until = time.monotonic() + 10.0
        while not self._has_heard_all() and time.monotonic() < until:
            time.sleep(0.05)

    def _has_heard_all(self) -> bool:
        with sqlite3.connect(self._database) as connection:
            (newest,) = connection.execute("SELECT MAX(sequence) FROM events").fetchone()
        connection.close()
        ours = (m for m in reversed(self.ear.heard) if m.topic == f"{PREFIX}/events")
        last = next(ours, None)
        return last is not None and last.json["sequence"] >= newest

    # -- the people ---------------------------------------------------------------------------

    def _attend(self, *, begin: bool = True) -> None:
        """Take what was heard, and send each bay's next command or the unanswered one again."""
        heard = self.ear.heard
        while self._read < len(heard):
            message = heard[self._read]
            self._read += 1
            if message.topic.endswith("/reply"):
                self._answered(message.json)
            elif message.topic == f"{PREFIX}/events":
                self._told(message.json)
        now = time.monotonic()
        for bay, desk in enumerate(self.desks):
            if desk.asked is None:
                self._ask(bay, desk, begin=begin)
            if desk.asked is not None and now - desk.sent_s > _AGAIN_S:
                desk.sent_s = now
                self._sent += 1
                self.ear.send(f"{PREFIX}/bay/{desk.place.name}/command", json.dumps(desk.asked))

    def _ask(self, bay: int, desk: _Desk, *, begin: bool) -> None:
        place = desk.place
        head = f"{place.name}-{desk.number}"
        if desk.hold is not None:
            if desk.wishes:
                wish = desk.wishes.pop(0)
                desk.asked = {"id": f"{head}-{wish['command']}"} | wish
            return
        if not begin:
            return
        if desk.tries == 0:
            desk.number += 1
            leak = self.chance.choice(LEAKS_PA_PER_S[place.recipe])
            self.world.begin(bay, desk.number, leak)
            self.fillings.append((place.name, self.world.bay(bay)))
        desk.tries += 1
        given = {"command": "start_hold", "recipe": place.recipe}
        desk.asked = {"id": f"{place.name}-{desk.number}-start-{desk.tries}"} | given

    def _answered(self, reply: dict[str, Any]) -> None:
        for desk in self.desks:
            if desk.asked is None or desk.asked["id"] != reply["id"]:
                continue
            started = desk.asked["command"] == "start_hold"
            desk.asked = None
            if not reply["ok"]:
                self.found.seen[f"refused: {reply['text'][:60]}"] += 1
            if started and reply["ok"]:
                desk.hold, desk.tries = reply["hold_id"], 0
                desk.wishes = [{"command": "say_isolated"}, *self.chance.choice(_WISHES)]
                if desk.hold in self.ended:
                    desk.hold = None

    def _told(self, event: dict[str, Any]) -> None:
        if event["type"] != "holdwatch.verdict":
            return
        self.ended.add(event["subject"])
        for desk in self.desks:
            if desk.hold == event["subject"]:
                desk.hold, desk.asked = None, None

    # -- the audit ----------------------------------------------------------------------------

    def _audit(self) -> None:
        newcomer = Ear(self.broker.port, None, f"{PREFIX}/#")
        time.sleep(0.5)
        newcomer.close()
        found = self.found
        look_as_found(self._database, self.folder / "scratch", found)
        log = (self.folder / "data" / "log.txt").read_text(encoding="utf-8")
        found.fault("errors in the log", log[-1500:], log.count("Traceback"))
        connection = answers.connect(self._database)
        try:
            check_statuses(self.ear.heard, found)
            compare_heard(connection, self.ear.heard, found)
            compare_commands(connection, self.ear.heard, found)
            compare_retained(connection, newcomer.heard, found)
            compare_verdicts(connection, self.bays, self.seed, self.fillings, self.fluids, found)
        finally:
            connection.close()


def _join(life: Life) -> None:
    if isinstance(life, subprocess.Popen):
        life.wait(30)
    elif isinstance(life, multiprocessing.process.BaseProcess):
        life.join(30)
        life.close()


def campaign(
    kills: int, seed: int, *, cold: int = 0, bays: int = 3, kills_each: int = 25
) -> Findings:
    """Kill so many processes, in shops of their own for every ``kills_each`` of them."""
    # One process pays for the imports, and every life is a fork of it.
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["kill_campaign"])
    found = Findings()
    fluids = Fluids.load()
    while found.seen["kills"] < kills:
        with tempfile.TemporaryDirectory(prefix="holdwatch-kills-") as folder:
            broker = Broker(Path(folder))
            broker.start()
            try:
                episode = Episode(
                    seed=seed + found.seen["episodes"],
                    kills=min(kills_each, kills - found.seen["kills"]),
                    cold=cold if not found.seen["episodes"] else 0,
                    bays=places(bays),
                    folder=Path(folder),
                    broker=broker,
                    fluids=fluids,
                )
                found.add(episode.run())
            finally:
                broker.stop()
        found.seen["episodes"] += 1
        print(f"{found.seen['kills']} kills, wrong: {dict(found.wrong) or 'nothing'}", flush=True)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--cold", type=int, default=20, help="programs killed, imports and all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--live", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.live:
        data, world, bays, port, seed = json.loads(options.live)
        live(data, world, places(bays), port, seed)
        return 0
    found = campaign(options.kills, options.seed, cold=options.cold)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
