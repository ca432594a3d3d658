"""holdwatch under a real systemd, installed, run and mistreated as docs/service.md says.

``python -m benchmarks run machine_systemd FOLDER``; it needs root, ``debootstrap``, ``mke2fs``,
``qemu-system-x86`` and ``mosquitto`` (all from apt). A whole machine boots in an emulator; the
manual's commands are taken from the manual itself. The installed machine is left behind in the
folder for ``machine_cuts.py``. Exit status 1 where something was not as the manual says.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import tempfile
import textwrap
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from fault_audit import Findings, report
from fault_broker import Broker
from machine_guest import EMULATED, Guest
from machine_image import make_disk
from machine_shop import World, install, steps

UNIT: Final = "holdwatch"
_TIGHT: Final = {"nitrogen": 0.0, "vacuum": 0.0}
_PID: Final = f"PID=$(systemctl show -p MainPID --value {UNIT}); "

# In the mounts and the control group of the service, as the superuser: only the unit's own rules
# are in the way.
_INSIDE: Final = (
    f"sudo sh -c 'echo $$ > /sys/fs/cgroup/system.slice/{UNIT}.service/cgroup.procs;"
    " exec nsenter -t '$PID' -m python3 -'"
)
_PLACES: Final = r"""
import json, os
def tried(path, flags):
    try:
        os.close(os.open(path, flags | os.O_NONBLOCK))
    except OSError as error:
        return error.strerror
    if flags & os.O_CREAT:
        os.unlink(path)
    return "opened"
write = os.O_WRONLY | os.O_CREAT
print(json.dumps({
    "files": {path: tried(path + "/x", write) for path in (
        "/usr", "/etc", "/etc/holdwatch", "/opt/holdwatch", "/var/log", "/var/backups", "/root",
        "/home/mechanic", "/var/lib/holdwatch", "/tmp")},
    "devices": {path: tried(path, os.O_RDWR) for path in (
        "/dev/vda", "/dev/kmsg", "/dev/rtc0", "/dev/hwrng", "/dev/ttyS1", "/dev/ttyS2",
        "/dev/null", "/dev/urandom")},
}))
"""
_OPENED: Final = {
    *("/var/lib/holdwatch", "/tmp"),  # noqa: S108 - the service's own
    *("/dev/ttyS1", "/dev/ttyS2", "/dev/null", "/dev/urandom"),
}


@dataclass(slots=True)
class Trial:
    """A machine with holdwatch on it, and what was found.

    Args:
        guest: The machine.
        world: Outside of it.
        found: Where counts go.
    """

    guest: Guest
    world: World
    found: Findings

    def say(self, what: str, said: object, *, well: bool = True) -> None:
        """Print what was seen, and count it."""
        print(f"{'ok   ' if well else 'WRONG'} {what}: {said}", flush=True)
        self.found.seen["looked at"] += 1
        self.found.fault(what, f"{said}", not well)

    def shown(self, *names: str) -> dict[str, str]:
        """Return properties of the unit."""
        said = self.guest.must(f"systemctl show -p {','.join(names)} {UNIT}")
        return dict(line.split("=", 1) for line in said.splitlines() if "=" in line)

    # -- as it runs ---------------------------------------------------------------------------

    def started(self) -> None:
        """Look at what systemd says of a service that was just started."""
        keys = ("Type", "ActiveState", "SubState", "StatusText", "NRestarts")
        shown = self.shown(*keys)
        well = [shown[key] for key in keys[:3]] == ["notify", "active", "running"]
        self.say("state", shown, well=well and shown["NRestarts"] == "0")
        begun = self.shown("ExecMainStartTimestampMonotonic", "ActiveEnterTimestampMonotonic")
        from_us, until_us = map(int, sorted(begun.values(), key=int))
        self.say("from its start until ready, s", round((until_us - from_us) / 1e6, 1))
        print(textwrap.indent(self.guest.must(f"systemctl status --no-pager {UNIT}"), "    "))

    def rights(self) -> None:
        """Look at the process's user, groups, capabilities and filters."""
        wanted = "^(Uid|Groups|CapEff|CapBnd|NoNewPrivs|Seccomp):"
        said = self.guest.must(_PID + f"grep -E '{wanted}' /proc/$PID/status; id holdwatch")
        fields = dict(line.split(":\t", 1) for line in said.splitlines() if ":\t" in line)
        none = "0" * 16
        well = fields["CapEff"] == fields["CapBnd"] == none and fields["Seccomp"] == "2"
        well = well and fields["NoNewPrivs"] == "1" and "0" not in fields["Uid"].split()
        self.say("rights", said.replace("\n", "; ").replace("\t", " "), well=well)
        said = self.guest.must(f"sudo systemd-analyze security --no-pager {UNIT} | tail -1")
        self.say("exposure, online", said.strip())

    def places(self) -> None:
        """Try files and devices from inside of the unit."""
        said = self.guest.must(_PID + f"{_INSIDE} <<'END'\n{_PLACES}END")
        for kind, tries in json.loads(said.splitlines()[-1]).items():
            opened = {path for path, word in tries.items() if word == "opened"}
            self.say(kind, tries, well=opened == _OPENED & set(tries))

    def journal(self) -> None:
        """Look for killed system calls, and at what the service has logged."""
        killed = self.guest.run("sudo journalctl --no-pager | grep -E 'type=1326|status=31/SYS'")
        self.say("system calls ended by the filter", killed.output, well=killed.status == 1)
        logged = self.guest.must(f"sudo journalctl -u {UNIT} --no-pager -o cat")
        count = logged.count("Traceback")
        self.say("tracebacks in the journal", count, well=count == 0)
        for line in "\n".join(steps("Logs")).splitlines():
            said = self.guest.must(f"sudo {line.replace(' -f', ' -n 5')} --no-pager")
            print(textwrap.indent(said, "    "), flush=True)

    # -- mistreated ---------------------------------------------------------------------------

    def again_after(self, what: str, command: str, *, within_s: float = 400.0) -> None:
        """Do something to it in mid-hold, and see its holds go on; say how long that took."""
        resumed = self._count("hold.resumed")
        old = self.guest.must(_PID + "echo $PID").strip()
        began = time.monotonic()
        self.guest.must(command)
        self.world.wait_for("hold.resumed", resumed + 2, within_s=within_s)
        went_s = time.monotonic() - began
        # Only from then on the watchdog watches.
        self.guest.must(f"until systemctl is-active -q {UNIT}; do sleep 1; done")
        new = self.guest.must(_PID + "echo $PID").strip()
        told = [e for e in self.world.events() if e["type"] == "holdwatch.hold.resumed"]
        gaps = [round(event["data"]["gap_s"]) for event in told]
        shown = self.shown("NRestarts", "Result", "ActiveState")
        said = f"both holds resumed {went_s:.0f} s later, with gaps of {gaps[-2:]} s; {shown}"
        self.say(what, said, well=old != new)

    def _count(self, kind: str) -> int:
        return sum(event["type"] == f"holdwatch.{kind}" for event in self.world.events())

    def stopped(self) -> None:
        """Stop it and look at how it ended."""
        began = time.monotonic()
        self.guest.must(f"sudo systemctl stop {UNIT}")
        shown = self.shown("ActiveState", "Result", "ExecMainCode", "ExecMainStatus")
        well = shown["Result"] == "success" and shown["ExecMainStatus"] == "0"
        self.say(f"stopped within {time.monotonic() - began:.1f} s", shown, well=well)

    def manual(self, heading: str) -> None:
        """Do what the manual says under a heading."""
        for block in steps(heading):
            began = time.monotonic()
            done = self.guest.run(f"set -ex\n{block}", within_s=3600.0)
            print(textwrap.indent(done.output, "    "))
            took_s = time.monotonic() - began
            self.say(f"manual, {heading}", f"{took_s:.0f} s", well=done.status == 0)


