"""What a standing vacuum of a given length will be able to see: the engine on expected data."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import BLOCK_S, Block
from holdwatch_procedures.holds.vacuum.engine import VacuumEngine

if TYPE_CHECKING:
    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

COMMON_NOISE_PA = 0.5
"""Noise of one reading taken where the recipe declares none, Pa (common practice, no source)."""
START_PA = 50.0
DRY_PA, DRY_S = 20.0, 300.0
MOIST_PA, MOIST_S = 800.0, 300.0
WALL_K = 293.15


def forecast_path(
    setup: VacuumSetup, minutes: float, *, moist: bool, readings_per_block: int = 10
) -> list[tuple[float, float]]:
    """Return (minutes, smallest slope in sight, Pa/s) as a hold goes on, once a minute.

    The slope is the limit that a tight system could pass by then: the deciding upper bound that
    the engine itself gives for a tight system without noise, under the declared noise. Dry means
    20 Pa of outgassing, moist 800 Pa of water, both with five minutes, at a steady temperature.
    After an hour the path has a point every ten minutes.

    Args:
        setup: As for the engine; its limit plays no part.
        minutes: Length of the hold from isolation.
        moist: Whether the system is moist.
        readings_per_block: Pressure readings in ten seconds.
    """
    if setup.noise_floor_pa is None and setup.noise_share == 0.0:
        setup = replace(setup, noise_floor_pa=COMMON_NOISE_PA)
    engine = VacuumEngine(setup)
    path: list[tuple[float, float]] = []
    last = int(minutes * 60.0 / BLOCK_S) - 1
    for index in range(last + 1):
        block = _expected(setup, index, moist=moist, readings=readings_per_block)
        enough = engine.take(block)
        ended = (index + 1) * BLOCK_S / 60.0
        due = index == last or (ended % 1.0 < 1e-9 and (ended <= 60.0 or ended % 10.0 < 1e-9))
        if enough and due:
            estimate = engine.look(block.t_s, expected=True)
            if estimate.ready:
                path.append((ended, estimate.smallest_visible))
    return path


def forecast(
    setup: VacuumSetup, minutes: float, *, moist: bool, readings_per_block: int = 10
) -> float:
    """Return the smallest slope that a hold of so many minutes can tell from none, Pa/s.

    The last point of :func:`forecast_path`; infinity for a hold too short to decide anything.
    """
    path = forecast_path(setup, minutes, moist=moist, readings_per_block=readings_per_block)
    return path[-1][1] if path else math.inf


def _expected(setup: VacuumSetup, index: int, *, moist: bool, readings: int) -> Block:
    amount, tau = (MOIST_PA, MOIST_S) if moist else (DRY_PA, DRY_S)
    t_s = (index + 0.5) * BLOCK_S
    wall = setup.coldest_wall_k or WALL_K
    return Block(
        index=index,
        t_s=t_s,
        pressure_pa=START_PA - amount * math.expm1(-t_s / tau),
        pressure_sd_pa=0.0,
        pressure_n=readings,
        pipe_k=wall,
        coldest_k=wall,
        ambient_k=None,
        barometer_pa=101325.0,
    )
