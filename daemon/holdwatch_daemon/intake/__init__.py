"""Readings on their way in: supervised adapters, checks in one order, calibration."""
