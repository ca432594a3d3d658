"""Simulated air: a private D-Bus and a fake Bluetooth daemon on it."""

from holdwatch_simulators.air.bluez import FakeBluez
from holdwatch_simulators.air.bus import PrivateBus

__all__ = ["FakeBluez", "PrivateBus"]
