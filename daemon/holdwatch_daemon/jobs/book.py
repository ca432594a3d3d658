"""Reads and changes the vehicles and visits of a store.

A change runs in a transaction of the store's one writer; see ``store.transactions``.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import answers, schema, story_rows
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.transactions import OwnTransactions
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.vehicles.validation import NotKnownError, RefusedError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdwatch_daemon.store.events import Telling
    from holdwatch_daemon.store.story_rows import StoredUnit
    from holdwatch_daemon.store.transactions import Transactions
    from holdwatch_procedures.vehicles.job import Job
    from holdwatch_procedures.vehicles.vehicle import Vehicle

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Story:
    """A unit with all its visits, the oldest first."""

    unit: Vehicle
    visits: tuple[Job, ...]

    def visit(self, number: str) -> Job:
        """Return one of its visits, which must exist."""
        return next(visit for visit in self.visits if visit.number == number)


class Page:
    """One transaction over the book: what is changed in it is written together and told.

    Attributes:
        connection: The transaction's.
        now: The present time, RFC 3339 UTC.
    """

    def __init__(self, telling: Telling, utc_ns: int) -> None:
        self._telling = telling
        self.connection = telling.connection
        self.utc_ns = utc_ns
        self.now = rfc3339(utc_ns)

    def put_unit(
        self, unit: Vehicle, what: str = "vehicle added", *, unit_id: int | None = None
    ) -> int:
        """Write a unit and tell it; see ``story_rows.put_unit``."""
        number = story_rows.put_unit(self.connection, unit, self.now, unit_id=unit_id)
        self._tell(unit.name, None, what)
        return number

    def put_visit(self, order: Job, what: str) -> None:
        """Write a visit and tell it.

        Raises:
            VehicleError: Its unit is not known.
        """
        known = story_rows.unit_of_work_order(self.connection, order.number)
        named = story_rows.unit_named(self.connection, order.unit)
        if known is not None and named is not None and known.id != named.id:
            raise RefusedError(
                f"work order {order.number} is one of {known.unit.name}, not of "
                f"{named.unit.name}: give it another number"
            )
        # A vehicle that was renamed since keeps its visits under the name of then.
        stored = known or self.unit(order.unit)
        story_rows.put_work_order(self.connection, order, stored.id, self.now)
        self._tell(stored.unit.name, order.number, what)

    def unit(self, identifier: str) -> StoredUnit:
        """Return the unit that goes by an identifier.

        Raises:
            VehicleError: There is none.
        """
        return _known_unit(self.connection, identifier)

    def story(self, name: str) -> tuple[Story, Job]:
        """Return a story with the visit that a name means; see ``StoryBook.visit``."""
        return _visit(self.connection, name)

    def _tell(self, unit: str, work_order: str | None, what: str) -> None:
        data: dict[str, Any] = {"unit": unit, "work_order": work_order, "what": what}
        subject = f"vehicle/{unit}"
        self._telling.tell(Draft("holdwatch.story.changed", self.utc_ns, data, subject=subject))


class StoryBook:
    """Units and visits of one database.

    Args:
        database: The SQLite file; made by the first write where it is missing.
        utc_ns: The wall clock, nanoseconds since 1970 UTC.
        transactions: How it is changed; by this process itself where none is given.
    """

    def __init__(
        self,
        database: Path,
        utc_ns: Callable[[], int],
        transactions: Transactions | None = None,
    ) -> None:
        self.database = database
        self._utc_ns = utc_ns
        self._transactions = transactions or OwnTransactions(database, utc_ns)

    @property
    def photo_folder(self) -> Path:
        """Where pictures lie, each under the hash of its bytes."""
        return self.database.parent / "photos"

    def write(self, change: Callable[[Page], T]) -> T:
        """Make a change in one transaction; return what it returns.

        What it raises undoes it.

        Raises:
            StoreError: The database cannot be used, or does not confirm the change in time.
        """
        return self._transactions.run(lambda telling: change(Page(telling, self._utc_ns())))

    def ask(self, question: Callable[[sqlite3.Connection], T]) -> T:
        """Return the answer to a question over a read-only connection.

        Raises:
            StoreError: There is no such database.
        """
        if not self.database.exists():
            raise StoreError(
                f"{self.database}: there is no such database yet; the first vehicle that is added "
                "begins one (holdwatch vehicle add; --data names another folder)"
            )
        self._prepare()
        connection = answers.connect(self.database)
        try:
            return question(connection)
        finally:
            connection.close()

    def story(self, identifier: str) -> Story:
        """Return a unit's story by its fleet number, plate or VIN.

        Raises:
            VehicleError: No unit goes by it; the message names those that are close.
        """
        return self.ask(lambda c: _story(c, _known_unit(c, identifier)))

    def visit(self, name: str) -> tuple[Story, Job]:
        """Return a story and the visit that a name means.

        The name is a visit's number, or an identifier of a unit: then its one open visit.

        Raises:
            VehicleError: No such visit, or several are open.
        """
        return self.ask(lambda c: _visit(c, name))

    def _prepare(self) -> None:
        """Bring the file to the present schema; the service does so too when it starts.

        Raises:
            StoreError: It is in use by a service of an older version, or from a newer one.
        """
        if self.database.exists():
            connection = answers.connect(self.database)
            try:
                if schema.version_of(connection) == schema.VERSION:
                    return
            except sqlite3.DatabaseError as error:
                raise StoreError(
                    f"{self.database}: this is not a usable SQLite database ({error}); restore a "
                    "backup"
                ) from error
            finally:
                connection.close()
        opened = open_database(self.database, rfc3339(self._utc_ns()))
        opened.connection.close()
        opened.lock.release()


def _story(connection: sqlite3.Connection, stored: StoredUnit) -> Story:
    return Story(stored.unit, tuple(story_rows.work_orders_of(connection, stored.id)))


def _known_unit(connection: sqlite3.Connection, identifier: str) -> StoredUnit:
    stored = story_rows.unit_named(connection, identifier)
    if stored is not None:
        return stored
    close = [found.unit.name for found in story_rows.find_units(connection, identifier, limit=5)]
    hint = f"; close to it: {', '.join(close)}" if close else ""
    raise NotKnownError(
        f"no vehicle goes by {identifier!r}{hint}: look it up in the list, or add it",
        at_terminal="holdwatch vehicle list, holdwatch vehicle add",
    )


def _visit(connection: sqlite3.Connection, name: str) -> tuple[Story, Job]:
    stored = story_rows.unit_of_work_order(connection, name)
    if stored is not None:
        story = _story(connection, stored)
        return story, story.visit(name)
    stored = story_rows.unit_named(connection, name)
    if stored is None:
        raise NotKnownError(
            f"{name!r} is neither the number of a visit nor a vehicle: open a visit first",
            at_terminal="holdwatch visit open VEHICLE",
        )
    story = _story(connection, stored)
    still_open = [visit for visit in story.visits if visit.closed_on is None]
    if len(still_open) == 1:
        return story, still_open[0]
    numbers = ", ".join(visit.number for visit in still_open or story.visits[-5:])
    if still_open:
        raise RefusedError(f"{stored.unit.name} has several open visits: name one of {numbers}")
    known = f"; its visits: {numbers}" if numbers else ""
    raise RefusedError(
        f"{stored.unit.name} has no open visit{known}: open one",
        at_terminal=f"holdwatch visit open {stored.unit.name}",
    )
