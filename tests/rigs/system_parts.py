"""Programs that a test needs beside Python: present, skipped with advice, or failed in CI."""

from __future__ import annotations

import os
import shutil
from ctypes.util import find_library
from typing import NoReturn

import pytest


def require_library(name: str, package: str) -> None:
    """Skip the test where a shared library is missing, or fail it in CI; as :func:`require`.

    Args:
        name: The library as the linker knows it, for example ``pango-1.0``.
        package: The system package that holds it.
    """
    if find_library(name) is None:
        _missing(f"lib{name}", package)


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
    if found is None:
        _missing(program, package)
    return found


def _missing(what: str, package: str) -> NoReturn:
    advice = f"this test needs {what}: apt-get install {package}"
    if os.environ.get("CI", "").lower() == "true":
        pytest.fail(advice, pytrace=False)
    pytest.skip(advice)
