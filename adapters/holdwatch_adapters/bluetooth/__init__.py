"""Bluetooth probes: scanning, links, and the decoders of their payloads.

What needs bleak is imported when it is first used: a shop without a radio need not wait for it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Final

from holdwatch_adapters.bluetooth.probe import Payload, PayloadAdapter
from holdwatch_adapters.bluetooth.settings import BluetoothProbe, BluetoothSettings, RadioSettings

if TYPE_CHECKING:
    from holdwatch_adapters.bluetooth.adapter import BluetoothAdapter
    from holdwatch_adapters.bluetooth.scanning import Seen, scan, start_scanner, stop_scanner

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

_WITH_BLEAK: Final = {
    "BluetoothAdapter": "adapter",
    "Seen": "scanning",
    "scan": "scanning",
    "start_scanner": "scanning",
    "stop_scanner": "scanning",
}


def __getattr__(name: str) -> object:
    """Import a name that needs bleak, and keep it."""
    if name not in _WITH_BLEAK:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found: object = getattr(import_module(f"{__name__}.{_WITH_BLEAK[name]}"), name)
    globals()[name] = found
    return found
