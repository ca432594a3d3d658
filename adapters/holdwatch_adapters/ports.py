"""Defines what an adapter is, what a kind of probe registers, and what a shop lends to both."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterable, Sequence

    from holdwatch_adapters.settings import ProbeSettings, Table
    from holdwatch_physics.reading import ProbeNotice, Reading

__all__ = [
    "Adapter",
    "AdapterError",
    "Clock",
    "CounterStore",
    "Kind",
    "MemoryCounters",
    "Surroundings",
    "T",
]

T = TypeVar("T")


class Clock(Protocol):
    """The one source of time; a demo's clock runs faster than the wall's."""

    def utc_ns(self) -> int:
        """Wall-clock time, nanoseconds since 1970 UTC."""
        ...

    def mono_ns(self) -> int:
        """Monotonic time, nanoseconds from an arbitrary origin."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait this many seconds of this clock's own time."""
        ...


class Adapter(Protocol):
    """One way in.

    ``stream`` runs until its device is gone for good or it is cancelled; it raises
    ``AdapterError`` when it cannot go on, and the supervisor starts it again after a pause.
    Cancelling it at any await releases the device.
    """

    @property
    def name(self) -> str:
        """A short name for logs and health, for example ``bluetooth``."""
        ...

    def stream(self) -> AsyncIterator[Reading | ProbeNotice]:
        """Yield readings and notices as they arrive."""
        ...


class AdapterError(Exception):
    """An adapter cannot go on; the message says what is wrong, where, and how to mend it."""


class CounterStore(Protocol):
    """Keeps the last counter of each sender of encrypted payloads, so that replays are known."""

    def last(self, sender: str) -> int | None:
        """Return the last counter of a sender, or None for one never heard."""
        ...

    def remember(self, sender: str, counter: int) -> None:
        """Keep a counter; must not raise, since a full disk must not stop a probe."""
        ...


class MemoryCounters:
    """Counters for as long as the process lives."""

    def __init__(self) -> None:
        self._last: dict[str, int] = {}

    def last(self, sender: str) -> int | None:
        """Return the last counter of a sender, or None for one never heard."""
        return self._last.get(sender)

    def remember(self, sender: str, counter: int) -> None:
        """Keep a counter."""
        self._last[sender] = counter


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a shop lends to its adapters.

    Attributes:
        clock: Stamps the readings.
        counters: Opens what keeps counters over restarts.
        tables: The shop's tables that a kind may need beside its probes' own.
    """

    clock: Clock
    counters: Callable[[], CounterStore]
    tables: tuple[Table | None, ...] = ()

    def table(self, model: type[T]) -> T | None:
        """Return the shop's table of this model, or None."""
        return next((table for table in self.tables if isinstance(table, model)), None)


def _nothing(_: Sequence[Any]) -> Iterable[str]:
    return ()


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of probe: what is configured of one, and how all of a shop's are opened.

    Attributes:
        settings: The model of its ``[[probe]]``.
        open: Returns the adapters for a shop's probes of this kind; may raise
            ``SettingsError``.
        check: Yields what is wrong between a shop's probes of this kind, one sentence each.
    """

    settings: type[ProbeSettings]
    open: Callable[[Sequence[Any], Surroundings], list[Adapter]]
    check: Callable[[Sequence[Any]], Iterable[str]] = _nothing
