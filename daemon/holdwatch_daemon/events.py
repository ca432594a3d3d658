"""Events: numbered without gaps, written with what they tell, followed live."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

    from holdwatch_daemon.messages import Event


class EventLog:
    """The numbered events of the shop."""

    def subscribe(self, after: int | None = None) -> AsyncIterator[Event]:
        """Yield every event with a number above ``after``, then new ones as they are written.

        With None only new ones. Nothing is skipped however slow the reader is: what has left
        memory is read from the store.
        """
        raise NotImplementedError
