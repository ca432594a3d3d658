"""Simulated air: a private D-Bus and a fake Bluetooth daemon on it."""

from __future__ import annotations

from holdwatch_simulators.air.bluez import FakeBluez
from holdwatch_simulators.air.bus import PrivateBus, PrivateBusError
from holdwatch_simulators.air.radio import Delays

__all__ = ["Delays", "FakeBluez", "PrivateBus", "PrivateBusError"]
