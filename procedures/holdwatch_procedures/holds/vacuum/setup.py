"""What is known before a standing vacuum begins: criterion, gauge, volume, wall."""

from __future__ import annotations

import math
from dataclasses import dataclass

LEAST_NOISE_PA = 0.05
"""Standard deviation of a block that no gauge is believed to beat, Pa (trial's constant)."""


@dataclass(frozen=True, slots=True)
class VacuumSetup:
    """Figures of one standing vacuum.

    Attributes:
        limit_pa_per_s: The criterion as a slope of pressure, Pa/s.
        false_pass: Stated probability of passing a system that leaks more than the limit.
        false_fail: Stated probability of failing one that leaks less.
        resolution_pa: Step of the gauge's readings, Pa; None where not declared.
        noise_floor_pa: Standard deviation of one reading near zero, Pa; None: learnt.
        noise_share: Part of a reading's noise that grows with it, relative.
        range_top_pa: Highest pressure that the gauge shows, Pa.
        volume_rel_u: Relative standard uncertainty of the volume under test.
        coldest_wall_k: Temperature of the coldest wall, K; None: the lowest channel counts.
        gauge_drift_pa: Wander of the gauge over an hour, standard deviation, Pa.
        scale_share: Standard uncertainty of the gauge's linearity over a hold, relative.
    """

    limit_pa_per_s: float
    false_pass: float = 0.01
    false_fail: float = 0.01
    resolution_pa: float | None = None
    noise_floor_pa: float | None = None
    noise_share: float = 0.0
    range_top_pa: float | None = None
    volume_rel_u: float = 0.0
    coldest_wall_k: float | None = None
    gauge_drift_pa: float = 0.0
    scale_share: float = 0.002

    def __post_init__(self) -> None:
        """Refuse figures that no hold can have.

        Raises:
            ValueError: A figure is not finite or outside its range; the message names it.
        """
        for name in ("limit_pa_per_s",):
            if not 0.0 < getattr(self, name) < math.inf:
                raise ValueError(f"{name} must be above zero, got {getattr(self, name)}")
        for name in ("false_pass", "false_fail"):
            if not 0.0 < getattr(self, name) < 0.5:
                raise ValueError(f"{name} must lie between 0 and 0.5, got {getattr(self, name)}")
        for name in ("noise_share", "volume_rel_u", "gauge_drift_pa", "scale_share"):
            if not 0.0 <= getattr(self, name) < math.inf:
                raise ValueError(f"{name} must not be negative, got {getattr(self, name)}")
        for name in ("resolution_pa", "noise_floor_pa", "range_top_pa", "coldest_wall_k"):
            value = getattr(self, name)
            if value is not None and not 0.0 <= value < math.inf:
                raise ValueError(f"{name} must not be negative, got {value}")

    def reading_sd_pa(self, level_pa: float) -> float:
        """Return the standard deviation of one reading at a level, without its rounding, Pa."""
        return math.hypot(self.noise_floor_pa or 0.0, self.noise_share * level_pa)

    def dithers(self, level_pa: float, scatter_pa: float = 0.0) -> bool:
        """Whether noise, declared or seen as scatter, is enough for rounding to average out."""
        return 2.0 * max(self.reading_sd_pa(level_pa), scatter_pa) >= (self.resolution_pa or 0.0)

    def floor_variance(self, readings: int, *, dithered: bool) -> float:
        """Return the least believable variance of a block's mean, Pa².

        Rounding to steps of ``resolution_pa`` has the variance res²/12; it averages out over
        the readings of a block only where their noise dithers it.
        """
        rounding = (self.resolution_pa or 0.0) ** 2 / 12.0
        return LEAST_NOISE_PA**2 + (rounding / readings if dithered else rounding)
