"""Fixtures that several rooms' tests share."""

from __future__ import annotations

from mosquitto_fixture import mosquitto

__all__ = ["mosquitto"]
