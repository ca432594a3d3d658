"""Readings on their way in: supervised adapters, checks in one order, calibration."""

from __future__ import annotations

from holdwatch_daemon.intake.calibration import (
    Found,
    Gauge,
    calibrations_of,
    last_calibrations,
    two_points,
    zero,
)

__all__ = ["Found", "Gauge", "calibrations_of", "last_calibrations", "two_points", "zero"]