def trial(folder: Path, *, upgrade: bool) -> Findings:
    """Install, run, mistreat; return what was found."""
    broker = Broker(Path(tempfile.mkdtemp(prefix="holdwatch-broker-")))
    broker.start()
    world = World(broker.port, "archive")
    disk = folder / "installed.img"
    shutil.move(make_disk(folder), disk)
    known = {"port": broker.port}
    (folder / "installed.json").write_text(json.dumps(known), encoding="utf-8")
    found = Findings()
    world.fill(1, _TIGHT)
    guest = Guest(folder, f"file={disk}", EMULATED)
    world.plug_in(guest)
    try:
        print(f"up after {guest.wait_for_desk():.0f} s", flush=True)
        install(guest, broker.port)
        guest.must("sync")
        use(Trial(guest, world, found), upgrade=upgrade)
        # The next campaign begins with an empty store.
        guest.must(f"sudo systemctl stop {UNIT}; sudo find /var/lib/holdwatch -mindepth 1 -delete")
        guest.shut_down()
    finally:
        guest.kill()
        world.close()
        broker.stop()
    return found


def use(trial: Trial, *, upgrade: bool) -> None:
    """Everything between installing and switching off."""
    trial.started()
    trial.rights()
    trial.places()
    trial.world.begin_holds()
    trial.manual("Backup")
    trial.again_after("killed in mid-hold", f"sudo systemctl kill -s KILL {UNIT}")
    trial.again_after("frozen in mid-hold", f"sudo systemctl kill -s STOP {UNIT}")
    trial.again_after("restarted in mid-hold", f"sudo systemctl restart {UNIT}")
    trial.journal()
    trial.world.wait_for("verdict", 2, within_s=3600.0)
    for event in trial.world.events():
        if event["type"] == "holdwatch.verdict":
            said = f"{event['data']['outcome']} {event['data'].get('causes') or ''}"
            trial.say(f"verdict of {event['subject']}", said)
    trial.stopped()
    trial.guest.must(f"sudo systemctl start {UNIT}")
    trial.manual("Restore")
    trial.say("restored", trial.shown("ActiveState", "StatusText"))
    if upgrade:
        trial.manual("Upgrade")
        trial.say("upgraded", trial.shown("ActiveState", "StatusText"))
    trial.journal()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--no-upgrade", action="store_true", help="leave the upgrade out")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    found = trial(options.folder, upgrade=not options.no_upgrade)
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
