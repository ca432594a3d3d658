"""The health of the process: its figures, its liveness, and what systemd is told."""

from __future__ import annotations

from holdwatch_daemon.health.figures import Metric
from holdwatch_daemon.health.systemd import Notifier, own_notifier

__all__ = ["Metric", "Notifier", "own_notifier"]
