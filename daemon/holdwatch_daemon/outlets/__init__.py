"""Ways out: MQTT and webhooks."""

from __future__ import annotations

from holdwatch_daemon.outlets.feed import Frame, Pace

__all__ = ["Frame", "Pace"]
