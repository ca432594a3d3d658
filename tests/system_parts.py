"""Programs that a test needs beside Python: present, skipped with advice, or failed in CI."""

from __future__ import annotations

import os
import shutil

import pytest


def require(program: str, package: str) -> str:
    """Return the path of a program, or skip the test and say how to get it.

    With ``CI=true`` in the environment a missing program is a failure, so that nothing is
    silently left untested there.

    Args:
        program: The program's name, for example ``dbus-daemon``.
        package: The system package that holds it.
    """
    # Debian keeps servers where an ordinary user's search path does not look.
    path = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"])
    found = shutil.which(program, path=path)
    if found is not None:
        return found
    advice = f"this test needs {program}: apt-get install {package}"
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(advice, pytrace=False)
    pytest.skip(advice)
