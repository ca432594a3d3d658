"""What no probe can have measured, or no clock can have said: kept out of every judgement."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_physics.reading import Quantity

if TYPE_CHECKING:
    from holdwatch_physics.reading import Reading

AHEAD_NS = 2_000_000_000
"""A reading may be stamped this far ahead of the clock, ns; beyond it the stamp is wrong."""
_LATEST_NS = 2**62

# Wide bounds: only what cannot be. An absolute gauge near its zero may read a little below it.
_POSSIBLE: dict[Quantity, tuple[float, float]] = {
    Quantity.TEMPERATURE: (1.0, 1_000.0),
    Quantity.PRESSURE_ABSOLUTE: (-5_000.0, 5.0e7),
    Quantity.PRESSURE_GAUGE: (-1.2e5, 5.0e7),
}


@dataclass(frozen=True, slots=True)
class Doubt:
    """Why a reading is not judged; ``stored`` says whether it is worth keeping."""

    text: str
    stored: bool


def doubt(reading: Reading, now_mono_ns: int) -> Doubt | None:
    """Return why a reading cannot be believed, or None.

    Args:
        reading: As the adapter gave it.
        now_mono_ns: Monotonic time of the clock that stamps readings, ns.
    """
    low, high = _POSSIBLE[reading.quantity]
    if not (math.isfinite(reading.value) and low <= reading.value <= high):
        unit = "K" if reading.quantity is Quantity.TEMPERATURE else "Pa"
        return Doubt(
            f"{reading.channel}: {reading.value:g} {unit} is outside {low:g} to {high:g} {unit}; "
            "check the probe",
            stored=False,
        )
    if not (0 < reading.utc_ns < _LATEST_NS and -_LATEST_NS < reading.mono_ns < _LATEST_NS):
        return Doubt(f"{reading.channel}: its time cannot be; check the clocks", stored=False)
    ahead_ns = reading.mono_ns - now_mono_ns
    if ahead_ns > AHEAD_NS:
        return Doubt(
            f"{reading.channel}: stamped {ahead_ns / 1e9:.1f} s ahead of the clock; "
            "it is stored but not judged",
            stored=True,
        )
    return None
