"""The power of a whole machine cut in the middle of holds, again and again, and what is left.

``python -m benchmarks run machine_cuts FOLDER [--cuts 10]``, after
``machine_systemd`` has installed
holdwatch in that folder. What the machine's memory held is gone, and what its disk had not
confirmed is lost sector by sector (``machine_disk.py``). A broker outside hears what is told: every
event that it heard must be in the files as the machine finds them when it comes up again.
Exit status 1 where anything was wrong.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any, Final

from fault_audit import (
    Findings,
    check_numbers,
    check_statuses,
    compare_commands,
    compare_heard,
    look_as_found,
    report,
)
from fault_broker import Broker
from machine_disk import Disk
from machine_guest import EMULATED, Guest
from machine_shop import BAYS, DATABASE, LEAKS_PA_PER_S, World

from holdwatch_daemon.bays.resume import replay
from holdwatch_daemon.store import answers
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.hold import conclude

_LOOK: Final = r"""
import json, pathlib, sqlite3
said = {}
for path in sorted(pathlib.Path("/var/tmp/found").glob("*.db")):
    connection = sqlite3.connect(path)
    said[path.name] = connection.execute("PRAGMA integrity_check").fetchone()[0]
    if path.name == "holdwatch.db":
        rows = connection.execute("SELECT body FROM events ORDER BY sequence")
        events = [body for (body,) in rows]
        readings = connection.execute("SELECT COUNT(*) FROM readings").fetchone()[0]
