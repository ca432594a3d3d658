"""Numbers events without gaps, writes them with what they tell, and lets others follow them."""

from __future__ import annotations

import asyncio
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, TypeVar

from holdwatch_daemon.messages import Event
from holdwatch_daemon.store.counters import SHOP, next_number
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import AsyncGenerator, Callable, Mapping, Sequence

    from holdwatch_daemon.messages import EventType
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_daemon.store.writer import Writer

_KEPT = 2_000
"""Newest events kept in memory; a reader further behind reads from the store."""
_PAGE = 500

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Draft:
    """An event before it has its number.

    Attributes:
        type: What happened.
        utc_ns: When, nanoseconds since 1970 UTC.
        data: Figures and sentences about it.
        bay: The bay it belongs to, or None for the whole shop.
        subject: What it is about: a hold's id, a probe, a channel.
    """

    type: EventType
    utc_ns: int
    data: dict[str, Any] = field(default_factory=dict)
    bay: str | None = None
    subject: str | None = None


class Telling:
    """A transaction that can also tell events; both reach the disk together or not at all."""

    def __init__(
        self, append: Callable[[sqlite3.Connection, Draft], Event], connection: sqlite3.Connection
    ) -> None:
        self.connection = connection
        self.told: list[Event] = []
        self._append = append

    def tell(self, draft: Draft) -> Event:
        """Give an event its numbers and write it."""
        event = self._append(self.connection, draft)
        self.told.append(event)
        return event


def append_event(
    connection: sqlite3.Connection,
    draft: Draft,
    *,
    source: str,
    id_head: str,
    simulated: bool | None = None,
) -> Event:
    """Number an event and write it; only inside a transaction that has the database to itself.

    Args:
        connection: The transaction's.
        draft: The event without its numbers.
        source: Its ``source``.
        id_head: What its id begins with: site and database.
        simulated: Whether it is marked as simulated.
    """
    sequence = next_number(connection, None)
    baysequence = None if draft.bay is None else next_number(connection, draft.bay)
    event = Event(
        id=f"{id_head}-{sequence}",
        source=source,
        type=draft.type,
        time=rfc3339(draft.utc_ns),
        subject=draft.subject,
        sequence=sequence,
        bay=draft.bay,
        baysequence=baysequence,
        simulated=simulated,
        data=draft.data,
    )
    connection.execute(
        "INSERT INTO events (sequence, id, type, time, bay, baysequence, subject, body)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            sequence,
            event.id,
            event.type,
            event.time,
            event.bay,
            baysequence,
            event.subject,
            event.model_dump_json(exclude_none=True),
        ),
    )
    return event


def numbers_of(told: Sequence[Event]) -> dict[str, int]:
    """Return the newest numbers among events, in their order: of the shop and of each bay."""
    newest = {SHOP: told[-1].sequence} if told else {}
    return newest | {each.bay: each.baysequence for each in told if each.bay and each.baysequence}


class EventLog:
    """The numbered events of the shop.

    Args:
        writer: The recorder's writer, whose thread gives the numbers.
        queries: Where older events are read from.
        site: The shop's name, the ``source`` of its events.
        database_id: What keeps ids apart when a database is begun anew.
        simulated: Whether events are marked as simulated.
        newest: The number of the newest event already written.
        note: Keeps numbers that are about to be told, by bay, called in the writer's thread; see
            ``store.counters``.
    """

    def __init__(
        self,
        writer: Writer,
        queries: Queries,
        *,
        site: str,
        database_id: str,
        simulated: bool,
        newest: int,
        note: Callable[[Mapping[str, int]], None] | None = None,
    ) -> None:
        self._note = note
        self._writer = writer
        self._queries = queries
        self._source = f"/holdwatch/{site}"
        self._id_head = f"{site}-{database_id}"
        self._simulated = simulated or None
        self._newest = newest
        self._recent: deque[Event] = deque(maxlen=_KEPT)
        self._news = asyncio.Event()
        self._closed = False

    @property
    def newest(self) -> int:
        """The number of the newest event on the disk."""
        return self._newest

    def append(self, connection: sqlite3.Connection, draft: Draft) -> Event:
        """Number an event and write it; only inside a transaction, in the writer's thread."""
        return append_event(
            connection,
            draft,
            source=self._source,
            id_head=self._id_head,
            simulated=self._simulated,
        )

    def transact(self, work: Callable[[Telling], T], *, durable: bool = True) -> asyncio.Future[T]:
        """Hand in a transaction that writes and tells; subscribers hear of it once it is on disk.

        The order of calls is the order of transactions. The future is done when the disk has it;
        one that tells nothing, and may be undone by a power cut, need not be ``durable``.
        """
        told: list[Event] = []

        def run(connection: sqlite3.Connection) -> T:
            told.clear()  # the disk may have refused an earlier try
            telling = Telling(self.append, connection)
            result = work(telling)
            told.extend(telling.told)
            return result

        return self._writer.transact(
            run, lambda: self._publish(told), kept=lambda: self._keep(told), durable=durable
        )

    def tell(self, *drafts: Draft) -> asyncio.Future[None]:
        """Write events that tell of nothing else in the store."""

        def work(telling: Telling) -> None:
            for draft in drafts:
                telling.tell(draft)

        return self.transact(work)

    def close(self) -> None:
        """End every subscription once it has yielded what is written."""
        self._closed = True
        self._wake()

    def subscribe(self, after: int | None = None) -> AsyncGenerator[Event, None]:
        """Yield every event with a number above ``after``, then new ones as they are written.

        With None only new ones. Nothing is skipped however slow the reader is: what has left
        memory is read from the store. Ends when the service does.
        """
        return self._follow(self._newest if after is None else after)

    async def _follow(self, position: int) -> AsyncGenerator[Event, None]:
        while True:
            news = self._news
            while position < self._newest:
                for event in await self._page(position):
                    position = event.sequence
                    yield event
            if self._closed:
                return
            await news.wait()

    async def _page(self, after: int) -> list[Event]:
        """Return events after a number, from memory where they are still there."""
        recent = self._recent
        if recent and recent[0].sequence <= after + 1:
            skipped = after + 1 - recent[0].sequence
            return [recent[n] for n in range(skipped, min(len(recent), skipped + _PAGE))]
        return await self._queries.events_after(after, _PAGE)

    def _keep(self, told: list[Event]) -> None:
        """Keep the numbers of events before anybody hears of them."""
        if self._note is not None and told:
            self._note(numbers_of(told))

    def _publish(self, told: list[Event]) -> None:
        if not told:
            return
        if told[0].sequence != self._newest + 1:
            self._recent.clear()  # numbers went on behind a database that was set aside
        self._recent.extend(told)
        self._newest = told[-1].sequence
        self._wake()

    def _wake(self) -> None:
        news, self._news = self._news, asyncio.Event()
        news.set()
