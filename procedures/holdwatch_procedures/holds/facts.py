"""What is remembered of a stretch's blocks: its first minutes, its newest, and what is missing."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from statistics import fmean
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import Cause

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Block

FIRST_BLOCKS = 30
"""Blocks that count as the first minutes of a stretch (five minutes)."""
ENDS = 6
"""Blocks averaged at either end of a pressure change (one minute)."""
LOST_BLOCKS = 30
"""Five minutes without a usable reading: the instrument is gone."""


@dataclass(slots=True)
class Facts:
    """The remembered part of a stretch.

    Attributes:
        origin_s: From when on a change of pressure is counted, seconds from the start.
        first_pa: Absolute pressure of the first block that had one, Pa.
        last_pa: That of the newest, Pa.
        temperature_k: Newest pipe temperature, or the room's where no pipe is read, K.
        thermometer: Whether a pipe thermometer has been read.
        early_pa, early_room_pa, early_k: Of the first minutes: gas, room, gas temperature.
    """

    origin_s: float
    first_pa: float | None = None
    last_pa: float | None = None
    temperature_k: float | None = None
    thermometer: bool = False
    early_pa: list[float] = field(default_factory=list)
    early_room_pa: list[float] = field(default_factory=list)
    early_k: list[float] = field(default_factory=list)
    _blocks_without_pressure: int = 0
    _blocks_without_pipe: int = 0
    _since_origin: int = 0
    _origin_pa: list[float] = field(default_factory=list)
    _newest_pa: deque[float] = field(default_factory=lambda: deque(maxlen=ENDS))

    @property
    def change_pa(self) -> float | None:
        """Measured change of absolute pressure, minute to minute where there are two, Pa."""
        if self._since_origin >= 2 * ENDS:
            return fmean(self._newest_pa) - fmean(self._origin_pa)
        if self.last_pa is None or self.first_pa is None:
            return None
        return self.last_pa - self.first_pa

    @property
    def lost(self) -> Cause | None:
        """What has been silent for the last minutes: the thermometer, the gauge, or nothing."""
        if self._blocks_without_pressure >= LOST_BLOCKS:
            return Cause.GAP
        if self.thermometer and self._blocks_without_pipe >= LOST_BLOCKS:
            return Cause.THERMOMETER
        return None

    def remember(self, block: Block) -> None:
        """Take a block in."""
        temperature = block.pipe_k
        self.thermometer = self.thermometer or temperature is not None
        self._blocks_without_pipe = 0 if temperature is not None else self._blocks_without_pipe + 1
        self._blocks_without_pressure += 1
        if temperature is None:
            temperature = block.ambient_k
        if temperature is not None:
            self.temperature_k = temperature
        if block.pressure_pa is not None:
            self._pressure(block, block.pressure_pa, temperature)

    def _pressure(self, block: Block, pressure_pa: float, temperature_k: float | None) -> None:
        self._blocks_without_pressure = 0
        if self.first_pa is None:
            self.first_pa = pressure_pa
        self.last_pa = pressure_pa
        self._newest_pa.append(pressure_pa)
        if block.t_s >= self.origin_s:
            self._since_origin += 1
            if len(self._origin_pa) < ENDS:
                self._origin_pa.append(pressure_pa)
        if len(self.early_pa) < FIRST_BLOCKS:
            self.early_pa.append(pressure_pa)
            self.early_room_pa.append(block.barometer_pa)
            if temperature_k is not None:
                self.early_k.append(temperature_k)