print(json.dumps({"said": said, "events": events, "readings": readings}))
"""
_VERDICT_S: Final = 540.0
"""How long the last life waits for verdicts."""
_AIMED: Final = 0.75
"""Share of the cuts that come while the disk holds what it has not confirmed."""


def _until_writing(disk: Disk) -> None:
    """Wait until something is at stake on the disk, for 10 s at most."""
    until = time.monotonic() + 10.0
    while not disk.unconfirmed and time.monotonic() < until:
        time.sleep(0.0005)


@dataclass(slots=True)
class Campaign:
    """A machine, its world, and what was found.

    Args:
        folder: With the installed machine.
        world: Goes on while the machine is off.
        chance: When the power goes, and what the disk has kept.
        found: Where counts go.
    """

    folder: Path
    world: World
    chance: Random
    found: Findings
    filled: int = 0
    cuts: int = 0

    @property
    def image(self) -> Path:
        return self.folder / "cuts.img"

    def life(self, *, is_last: bool = False) -> None:
        """Power on, look at the files as found, hold, and cut or end in order."""
        disk = Disk(self.image, self.folder / "disk")
        drive = f"file=nbd+unix:///?socket={self.folder / 'disk'}"
        guest = Guest(self.folder, drive, EMULATED)
        self.world.plug_in(guest)
        try:
            up_s = guest.wait_for_desk()
            if self.cuts:
                self._look(guest)
            before = len(self.world.events())
            self._until_running(guest, before)
            print(f"life {self.cuts + 1}: up after {up_s:.0f} s", end="", flush=True)
            if is_last:
                self.found.seen["holds ended by hand"] += self.world.end_holds(_VERDICT_S)
                guest.shut_down()
                return
            self._hold()
            if self.chance.random() < _AIMED:
                _until_writing(disk)
            held, lost = disk.cut(self.chance, self.chance.choice((0.0, 0.5, 0.5, 1.0)))
        finally:
            guest.kill()
            self.world.unplug()
            if is_last:
                disk.close()
        self.cuts += 1
        self.found.seen["power cuts"] += 1
        self.found.seen["power cuts while the disk was writing"] += bool(held)
        self.found.seen["sectors that the disk had not confirmed"] += held
        self.found.seen["sectors lost"] += lost
        print(f"; cut: {held} sectors unconfirmed, {lost} lost, {disk.flushes} flushes", flush=True)

    def _look(self, guest: Guest) -> None:
        """Compare the files as the machine found them with what was told before."""
        told = [m.payload.decode() for m in self.world.ear.heard if m.topic.endswith("ry/events")]
        until = "until systemctl show -p ActiveState --value as-found | grep -q inactive"
        done = guest.must(f"{until}; do sleep 1; done\nsudo python3 - <<'END'\n{_LOOK}END")
        state = json.loads(done.splitlines()[-1])
        self.found.seen["files looked at as found"] += len(state["said"])
        for name, said in state["said"].items():
            self.found.fault("unsound databases", f"{name}: {said}", said != "ok")
        there = set(state["events"])
        missing = [body for body in dict.fromkeys(told) if body not in there]
        self.found.fault("told events missing after a cut", f"{missing[:2]}", len(missing))
        self.found.seen["told events found in the store after a cut"] += len(set(told) & there)
        numbers = [json.loads(body)["sequence"] for body in state["events"]]
        odd = len(numbers) - len(set(numbers)) + (numbers != list(range(1, len(numbers) + 1)))
        self.found.fault("numbers doubled or missing after a cut", f"{numbers[-5:]}", odd)
        if not missing and len(there) > len(set(told)):
            self.found.seen["events stored and not yet told at a cut"] += len(there - set(told))

    def _until_running(self, guest: Guest, before: int) -> None:
        until = time.monotonic() + 400.0
        while not any(
            event["type"] == "holdwatch.service.started" for event in self.world.events()[before:]
        ):
            if time.monotonic() > until:
                raise RuntimeError(guest.run("systemctl status holdwatch").output)
            time.sleep(0.5)

    def _hold(self) -> None:
        """Begin holds where none runs, and let them go on for a while."""
        if not self.world.running():
            self.filled += 1
            leaks = {key: self.chance.choice(leaks) for key, leaks in LEAKS_PA_PER_S.items()}
            self.world.fill(self.filled, leaks)
            self.world.begin_holds()
        until = time.monotonic() + self.chance.uniform(1.0, 60.0)
        while time.monotonic() < until:
            if self.chance.random() < 0.1:
                bay = self.chance.choice(BAYS).name
                self.world.ask(bay, command="bind_work_order", work_order=f"WO-{self.cuts}")
            time.sleep(min(1.0, max(until - time.monotonic(), 0.0)))
        if self.chance.random() < 0.5:
            # In the very moment of a command.
            self.world.tell_only(BAYS[0].name, command="bind_work_order", work_order="WO-last")
            time.sleep(self.chance.uniform(0.0, 0.3))

    def audit(self) -> None:
        """Compare all that was told with the store that the last life left."""
        database = self.folder / "audited.db"
        database.unlink(missing_ok=True)
        dump = ["debugfs", "-R", f"dump {DATABASE} {database}", str(self.image)]
        subprocess.run(dump, check=True, capture_output=True)
        look_as_found(database, self.folder / "scratch", self.found)
        connection = answers.connect(database)
        check_numbers(connection, self.found)
        check_statuses(self.world.ear.heard, self.found)
        compare_heard(connection, self.world.ear.heard, self.found)
        compare_commands(connection, self.world.ear.heard, self.found)
        fluids = Fluids.load()
        for row in answers.list_holds(connection, None, 1000):
            stored = answers.verdict(connection, row.id)
            if stored is None:
                continue
            again = replay(connection, row, fluids, version()).hold
            anew = conclude(again).to_dict()
            unlike = {key: stored.get(key) for key in anew if stored.get(key) != anew[key]}
            self.found.fault("verdicts unlike their stored readings", f"{unlike}", bool(unlike))
            self.found.seen[f"verdicts: {stored['outcome']} {stored.get('causes') or ''}"] += 1
        connection.close()
        for event in self.world.events():
            if event["type"] == "holdwatch.hold.resumed":
                self.found.seen["holds resumed, with their gap told"] += 1


def campaign(folder: Path, cuts: int, seed: int, within_min: float) -> Findings:
    """Cut the power so many times, or for so long, then let the holds end."""
    found = Findings()
    broker = Broker(Path(tempfile.mkdtemp(prefix="holdwatch-broker-")), port=_port(folder))
    broker.start()
    world = World(broker.port, f"archive-{seed}")
    shutil.copyfile(folder / "installed.img", folder / "cuts.img")
    run = Campaign(folder, world, Random(seed), found)  # noqa: S311 - a campaign repeats itself
    try:
        until = time.monotonic() + within_min * 60.0
        while run.cuts < cuts and time.monotonic() < until:
            run.life()
        run.life(is_last=True)
        run.audit()
    finally:
        world.close()
        broker.stop()
    return found


def _port(folder: Path) -> int:
    """The broker's port that the installed machine knows."""
    known: dict[str, Any] = json.loads((folder / "installed.json").read_text(encoding="utf-8"))
    return int(known["port"])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cuts", type=int, default=10)
    parser.add_argument("--within-min", type=float, default=600.0, help="begin no cut later")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    found = campaign(options.folder, options.cuts, options.seed, options.within_min)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
