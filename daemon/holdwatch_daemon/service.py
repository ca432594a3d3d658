"""The process in one object: adapters in, store, holds, events and MQTT out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Mapping, Sequence
    from types import TracebackType

    from holdwatch_adapters.ports import Adapter
    from holdwatch_daemon.bays import Bay
    from holdwatch_daemon.clock import ScaledClock, SystemClock
    from holdwatch_daemon.config import ShopConfig
    from holdwatch_daemon.events import EventLog
    from holdwatch_daemon.health import Metric
    from holdwatch_daemon.messages import BayState, Command, Live, Reply
    from holdwatch_daemon.store.queries import Queries


class Service:
    """A shop's bays, watched.

    ::

        async with Service(config, clock, adapters) as service:
            reply = await service.command("bay-1", StartHold(...), by="http")
            async for event in service.events.subscribe(after=0):
                ...

    Entering starts recorder, adapters and outbox and resumes holds that were running; leaving
    writes what is pending and stops them. Nothing here knows HTTP.

    Attributes:
        config: The shop's configuration.
        bays: The bays by name.
        store: Queries over what is recorded; every method is async and reads only.
        events: The numbered events; ``events.subscribe(after)`` follows them live.
    """

    config: ShopConfig
    bays: Mapping[str, Bay]
    store: Queries
    events: EventLog

    def __init__(
        self,
        config: ShopConfig,
        clock: SystemClock | ScaledClock,
        adapters: Sequence[Adapter],
        *,
        simulated: bool = False,
    ) -> None:
        self.config = config

    async def __aenter__(self) -> Self:
        """Start everything; raises ``StoreError`` when the database cannot be used."""
        raise NotImplementedError

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop everything, writing what is pending."""
        raise NotImplementedError

    async def run(self) -> None:
        """Run until cancelled (enters and leaves by itself)."""
        raise NotImplementedError

    def bay_state(self, name: str) -> BayState:
        """Return what a bay is doing; raises ``KeyError`` for an unknown bay."""
        raise NotImplementedError

    def live(self, name: str) -> Live:
        """Return the newest values of a bay; raises ``KeyError`` for an unknown bay."""
        raise NotImplementedError

    async def command(self, bay: str, command: Command, *, by: str) -> Reply:
        """Carry out a command, once per ``command.id``; the same id gets the same reply.

        Raises ``KeyError`` for an unknown bay. ``by`` says where it came from (``http``, ``mqtt``).
        """
        raise NotImplementedError

    def changes(self) -> AsyncIterator[str]:
        """Yield names of bays whose live values or state changed, each at most twice a second."""
        raise NotImplementedError

    def health(self) -> dict[str, object]:
        """Return ``{"status": "ok"|"degraded", "adapters", "broker", "store", "clock", "disk"}``."""
        raise NotImplementedError

    def metrics(self) -> list[Metric]:
        """Return counters and gauges for a scrape."""
        raise NotImplementedError
