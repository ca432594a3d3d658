"""The screens' scripts by themselves, in Node: figures, scales and asking the service."""

from __future__ import annotations

import subprocess
from pathlib import Path

from system_parts import require

ROOT = Path(__file__).parents[2]


def test_the_screens_scripts_pass_their_own_tests() -> None:
    node = require("node", "nodejs")
    version = subprocess.run([node, "--version"], capture_output=True, text=True, check=True)
    # Until release 22 a script outside of a package is taken for an old one unless told.
    old = int(version.stdout.lstrip("v").split(".")[0]) < 22
    files = sorted(str(path) for path in (ROOT / "frontend/tests").glob("*.test.js"))
    assert files
    ran = subprocess.run(
        [node, *(["--experimental-default-type=module"] if old else []), "--test", *files],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == 0, ran.stdout[-5000:] + ran.stderr[-2000:]
