"""The container, built and run as docs/service.md says, on a computer without an image registry.

``python -m benchmarks run machine_container FOLDER``; it needs root, ``podman``, ``runc``,
``buildah``, ``debootstrap`` and ``mosquitto`` (all from apt), a Debian mirror and a package index.
The base image is made here, of Debian 12 and its own Python 3.11, and imported under the name that
the Containerfile asks for. Exit status 1 where something was not as the manual says.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shlex
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from fault_audit import Findings, check_numbers, compare_heard, look_as_found, report
from fault_broker import HOST, Broker
from machine_image import MIRROR, PROJECT, RELEASE
from machine_shop import World, shop_toml, steps

from holdwatch_daemon.store import answers

_BASE: Final = "docker.io/library/python:3.11-slim-bookworm"
_LIMITS: Final = ("--ulimit", "nofile=4096:4096", "--ulimit", "nproc=4096:4096")
"""A computer that may not raise its own limits cannot raise the container's."""
_READY_S: Final = 180.0


class Podman:
    """Podman and buildah on a store of their own in a folder.

    Args:
        folder: For the store.
    """

    def __init__(self, folder: Path) -> None:
        self._where = ["--root", str(folder / "store"), "--runroot", str(folder / "runroot")]
        self._where += ["--storage-driver", "vfs"]

    def __call__(self, *words: str | Path) -> subprocess.CompletedProcess[str]:
        """Run a podman command in the project's folder."""
        options = (*self._where, "--runtime", "runc", "--cgroup-manager", "cgroupfs")
        return self._run("podman", *options, "--events-backend", "file", *map(str, words))

    def must(self, *words: str | Path) -> str:
        """Run a podman command that may not fail; return what it printed."""
        return _well(self(*words))

    def buildah(self, *words: str | Path) -> str:
        """Run a buildah command that may not fail; return what it printed."""
        return _well(self._run("buildah", *self._where, *map(str, words)))

    @staticmethod
    def _run(*words: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(words, cwd=PROJECT, capture_output=True, text=True, check=False)


def _well(done: subprocess.CompletedProcess[str]) -> str:
    if done.returncode:
        raise SystemExit(f"{shlex.join(done.args)}\n{done.stdout[-2000:]}{done.stderr[-2000:]}")
    return done.stdout.strip()


def make_base(folder: Path, podman: Podman) -> None:
    """Make the base image, where it is not there yet."""
    if podman("image", "exists", _BASE).returncode == 0:
        return
    root = folder / "base"
    if not root.exists():
        packages = "--include=python3,python3-venv,ca-certificates"
        making = ["debootstrap", "--variant=minbase", packages, RELEASE, str(root), MIRROR]
        subprocess.run(making, check=True, stdout=subprocess.DEVNULL)
        (root / "usr/local/bin/python").symlink_to("/usr/bin/python3")
    container = podman.buildah("from", "scratch")
    podman.buildah("add", "-q", container, root, "/")
    podman.buildah("commit", "-q", "--rm", container, _BASE)


def build(folder: Path, podman: Podman, command: str) -> None:
    """Build the image by the manual's command, from wheels fetched before."""
    wheels, pip_conf = folder / "wheels", folder / "pip.conf"
    if not wheels.exists():
        fetch = [sys.executable, "-m", "pip", "wheel", "-q", "-c", "constraints.txt"]
        fetch += ["-w", str(wheels), ".[postgres]", "hatchling>=1.27"]
        subprocess.run(fetch, cwd=PROJECT, check=True)
        for own in wheels.glob("holdwatch-*.whl"):
            own.unlink()
    pip_conf.write_text("[global]\nno-index = true\nfind-links = /opt/wheels\n", encoding="utf-8")
    # Each layer would be a whole copy in a store without overlays.
    ours = ["--layers=false", "--isolation", "chroot", "--pull=never"]
    ours += ["-v", f"{wheels}:/opt/wheels:ro", "-v", f"{pip_conf}:/etc/pip.conf:ro"]
    _, build_word, *rest = shlex.split(command)
    began = time.monotonic()
    podman.must(build_word, *ours, *rest)
    print(f"built in {time.monotonic() - began:.0f} s: {command}")


def run_command(command: str, folder: Path) -> list[str]:
    """The manual's ``podman run``, with this computer's limits and folders."""
    words = [word for word in shlex.split(command) if word != "\n"]
    etc = f"{folder / 'etc'}:/etc/holdwatch:ro"
    words = [etc if word == "./etc:/etc/holdwatch:ro" else word for word in words]
    return [words[1], *_LIMITS, *words[2:]]


def health(podman: Podman) -> bool:
    """Whether the image's own health check is content."""
    return podman("healthcheck", "run", "holdwatch").returncode == 0


def wait_until_well(podman: Podman) -> float:
    """Wait for the health check; return how long it took, s."""
    began = time.monotonic()
    while not health(podman):
        if time.monotonic() - began > _READY_S:
            raise SystemExit(f"it does not come up:\n{podman('logs', 'holdwatch').stderr[-2000:]}")
        time.sleep(1.0)
    return time.monotonic() - began


_TRIES: Final = r"""
import json, os, pathlib
def refused(path):
    try:
        pathlib.Path(path).write_text("x")
    except OSError as error:
        return error.strerror
status = pathlib.Path("/proc/self/status").read_text()
print(json.dumps({
    "user": os.getuid(),
    "capabilities": [line.split()[1] for line in status.splitlines() if line.startswith("CapEff")],
    "not written": {path: refused(path) for path in ("/opt/holdwatch/x", "/etc/holdwatch/x", "/x")},
    "written": refused("/var/lib/holdwatch/x"),
}))
"""


def use(podman: Podman, world: World, found: Findings) -> None:
    """Hold, kill the container in mid-hold, hold on, and stop."""
    print(f"well after {wait_until_well(podman):.0f} s")
    inside = ("exec", "holdwatch", "/opt/holdwatch/bin/python", "-c", _TRIES)
    said = json.loads(podman.must(*inside))
    print(said)
    rights = said["user"] == 10001 and said["capabilities"] == ["0000000000000000"]
    found.fault("rights", str(said), not rights or said["written"] is not None)
    found.fault("written", str(said), not all(said["not written"].values()))
    world.fill(1, {"nitrogen": 0.0, "vacuum": 2.5})
    world.begin_holds()
    time.sleep(30.0)
    # By its process, not by podman: what a person ends is not started again.
    ended = podman.must("inspect", "-f", "{{.State.Pid}}", "holdwatch")
    os.kill(int(ended), signal.SIGKILL)
    time.sleep(5.0)
    state = podman.must("inspect", "-f", "{{.State.Status}} {{.RestartCount}}", "holdwatch")
    print(f"killed in mid-hold, and now: {state} restart")
    found.fault("restart", state, not state.startswith("running"))
    print(f"well again after {wait_until_well(podman):.0f} s")
    found.seen["holds ended by hand"] += world.end_holds(1500.0)
    for event in world.events():
        if event["type"] == "holdwatch.verdict":
            print(f"{event['subject']}: {event['data']['outcome']}")
            found.seen[f"verdicts: {event['data']['outcome']}"] += 1
    podman.must("stop", "-t", "30", "holdwatch")
    status = podman.must("inspect", "-f", "{{.State.ExitCode}}", "holdwatch")
    print(f"stopped with {status}")
    found.fault("exit status", status, status != "0")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--built", action="store_true", help="run the image of the last time")
    options = parser.parse_args()
    folder: Path = options.folder / "containers"
    folder.mkdir(parents=True, exist_ok=True)
    podman, found = Podman(folder), Findings()
    build_line, run_lines = re.split(r"\n(?=podman run)", steps("In a container")[0])
    if not options.built:
        make_base(folder, podman)
        build(folder, podman, build_line)
    podman("rm", "-f", "holdwatch")
    podman("volume", "rm", "holdwatch-data")
    broker = Broker(Path(tempfile.mkdtemp(prefix="holdwatch-broker-")))
    broker.start()
    world = World(broker.port, "archive")
    try:
        (folder / "etc").mkdir(exist_ok=True)
        toml = shop_toml(HOST, broker.port, serial=False)
        (folder / "etc" / "shop.toml").write_text(toml, encoding="utf-8")
        podman.must(*run_command(run_lines, folder))
        use(podman, world, found)
        where = Path(podman.must("volume", "inspect", "-f", "{{.Mountpoint}}", "holdwatch-data"))
        look_as_found(where / "holdwatch.db", folder / "scratch", found)
        connection = answers.connect(where / "holdwatch.db")
        check_numbers(connection, found)
        compare_heard(connection, world.ear.heard, found)
        connection.close()
    finally:
        podman("rm", "-f", "holdwatch")
        world.close()
        broker.stop()
    report(found)
    return 1 if found.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
