"""Growing pauses between attempts, the same for every link into and out of the service."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from random import Random

__all__ = ["Backoff"]


class Backoff:
    """Pauses that double from first to last, each shortened by up to half at random.

    None is shorter than the first. The jitter keeps what failed together from trying together
    for ever.

    Args:
        random: For the jitter.
        first_s: Pause after the first failure, s.
        last_s: The longest pause, s.
    """

    def __init__(self, random: Random, first_s: float = 0.5, last_s: float = 30.0) -> None:
        self._first_s = first_s
        self._last_s = last_s
        self._random = random
        self._next_s = first_s

    def next_s(self) -> float:
        """Return the pause before the next attempt, s."""
        pause_s = max(self._first_s, self._next_s * self._random.uniform(0.5, 1.0))
        self._next_s = min(self._last_s, 2.0 * self._next_s)
        return pause_s

    def reset(self) -> None:
        """Begin again at the first pause: the last attempt came to something."""
        self._next_s = self._first_s
