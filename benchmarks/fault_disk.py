"""A disk that is slow for one process: a library that is compiled here and loaded before all else.

The library (``slow_disk.c``) makes every sync, write and read of one folder's files wait. It stands
between the process and the system's calls, so that SQLite, Python and whatever else the process
uses meet the same slow disk; what is written is written. Linux only.
"""

from __future__ import annotations

import mmap
import os
import shutil
import struct
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

COMPILER: Final = "gcc"
_SOURCE: Final = Path(__file__).with_name("slow_disk.c")
_DELAYS: Final = struct.Struct("<3dd")
_COUNTS: Final = struct.Struct("<3Q3QQQ")
_PATH_BYTES: Final = 256


@dataclass(frozen=True, slots=True)
class Pace:
    """How long each call takes, s."""

    sync_s: float = 0.0
    write_s: float = 0.0
    read_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Calls:
    """What a process asked of the disk so far.

    Attributes:
        in_main: Syncs, writes and reads made by its main thread, which runs the event loop.
        elsewhere: The same of its other threads.
        main_s: How long the main thread waited in all, s.
        elsewhere_s: How long the others did, s.
        main_path: The file of the main thread's newest call.
    """

    in_main: tuple[int, int, int]
    elsewhere: tuple[int, int, int]
    main_s: float
    elsewhere_s: float
    main_path: str


class SlowDisk:
    """The disk under a folder, as slow as it is told to be.

    Args:
        folder: Whose files are slow; those of its folders too.
        scratch: For the library and what steers it; outside of ``folder``.

    Raises:
        RuntimeError: There is no compiler.
    """

    def __init__(self, folder: Path, scratch: Path) -> None:
        compiler = shutil.which(COMPILER)
        if compiler is None:
            raise RuntimeError(f"{COMPILER} is not installed; apt-get install gcc libc6-dev")
        self._folder = folder.resolve()
        self._library = scratch / "slow_disk.so"
        self._file = scratch / "slow_disk.control"
        flags = ["-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC"]
        subprocess.run([compiler, *flags, "-o", self._library, _SOURCE, "-ldl"], check=True)
        self._file.write_bytes(bytes(_DELAYS.size + _COUNTS.size + _PATH_BYTES))
        with self._file.open("r+b") as opened:
            self._map = mmap.mmap(opened.fileno(), 0)

    def environment(self) -> dict[str, str]:
        """Return the environment of a process for which the disk is slow."""
        return {
            **os.environ,
            "LD_PRELOAD": str(self._library),
            "SLOW_DISK_FOLDER": f"{self._folder}/",
            "SLOW_DISK_CONTROL": str(self._file),
        }

    def go(self, pace: Pace) -> None:
        """Let each call take so long from now on; a stall ends."""
        _DELAYS.pack_into(self._map, 0, pace.sync_s, pace.write_s, pace.read_s, 0.0)

    def stall(self, seconds: float) -> None:
        """Let every call stand that is under way or made within so long."""
        struct.pack_into("<d", self._map, _DELAYS.size - 8, time.monotonic() + seconds)

    def calls(self) -> Calls:
        """Return what the process asked of the disk so far."""
        *counts, main_ns, elsewhere_ns = _COUNTS.unpack_from(self._map, _DELAYS.size)
        path = bytes(self._map[_DELAYS.size + _COUNTS.size :]).partition(b"\0")[0]
        in_main, elsewhere = tuple(counts[:3]), tuple(counts[3:])
        return Calls(in_main, elsewhere, main_ns / 1e9, elsewhere_ns / 1e9, os.fsdecode(path))
