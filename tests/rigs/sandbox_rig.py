"""Runs a program under the system call rules of a systemd unit, without systemd.

``python sandbox_rig.py UNIT PROGRAM ARGUMENT …``: reads ``SystemCallFilter``,
``RestrictAddressFamilies`` and ``MemoryDenyWriteExecute`` from the unit, asks ``systemd-analyze``
what the groups hold, lays the rules on itself with libseccomp and prctl(2), and becomes the
program.
"""

from __future__ import annotations

import ctypes
import errno
import os
import socket
import subprocess
import sys
from ctypes.util import find_library
from pathlib import Path

_ALLOW = 0x7FFF0000  # SCMP_ACT_ALLOW, seccomp.h
_ERRNO = 0x00050000  # SCMP_ACT_ERRNO
_EQUAL = 4  # SCMP_CMP_EQ
_NO_NEW_PRIVILEGES = 38  # PR_SET_NO_NEW_PRIVS, linux/prctl.h
_DENY_WRITE_EXECUTE = 65  # PR_SET_MDWE, Linux 6.3


class _Compare(ctypes.Structure):
    """``struct scmp_arg_cmp``."""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("datum_a", ctypes.c_uint64),
        ("datum_b", ctypes.c_uint64),
    )


def settings(unit: Path) -> dict[str, list[str]]:
    """Return every value of every key of the unit, in order."""
    found: dict[str, list[str]] = {}
    for line in unit.read_text(encoding="utf-8").splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def allowed_calls(lines: list[str]) -> set[str]:
    """Return the system calls that remain allowed, groups resolved."""
    allowed: set[str] = set()
    for line in lines:
        taken_away = line.startswith("~")
        for name in line.removeprefix("~").split():
            calls = _calls_in(name) if name.startswith("@") else {name}
            allowed = allowed - calls if taken_away else allowed | calls
    return allowed


def _calls_in(group: str) -> set[str]:
    command = ["systemd-analyze", "--no-pager", "syscall-filter", group]
    shown = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    names = {line.strip() for line in shown.splitlines()[1:] if line.strip()}
    names = {name for name in names if not name.startswith("#")}
    groups = {name for name in names if name.startswith("@")}
    return names.difference(groups).union(*(_calls_in(name) for name in groups))


def confine(unit: Path) -> None:
    """Lay the unit's rules on this process, for good."""
    keys = settings(unit)
    libc = ctypes.CDLL(None, use_errno=True)
    assert libc.prctl(_NO_NEW_PRIVILEGES, 1, 0, 0, 0) == 0
    allowed = allowed_calls(keys["SystemCallFilter"])
    families = {int(getattr(socket, name)) for name in keys["RestrictAddressFamilies"][0].split()}
    seccomp = ctypes.CDLL(find_library("seccomp"))
    seccomp.seccomp_init.restype = ctypes.c_void_p
    denied = _ERRNO | errno.EPERM
    rules = ctypes.c_void_p(seccomp.seccomp_init(ctypes.c_uint32(denied)))
    for name in sorted(allowed - {"socket"}):
        number = seccomp.seccomp_syscall_resolve_name(name.encode())
        if number >= 0:  # others do not exist on this machine
            assert seccomp.seccomp_rule_add(rules, _ALLOW, number, 0) == 0
    number = seccomp.seccomp_syscall_resolve_name(b"socket")
    for family in families:
        equal = _Compare(0, _EQUAL, family, 0)
        assert seccomp.seccomp_rule_add(rules, _ALLOW, number, 1, equal) == 0
    assert seccomp.seccomp_load(rules) == 0
    if keys.get("MemoryDenyWriteExecute") == ["yes"]:
        libc.prctl(_DENY_WRITE_EXECUTE, 1, 0, 0, 0)  # kernels before 6.3 do not know it


if __name__ == "__main__":
    confine(Path(sys.argv[1]))
    os.execv(sys.argv[2], sys.argv[2:])  # noqa: S606 - that is what it is for
