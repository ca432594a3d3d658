"""Short hand-made holds for tests: figures a reader can check in their head."""

from __future__ import annotations

import math
import random
from typing import TYPE_CHECKING, Any, NamedTuple

from holdwatch_physics.reading import Quality, Quantity
from holdwatch_procedures.holds.judge import judge
from holdwatch_procedures.holds.recipe import Recipe, load_recipe

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.verdict import Verdict

ROOM_PA = 101_325.0


class Row(NamedTuple):
    """One line of a trace, as a hold and ``judge`` take it."""

    t_ns: int
    channel: str
    quantity: Quantity | None
    value: float
    quality: Quality = Quality.GOOD
    word: str = ""


def judged(rows: Iterable[Row], recipe: Recipe, fluids: Fluids) -> Verdict:
    """The verdict on a trace of such rows."""
    return judge(rows, recipe, fluids, version="test")


def reading(
    t_s: float,
    channel: str,
    value: float,
    quality: Quality = Quality.GOOD,
    *,
    absolute: bool = False,
) -> Row:
    """A reading whose quantity follows from its channel; low and high side in gauge pressure."""
    if "temperature" in channel:
        quantity = Quantity.TEMPERATURE
    elif absolute or channel in {"vacuum", "barometer"}:
        quantity = Quantity.PRESSURE_ABSOLUTE
    else:
        quantity = Quantity.PRESSURE_GAUGE
    return Row(round(t_s * 1e9), channel, quantity, value, quality)


def mark(t_s: float, word: str) -> Row:
    """A mark."""
    return Row(round(t_s * 1e9), "mark", None, math.nan, word=word)


def decay_recipe(limit: float = 5000.0, **changes: Any) -> Recipe:
    """A pressure decay of 2.5 L at up to 15 bar, 98 % confidence."""
    table: dict[str, Any] = {
        "procedure": "pressure-decay",
        "volume_l": 2.5,
        "refrigerant": "R134a",
        "barometer_kpa": ROOM_PA / 1e3,
        "criterion": {"leak_g_per_year": limit, "source": "test"},
        "limits": {"max_pressure_kpa_g": 1500.0},
    }
    return load_recipe(table | changes)


def vacuum_recipe(limit: float = 5000.0, **changes: Any) -> Recipe:
    """A standing vacuum of 2.5 L, isolated at or below 500 micron."""
    table: dict[str, Any] = {
        "procedure": "standing-vacuum",
        "volume_l": 2.5,
        "refrigerant": "R134a",
        "barometer_kpa": ROOM_PA / 1e3,
        "criterion": {"leak_g_per_year": limit, "source": "test"},
    }
    return load_recipe(table | changes)


def decay_rows(
    minutes: float,
    *,
    slope: float = 0.0,
    start_pa: float = 1.0e6,
    seed: int = 1,
    noise_pa: float = 100.0,
    swing_k: float = 0.2,
) -> Iterator[Row]:
    """Nitrogen that follows its clamp by the ideal law: once a second, losing ``slope`` Pa/s.

    The judge's real-gas exponent differs from the ideal one by 1 %, so that a swing of 0.2 K
    leaves a few pascals: far below what these holds are asked to see.
    """
    chance = random.Random(seed)
    start_k = 295.15
    yield mark(0.0, "valve_closed")
    for second in range(round(minutes * 60)):
        kelvin = start_k + swing_k * math.sin(2 * math.pi * second / 5400)
        absolute = (start_pa + ROOM_PA) * kelvin / start_k - slope * second
        yield reading(second, "low_side", absolute - ROOM_PA + chance.gauss(0.0, noise_pa))
        yield reading(second, "pipe_temperature", kelvin + chance.gauss(0.0, 0.01))


def vacuum_rows(
    minutes: float, *, slope: float = 0.0, start_pa: float = 40.0, seed: int = 1
) -> Iterator[Row]:
    """A dry vacuum that rises by ``slope`` Pa/s from isolation on, gauge noise 0.2 Pa."""
    chance = random.Random(seed)
    yield mark(0.0, "isolated")
    for second in range(round(minutes * 60)):
        yield reading(second, "vacuum", start_pa + slope * second + chance.gauss(0.0, 0.2))
        yield reading(second, "pipe_temperature", 294.15 + chance.gauss(0.0, 0.01))


def shuffled_within(rows: Iterable[Row], seconds: float, seed: int) -> list[Row]:
    """The rows in another order of arrival: each overtaken by at most ``seconds``."""
    chance = random.Random(seed)
    keyed = [(row.t_ns / 1e9 + chance.uniform(0.0, seconds), row) for row in rows]
    return [row for _, row in sorted(keyed, key=lambda pair: pair[0])]
