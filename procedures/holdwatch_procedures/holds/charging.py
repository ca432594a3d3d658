"""Finds, in a trace that nobody marked, where charging with test gas ended."""

from __future__ import annotations

from collections import deque

RISE_PA = 20_000.0
"""A rise by this much within `WINDOW_S` is charging: 3 to 4 K a minute would do the same to a
closed system at 15 bar, and a closed system that was just charged cools."""

RISE_SHARE = 0.01
"""The same as a share of the pressure, where that is more."""

WINDOW_S = 60.0
CALM_S = 900.0
"""After this long without a rise the hold has begun; a later rise is a step, not charging."""


class ChargingWatch:
    """Follows the pressure and moves the start of a hold behind each charge.

    Charging comes in steps: the valve is opened, the pressure rises, one waits, and opens it
    again. The hold starts at the last reading of the last rise, so that the ten minutes of
    settling begin when the gas came to rest. A trace that begins at pressure and does not rise
    starts at its first reading. Readings need not be evenly spaced.

    Attributes:
        start_s: Where the hold starts by what was seen so far, s; None before any reading.
        over: Whether charging has been over for long enough to hold on to ``start_s``.
    """

    def __init__(self) -> None:
        self.start_s: float | None = None
        self.over = False
        self._recent: deque[tuple[float, float]] = deque()

    def push(self, t_s: float, pressure_pa: float) -> bool:
        """Take a reading (any steady zero of pressure); return whether the start moved."""
        if self.over:
            return False
        if self.start_s is None:
            self.start_s = t_s
            self._recent.append((t_s, pressure_pa))
            return True
        while self._recent and self._recent[0][0] < t_s - WINDOW_S:
            self._recent.popleft()
        lowest = min((p for _, p in self._recent), default=pressure_pa)
        highest = max((p for _, p in self._recent), default=pressure_pa)
        self._recent.append((t_s, pressure_pa))
        rise = max(RISE_PA, RISE_SHARE * abs(pressure_pa))
        if pressure_pa - lowest >= rise and pressure_pa > highest:
            self.start_s = t_s
            return True
        self.over = t_s - self.start_s >= CALM_S
        return False


def charging_end(times_s: list[float], pressures_pa: list[float]) -> float | None:
    """Return the time at which a hold starts in a trace without a mark, s.

    Args:
        times_s: Times of the readings, rising, s.
        pressures_pa: Their pressures, Pa.

    Returns:
        The last reading of the last rise of charging, the first reading where there is no
        charging, None where there are no readings.
    """
    watch = ChargingWatch()
    for t_s, pressure_pa in zip(times_s, pressures_pa, strict=True):
        watch.push(t_s, pressure_pa)
    return watch.start_s
