"""A pump that gains no more above its target, and what fits: leak, moisture or the pump itself."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_physics.water import vapour_pressure_pa
from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Sequence

STILL_S = 300.0
STILL_SHARE = 0.03
ABOVE_TARGET = 1.2
HIGHEST_PA = 5000.0
WITHOUT_THERMOMETER = Say(
    "pumpdown.without_thermometer",
    cold_water_pa=600.0,
    warm_water_pa=3200.0,
    cold_k=273.15,
    warm_k=298.15,
)


@dataclass(frozen=True, slots=True)
class Stagnation:
    """A stand-still of the pump-down above its target.

    Attributes:
        t_s: When it was seen, s.
        level_pa: Pressure at which the pump stands, Pa.
        water_pa: Vapour pressure of water at the coldest wall, Pa; None without a thermometer.
        fits: Causes that fit, likeliest first; a tired pump has no word of the contract.
        pump_fits: Whether a tired pump, wet oil or a narrow path to the gauge fits as well.
        text: What fits and why, and what tells them apart.
    """

    t_s: float
    level_pa: float
    water_pa: float | None
    fits: tuple[Cause, ...]
    pump_fits: bool
    text: Say


class StagnationWatch:
    """Sees, once, that five minutes of pumping lowered the pressure by less than 3 %."""

    def __init__(self, target_pa: float) -> None:
        self._target = target_pa
        self._window: deque[tuple[float, float]] = deque()
        self._told = False

    def push(
        self, t_s: float, p_pa: float, sigma_pa: float, wall_k: float | None
    ) -> Stagnation | None:
        """Take one averaged reading; return the stand-still when it is first seen."""
        self._window.append((t_s, p_pa))
        while self._window[0][0] < t_s - STILL_S - 30.0:
            self._window.popleft()
        if self._told or t_s - self._window[0][0] < STILL_S:
            return None
        begin = _median([p for t, p in self._window if t <= self._window[0][0] + 30.0])
        end = _median([p for t, p in self._window if t >= t_s - 30.0])
        if not ABOVE_TARGET * self._target < end <= HIGHEST_PA:
            return None
        if abs(begin - end) > max(STILL_SHARE * end, sigma_pa):
            return None
        self._told = True
        return _reason(t_s, end, wall_k)


def _median(values: Sequence[float]) -> float:
    return float(np.median(values))


def _reason(t_s: float, level: float, wall_k: float | None) -> Stagnation:
    water = None if wall_k is None else vapour_pressure_pa(wall_k)
    if water is None:
        why = WITHOUT_THERMOMETER
        fits: tuple[Cause, ...] = (Cause.MOISTURE, Cause.LEAK)
    elif level > 1.15 * water:
        why = Say("pumpdown.above_water", water_pa=water)
        fits = (Cause.LEAK,)
    elif level >= 0.4 * water:
        # Boiling water cools its wall: the plateau lies below the vapour pressure measured outside.
        why = Say("pumpdown.near_water", water_pa=water)
        fits = (Cause.MOISTURE, Cause.LEAK)
    else:
        why = Say("pumpdown.below_water", water_pa=water)
        fits = (Cause.LEAK,)
    text = Say("pumpdown.stalled", level_pa=level, why=why)
    return Stagnation(t_s, level, water, fits, pump_fits=level < 1000.0, text=text)
