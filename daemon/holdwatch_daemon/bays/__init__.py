"""Bays: roles bound to channels, the hold that runs there, commands."""

from __future__ import annotations

from holdwatch_daemon.bays.export import export_hold, newest_hold

__all__ = ["export_hold", "newest_hold"]
