"""Clocks: the machine's own, and a faster one for simulated time."""

from __future__ import annotations

import asyncio
import sys
import time
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from holdwatch_adapters.ports import Clock

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = [
    "ClockSteps",
    "Naps",
    "ScaledClock",
    "ServiceClock",
    "SystemClock",
    "machine_boot_id",
    "machine_mono_ns",
    "step_text",
]

_LINUX_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")
_STEP_NS = 2_000_000_000
"""A wall clock that moves by less against the monotonic one between two looks was not set, ns."""
_SLOW_LOOK_NS = 200_000_000
_NAP_NS = 5_000_000_000
"""Looks further apart than this were a pause in which nothing was heard, ns."""


class ServiceClock(Clock, Protocol):
    """What the process asks of its clock beyond what adapters do."""

    @property
    def boot_id(self) -> str:
        """The id under which monotonic times compare."""
        ...

    @property
    def simulated(self) -> bool:
        """Whether its time is simulated."""
        ...

    @property
    def speed(self) -> float:
        """Seconds of its time in a real second."""
        ...


def machine_boot_id() -> str:
    """Return what tells one run of the machine from the next.

    The monotonic clock starts anew with every boot, so monotonic times compare only under one
    boot id. Where the system gives none, a fresh one stands for this process alone.
    """
    try:
        return _LINUX_BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return f"process-{uuid.uuid4()}"


def machine_mono_ns() -> int:
    """Return the machine's monotonic time, ns; on Linux it goes on while it is suspended."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return time.monotonic_ns()


class SystemClock:
    """The machine's clocks, as they run.

    The monotonic time survives a restart of the process, and begins anew with the machine. On
    Linux it goes on while the machine is suspended (``CLOCK_BOOTTIME``), so that a night asleep
    is a gap in a hold; elsewhere it is that of ``time.monotonic_ns``.
    """

    simulated = False
    speed = 1.0

    def __init__(self) -> None:
        self.boot_id = machine_boot_id()

    def utc_ns(self) -> int:
        """Wall-clock time, nanoseconds since 1970 UTC."""
        return time.time_ns()

    def mono_ns(self) -> int:
        """Monotonic time, nanoseconds since the machine's start."""
        return machine_mono_ns()

    async def sleep(self, seconds: float) -> None:
        """Wait this many seconds."""
        await asyncio.sleep(seconds)


class ClockSteps:
    """Sees a wall clock that was set: by a person, by the network, or as the machine woke.

    Durations rest on the monotonic clock and are not touched; but the UTC of what is stored
    before and after does not agree, and whoever reads it has to know.
    """

    def __init__(self) -> None:
        self._offset_ns: int | None = None

    def look(self, clock: ServiceClock) -> float | None:
        """Return by how many seconds the wall clock was set since the last look, else None."""
        before_ns = clock.mono_ns()
        utc_ns = clock.utc_ns()
        if (clock.mono_ns() - before_ns) / clock.speed > _SLOW_LOOK_NS:
            return None  # stopped between the two: they do not belong together
        last_ns, self._offset_ns = self._offset_ns, utc_ns - before_ns
        if last_ns is None:
            return None
        step_ns = self._offset_ns - last_ns
        return step_ns / 1e9 if abs(step_ns) >= _STEP_NS * clock.speed else None


class Naps:
    """Knows since when this process has been listening without a longer pause.

    A machine that was suspended, or a process that was stopped or has just been started, heard
    nothing meanwhile, whatever the probes said.

    Args:
        machine_ns: The machine's own clock, which goes on while it is suspended.
    """

    def __init__(self, machine_ns: Callable[[], int] | None = None) -> None:
        self._machine_ns = machine_ns or machine_mono_ns
        self._looked_ns: int | None = None
        self._awake_ns = 0

    def awake_since(self, mono_ns: int) -> int:
        """Look, at a time of the service's clock; return since when there has been no pause, ns."""
        now_ns = self._machine_ns()
        if self._looked_ns is None or now_ns - self._looked_ns > _NAP_NS:
            self._awake_ns = mono_ns
        self._looked_ns = now_ns
        return self._awake_ns


def step_text(step_s: float) -> str:
    """Return what a set clock means, in a sentence."""
    way = "forward" if step_s > 0 else "back"
    return (
        f"The computer's clock was set {way} by {abs(step_s):,.0f} s. Holds are timed by another "
        "clock and go on undisturbed; times of day before and after do not agree."
    )


class ScaledClock:
    """Simulated time that runs ``speed`` times as fast as the machine's.

    Both of its times count from the moment it was made: UTC from ``start_utc_ns``, monotonic
    from zero. Its boot id is its own, since no other clock shares its monotonic origin.

    Args:
        speed: Simulated seconds a real second, above 0.
        start_utc_ns: Simulated wall-clock time at the start, nanoseconds since 1970 UTC; the
            real time where it is not given.

    Raises:
        ValueError: The speed is not above 0.
    """

    simulated = True

    def __init__(self, speed: float, start_utc_ns: int | None = None) -> None:
        if not speed > 0.0:
            message = f"the speed of a simulated clock must be above 0, not {speed}"
            raise ValueError(message)
        self.speed = speed
        self.boot_id = f"simulated-{uuid.uuid4()}"
        self._origin_ns = time.monotonic_ns()
        self._start_utc_ns = time.time_ns() if start_utc_ns is None else start_utc_ns

    def utc_ns(self) -> int:
        """Simulated wall-clock time, nanoseconds since 1970 UTC."""
        return self._start_utc_ns + self.mono_ns()

    def mono_ns(self) -> int:
        """Simulated time since this clock was made, nanoseconds."""
        return int((time.monotonic_ns() - self._origin_ns) * self.speed)

    async def sleep(self, seconds: float) -> None:
        """Wait this many simulated seconds."""
        await asyncio.sleep(seconds / self.speed)
