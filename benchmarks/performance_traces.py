"""Recorded holds of a wanted length and rate, for measuring how long judging them takes."""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from pathlib import Path

CHANNELS: Final = {
    "low_side": ("kPag", 1),
    "pipe_temperature": ("degC", 2),
    "barometer": ("kPaa", 3),
    "pipe_temperature.2": ("degC", 2),
    "ambient_temperature": ("degC", 2),
}
"""Unit and printed decimals of each channel."""


@dataclass(frozen=True, slots=True)
class RecordedHold:
    """What to write: how long, which channels, how often each."""

    name: str
    hours: float
    channels: tuple[str, ...]
    per_second: int


DECAY_10_H: Final = RecordedHold("ten-hours", 10.0, tuple(CHANNELS)[:3], 1)
MILLION: Final = RecordedHold("million", 14.0, tuple(CHANNELS), 4)


def write_hold(hold: RecordedHold, trace: Path, recipe: Path) -> int:
    """Write a tight unit under nitrogen in a shop that warms and cools; return the readings."""
    rng = random.Random(1)  # noqa: S311 - noise of instruments, not a secret
    recipe.write_text(_recipe(hold), encoding="utf-8")
    steps = round(hold.hours * 3600 * hold.per_second)
    with trace.open("w", encoding="utf-8", newline="\n") as out:
        out.write("time,channel,value,unit\n0,mark,valve_closed,\n")
        for step in range(steps):
            t_s = step / hold.per_second
            gas_k = 293.15 + 1.5 * math.sin(t_s / 7000.0)
            room_kpa = 98.0 + 0.1 * math.sin(t_s / 11000.0)
            true = {
                "low_side": 1100.0 * gas_k / 293.15 - room_kpa + rng.gauss(0.0, 0.15),
                "pipe_temperature": gas_k - 273.15 + rng.gauss(0.0, 0.02),
                "pipe_temperature.2": gas_k - 273.1 + rng.gauss(0.0, 0.02),
                "ambient_temperature": gas_k - 272.9 + rng.gauss(0.0, 0.02),
                "barometer": room_kpa + rng.gauss(0.0, 0.003),
            }
            for channel in hold.channels:
                unit, decimals = CHANNELS[channel]
                out.write(f"{t_s:g},{channel},{true[channel]:.{decimals}f},{unit}\n")
    return steps * len(hold.channels)


def _recipe(hold: RecordedHold) -> str:
    minutes = math.ceil(hold.hours * 60.0) + 1
    return f"""
procedure = "pressure-decay"
gas = "nitrogen"
refrigerant = "R134a"
volume_l = 2.5
wall_material = "mixed"
reference_temperature_c = 25.0

[criterion]
leak_g_per_year = 5.0

[limits]
max_duration_min = {minutes}
max_pressure_kpa_g = 1300

[channels.low_side]
role = "low_side"
unit = "kPag"
reference = "vented"
range = [0, 3500]
resolution = 0.1
noise = 0.15
"""
