"""Bluetooth probes: scanning, links, and the decoders of their payloads."""

from __future__ import annotations

from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter
from holdwatch_adapters.bluetooth.probe import Payload, PayloadAdapter
from holdwatch_adapters.bluetooth.scan import Seen, scan, start_scanner, stop_scanner
from holdwatch_adapters.bluetooth.settings import BluetoothProbe, BluetoothSettings, RadioSettings

__all__ = [
    "BluetoothAdapter",
    "BluetoothProbe",
    "BluetoothSettings",
    "Payload",
    "PayloadAdapter",
    "RadioSettings",
    "Seen",
    "scan",
    "start_scanner",
    "stop_scanner",
]
