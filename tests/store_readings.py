"""Readings by chance, for the store; light to import, since processes that are killed do."""

from __future__ import annotations

import random

from holdwatch_daemon.store.rows import FlaggedReading
from holdwatch_physics.reading import Quality, Quantity, Reading

START_NS = 1_790_000_003 * 10**9
QUALITIES = (Quality.GOOD,) * 20 + (Quality.SUSPECT, Quality.SATURATED, Quality.STALE)


def readings(
    seconds: range, *, seed: int = 1, channels: int = 2, utc_zero_ns: int = START_NS
) -> list[FlaggedReading]:
    chance = random.Random(seed)
    return [
        FlaggedReading(
            Reading(
                f"gauge-{channel}/pressure",
                Quantity.PRESSURE_ABSOLUTE,
                utc_zero_ns + second * 10**9 + channel,
                second * 10**9 + channel,
                1e5 + chance.gauss(0.0, 50.0),
                chance.choice(QUALITIES),
            ),
            chance.choice([None] * 30 + ["late", "future"]),
        )
        for second in seconds
        for channel in range(channels)
    ]
