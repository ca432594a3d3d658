"""What the chain's consumer cannot go on with; the message says what, where and how to mend it."""

from __future__ import annotations

from holdwatch_daemon.errors import HoldwatchError


class FleetError(HoldwatchError):
    """A file, the database or the broker stands against it."""
