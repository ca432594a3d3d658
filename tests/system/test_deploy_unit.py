"""The systemd unit: well formed, tight, and its rules let the service do its work."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest
import sandbox_rig
from system_parts import require, require_library

from holdwatch_daemon.health.systemd import _SHARE

ROOT = Path(__file__).parents[2]
UNIT = ROOT / "deploy" / "holdwatch.service"
LANDING = ROOT / "deploy" / "holdwatch-fleet@.service"
MOST_EXPOSED = 1.5
"""Of 10, by `systemd-analyze security`; services of a distribution are often above 9."""


@pytest.mark.parametrize("unit", [UNIT, LANDING], ids=["service", "fleet"])
def test_the_unit_is_well_formed(unit: Path, tmp_path: Path) -> None:
    program = require("systemd-analyze", "systemd")
    copy = tmp_path / unit.name.replace("@", "@a")
    # The program need not be installed here.
    copy.write_text(unit.read_text().replace("/opt/holdwatch/bin/holdwatch", "/bin/true"))
    done = subprocess.run([program, "verify", copy], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("unit", [UNIT, LANDING], ids=["service", "fleet"])
def test_the_unit_exposes_little(unit: Path) -> None:
    program = require("systemd-analyze", "systemd")
    command = [program, "security", "--offline=true", "--no-pager", str(unit)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found = re.search(r"Overall exposure level for \S+: ([\d.]+)", done.stdout)
    assert found is not None, done.stdout
    assert float(found[1]) <= MOST_EXPOSED


def help_of(*command: str) -> str:
    return subprocess.run(
        [sys.executable, "-m", "holdwatch_cli", *command, "--help"],
        capture_output=True,
        text=True,
        check=True,
        env={"COLUMNS": "200", "NO_COLOR": "1"},
    ).stdout


def test_what_the_units_say_is_what_the_program_understands() -> None:
    landing = shlex.split(sandbox_rig.settings(LANDING)["ExecStart"][0])
    help_text = help_of("fleet", "land")
    assert all(option in help_text for option in landing if option.startswith("--"))
    keys = sandbox_rig.settings(UNIT)
    words = shlex.split(keys["ExecStart"][0])
    help_text = help_of("serve")
    assert all(option in help_text for option in words if option.startswith("--"))
    # The folder of its data is the one that systemd makes, and alone may be written.
    assert words[words.index("--data") + 1] == f"/var/lib/{keys['StateDirectory'][0]}"
    assert words[words.index("--config") + 1].startswith("/etc/holdwatch/")
    assert keys["ProtectSystem"] == ["strict"]
    # systemd takes such folders out of the read-only system (seen on a real one).
    assert "ConfigurationDirectory" not in keys
    # sd_watchdog_enabled(3): a sign at least every half of the time.
    assert keys["Type"] == ["notify"]
    assert _SHARE <= 0.5
    assert keys["Restart"] == ["always"]


_TRIES = """
import errno, json, os, socket
def refusal(work):
    try:
        work()
    except OSError as error:
        return errno.errorcode[error.errno]
    return None
print(json.dumps({
    "raw packets": refusal(lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW)),
    "another root": refusal(lambda: os.chroot("/")),
    "more processor": refusal(lambda: os.nice(0)),
    "tcp": refusal(socket.socket),
    "d-bus": refusal(lambda: socket.socket(socket.AF_UNIX)),
    "names": refusal(lambda: socket.getaddrinfo("localhost", 80)),
}))
"""


def test_the_units_rules_refuse_what_a_watcher_has_no_business_with() -> None:
    require("systemd-analyze", "systemd")
    require_library("seccomp", "libseccomp2")
    command = [sys.executable, sandbox_rig.__file__, str(UNIT), sys.executable, "-c", _TRIES]
    tried = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    assert tried == {
        "raw packets": "EPERM",
        "another root": "EPERM",
        "more processor": "EPERM",
        "tcp": None,
        "d-bus": None,
        "names": None,
    }
