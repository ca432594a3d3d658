"""Turns the blocks of a pressure-decay hold into temperature-normalised pressure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import fmean, median
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_procedures.holds.estimates import BLOCK_S, Block

if TYPE_CHECKING:
    from holdwatch_procedures.holds.decay.bank import Array
    from holdwatch_procedures.holds.decay.setup import DecaySetup

FLOOR_S = 600.0
"""Nothing before this many seconds after the mark counts: charging heat is at its worst."""

LAG_TIME_S = (600.0, 3600.0)
"""Time constants of the lags between clamp and gas that are considered, s."""

COLUMNS = 4
"""Considered columns: clamp gain, two lags, the gauge's own temperature."""

_LAG_SHARE = tuple(-math.expm1(-BLOCK_S / time_s) for time_s in LAG_TIME_S)
_REFERENCE_BLOCKS = 30
_ANCHOR_BLOCKS = 6


@dataclass(frozen=True, slots=True)
class Row:
    """One block after the floor; differences are counted from the first of them.

    Attributes:
        t_s: Time since the first row, s.
        clock_s: Viscous clock τ = ∫(p² − p_atm²) dt over the same at the start, s.
        pressure_pa: Absolute pressure, Pa; NaN where the block is not usable.
        rise_k: Change of the pipe temperature, K.
        lag_k: Change of (lagged − actual) pipe temperature for each lag, K.
        gauge_k: Change of the temperature around the gauge, K.
        usable: Whether pressure and, where bound, pipe temperature are there.
    """

    t_s: float
    clock_s: float
    pressure_pa: float
    rise_k: float
    lag_k: tuple[float, float]
    gauge_k: float
    usable: bool


class GasSignal:
    """Follows pressure, temperature and clock from the mark on.

    Attributes:
        reference_pa: Absolute pressure at the start, Pa; 0 until there is a first row.
        pa_per_k: Pressure that one kelvin makes at the start, Pa/K; likewise.
    """

    def __init__(self, setup: DecaySetup) -> None:
        self.reference_pa = 0.0
        self.pa_per_k = 0.0
        self._setup = setup
        self._base_k = setup.start_k if setup.start_k is not None else 0.0
        self._pressures: list[float] = []
        self._warmths: list[float] = []
        self._pipe_k: float | None = None
        self._lagged_k = [0.0, 0.0]
        self._room_k: float | None = None
        self._origin: tuple[float, float, tuple[float, float], float] | None = None
        self._outside_pa = 0.0
        self._clock_s = 0.0
        self._last: tuple[float, float] | None = None
        self._anchors: list[float] = []
        self._anchor_pa = 0.0

    def push(self, block: Block) -> Row | None:
        """Take the next block; return its row once the floor is behind and a first one usable."""
        self._follow(block)
        usable = block.pressure_pa is not None and (
            block.pipe_k is not None or not self._setup.thermometer
        )
        if block.t_s < FLOOR_S or (self._origin is None and not usable):
            return None
        pipe_k = self._pipe_k if self._pipe_k is not None else 0.0
        gauge_k = self._room_k if self._room_k is not None else pipe_k
        if self._origin is None:
            self._begin(block, pipe_k, gauge_k)
        assert self._origin is not None  # noqa: S101 (begun just above)
        start_s, start_k, start_lag, start_gauge = self._origin
        self._tick(block)
        quick, slow = self._behind()
        pressure = block.pressure_pa if usable and block.pressure_pa is not None else math.nan
        if usable and len(self._anchors) < _ANCHOR_BLOCKS:
            self._anchors.append(pressure)
            self._anchor_pa = median(self._anchors)
        return Row(
            t_s=block.t_s - start_s,
            clock_s=self._clock_s,
            pressure_pa=pressure,
            rise_k=pipe_k - start_k if self._setup.thermometer else 0.0,
            lag_k=(quick - start_lag[0], slow - start_lag[1]),
            gauge_k=gauge_k - start_gauge,
            usable=usable,
        )

    def values(self, row: Row) -> Array:
        """Return the normalised pressure in Pa and the considered columns of a usable row."""
        b = self.pa_per_k
        lags = (b * row.lag_k[0], b * row.lag_k[1])
        return np.array([self.normalised(row), b * row.rise_k, *lags, row.gauge_k])

    def normalised(self, row: Row) -> float:
        """Return the pressure at the starting temperature, less the reference, Pa."""
        level = row.pressure_pa - self._anchor_pa + self.reference_pa
        ratio = self._base_k / (self._base_k + row.rise_k)
        return level * math.pow(ratio, self._setup.kappa) - self.reference_pa

    def _follow(self, block: Block) -> None:
        if block.pressure_pa is not None and len(self._pressures) < _REFERENCE_BLOCKS:
            self._pressures.append(block.pressure_pa)
        if block.ambient_k is not None:
            self._room_k = block.ambient_k
        if block.pipe_k is not None:
            self._pipe_k = block.pipe_k
        if self._pipe_k is None:
            return
        if len(self._warmths) < 3:
            self._warmths.append(self._pipe_k)
            self._lagged_k = [fmean(self._warmths)] * 2
            fresh = self._warmths if len(self._warmths) == 3 else []
        else:
            fresh = [self._pipe_k]
        for place, share in enumerate(_LAG_SHARE):
            for warmth in fresh:
                self._lagged_k[place] += share * (warmth - self._lagged_k[place])

    def _behind(self) -> tuple[float, float]:
        """How far each lagged temperature is above the pipe's, K."""
        if self._pipe_k is None or not self._setup.thermometer:
            return 0.0, 0.0
        return self._lagged_k[0] - self._pipe_k, self._lagged_k[1] - self._pipe_k

    def _begin(self, block: Block, pipe_k: float, gauge_k: float) -> None:
        self._origin = (block.t_s, pipe_k, self._behind(), gauge_k)
        self._outside_pa = block.barometer_pa
        self.reference_pa = median(self._pressures)
        if self._setup.start_k is None:
            self._base_k = pipe_k or gauge_k or 293.15
        self.pa_per_k = self._setup.kappa * self.reference_pa / self._base_k

    def _tick(self, block: Block) -> None:
        """Advance the viscous clock; an unknown pressure counts as the starting one."""
        head = self.reference_pa**2 - self._outside_pa**2
        rate = 1.0
        if block.pressure_pa is not None and head > 0.0:
            rate = max((block.pressure_pa**2 - self._outside_pa**2) / head, 0.0)
        if self._last is not None:
            self._clock_s += 0.5 * (rate + self._last[1]) * (block.t_s - self._last[0])
        self._last = (block.t_s, rate)
