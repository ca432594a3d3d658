"""Whether the service's two endless rounds go on: taking readings in, and looking after holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Pulse:
    """Notes when each round was last seen to go on.

    Args:
        time: Real seconds that only grow.
    """

    def __init__(self, time: Callable[[], float]) -> None:
        self._time = time
        self._ticked = time()
        self._busy_since: float | None = None

    def tick(self) -> None:
        """Note that holds are being looked after."""
        self._ticked = self._time()

    def busy(self) -> None:
        """Note that readings have come and are being taken in."""
        self._busy_since = self._time()

    def idle(self) -> None:
        """Note that they have been taken in; the round now waits for more."""
        self._busy_since = None

    def beats(self, within_s: float) -> bool:
        """Return whether neither round has stood still for longer than ``within_s``."""
        now = self._time()
        taking = self._busy_since is None or now - self._busy_since <= within_s
        return taking and now - self._ticked <= within_s
