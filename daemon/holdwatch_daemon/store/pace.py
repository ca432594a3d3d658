"""Whether the disk keeps pace: how long it takes to confirm, and whether it is waited for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

SLOW_S: Final = 2.0
"""A disk that takes longer to confirm a write is slow, s: a person waits so at every command."""
STANDS_S: Final = 10.0
"""A disk that a transaction has waited for longer stands still, s."""
OVER_S: Final = 300.0
"""Slowness is over once nothing was slow for so long, s."""


@dataclass(slots=True)
class Pace:
    """How one writer's disk does, noted in the writer's thread and read in any.

    Every time is in seconds of one clock that only grows.

    Attributes:
        confirmed_s: How long all confirmations together took, s.
        slow: How many transactions were slow or stood still.
        worst_s: The longest of them since somebody set this to 0, s.
    """

    confirmed_s: float = 0.0
    slow: int = 0
    worst_s: float = 0.0
    _began: float | None = None
    _asked: float | None = None
    _slow_at: float | None = None

    def begin(self, now: float) -> None:
        """Note that a transaction begins."""
        self._began = now

    def ask(self, now: float) -> None:
        """Note that the disk is asked to confirm the transaction."""
        self._asked = now

    def end(self, now: float, *, confirmed: bool) -> None:
        """Note that the transaction is over: confirmed, or undone."""
        began, asked = self._began, self._asked
        self._began = self._asked = None
        if began is None or asked is None or not confirmed:
            return
        self.confirmed_s += now - asked
        if now - asked > SLOW_S or now - began > STANDS_S:
            self.slow += 1
            self.worst_s = max(self.worst_s, now - began)
            self._slow_at = now

    def waited_s(self, now: float) -> float:
        """Return how long the transaction under way has taken so far, s; 0 without one."""
        began = self._began
        return 0.0 if began is None else now - began

    def stands(self, now: float) -> bool:
        """Whether the disk stands still."""
        return self.waited_s(now) > STANDS_S

    def is_slow(self, now: float) -> bool:
        """Whether the disk is slow, or was so a short while ago."""
        asked, slow_at = self._asked, self._slow_at
        if self.stands(now) or (asked is not None and now - asked > SLOW_S):
            return True
        return slow_at is not None and now - slow_at < OVER_S
