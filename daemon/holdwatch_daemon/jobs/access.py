"""Reads and changes the vehicles and jobs of a store, by the shop's own tables.

A change runs in a transaction of the store's one writer; see ``store.transactions``.
"""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import answers, rows, schema
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.transactions import OwnTransactions
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.vehicles import (
    FILES,
    NotKnownError,
    RefusedError,
    Tables,
    VehicleError,
    cautions_for,
    read_tables,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from holdwatch_daemon.store.events import Telling
    from holdwatch_daemon.store.transactions import Transactions
    from holdwatch_daemon.store.vehicles import StoredVehicle
    from holdwatch_procedures.vehicles import Act, Job, Vehicle

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Story:
    """A unit with all its visits, the oldest first."""

    unit: Vehicle
    visits: tuple[Job, ...]

    def visit(self, number: str) -> Job:
        """Return one of its visits, which must exist."""
        return next(visit for visit in self.visits if visit.number == number)

    def with_job(self, job: Job) -> Story:
        """Return the history with one of its jobs as it now is."""
        kept = [job if known.number == job.number else known for known in self.visits]
        return Story(self.unit, tuple(kept))


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
        """Write a unit and tell it; see ``store.vehicles.put_vehicle``."""
        number = stored_vehicles.put_vehicle(self.connection, unit, self.now, vehicle_id=unit_id)
        self._tell(unit.name, None, what)
        return number

    def put_visit(self, order: Job, what: str, *, change: Mapping[str, Any] | None = None) -> None:
        """Write a job and tell it, with the change that was made where it is one of the union.

        Raises:
            VehicleError: Its unit is not known.
        """
        known = stored_vehicles.vehicle_of_job(self.connection, order.number)
        named = stored_vehicles.vehicle_named(self.connection, order.unit)
        if known is not None and named is not None and known.id != named.id:
            raise RefusedError(
                f"work order {order.number} is one of {known.vehicle.name}, not of "
                f"{named.vehicle.name}: give it another number"
            )
        # A vehicle that was renamed since keeps its visits under the name of then.
        stored = known or self.unit(order.unit)
        stored_vehicles.put_job(self.connection, order, stored.id, self.now)
        name = stored.vehicle.name
        self._tell(name, order.number, what)
        data = {"vehicle": name, "job": order.number, "what": what, "change": change}
        draft = Draft("holdwatch.job.changed", self.utc_ns, data, subject=f"vehicle/{name}")
        self._telling.tell(draft)

    def unit(self, identifier: str) -> StoredVehicle:
        """Return the unit that goes by an identifier.

        Raises:
            VehicleError: There is none.
        """
        return _known_unit(self.connection, identifier)

    def history(self, identifier: str) -> Story:
        """Return the history of the vehicle that goes by an identifier.

        Raises:
            VehicleError: There is none.
        """
        return _story(self.connection, self.unit(identifier))

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
        self._prepared = False

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
        if not self._prepared:
            self._prepare()
            self._prepared = True
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


STORY: Final = "/story"
"""Stands for the bay where a story's command is kept; no bay can be called so."""


@dataclass(frozen=True, slots=True)
class StoryDesk:
    """The book, and the tables that the shop judges its stories by."""

    book: StoryBook
    tables: Tables

    def warnings(self, act: Act, unit: Vehicle) -> tuple[str, ...]:
        """Return the cautions to show where an act on a unit is begun."""
        return cautions_for(act, self.tables.follow_through, flammable=unit.is_flammable)


def read_shop_tables(folder: Path) -> Tables:
    """Return the tables that a shop keeps in its data folder, else those that are shipped.

    Raises:
        VehicleError: A table cannot be read, or is wrong.
    """
    texts = {}
    for name in FILES:
        path = folder / name
        try:
            if path.exists():
                texts[name] = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as error:
            raise VehicleError(f"{path}: cannot be read: {error}") from error
    return read_tables(texts)


def open_desk(
    database: Path, utc_ns: Callable[[], int], transactions: Transactions | None = None
) -> StoryDesk:
    """Return the desk over a database, with the tables that lie beside it; see ``StoryBook``.

    Raises:
        VehicleError: A table cannot be read, or is wrong.
    """
    return StoryDesk(StoryBook(database, utc_ns, transactions), read_shop_tables(database.parent))


def once(
    desk: StoryDesk,
    command_id: str | None,
    body: Mapping[str, Any],
    work: Callable[[Page], str],
    then: Callable[[Page, str], T],
) -> T:
    """Carry out a change once for its id; the same id gets what it got then.

    Args:
        desk: Where.
        command_id: The sender's own id of the change; None makes it each time.
        body: What the change is, to tell a repeated one from another under the same id.
        work: Makes it inside a transaction; returns the name of what was changed.
        then: Reads, in the same transaction, what is to be returned of that.

    Raises:
        RefusedError: The id belongs to another change.
        VehicleError: The change is not possible; nothing was written.
    """
    said = json.dumps(body, sort_keys=True, ensure_ascii=False)

    def change(page: Page) -> T:
        if command_id is not None and (known := _known(page, command_id, said)) is not None:
            return then(page, known)
        name = work(page)
        if command_id is not None:
            rows.insert_command(
                page.connection,
                STORY,
                command_id,
                time=page.now,
                by="http",
                body=said,
                reply=json.dumps({"name": name}, ensure_ascii=False),
            )
        return then(page, name)

    return desk.book.write(change)


def _known(page: Page, command_id: str, said: str) -> str | None:
    """Return the name of what a repeated command changed; None for a new one."""
    row = page.connection.execute(
        "SELECT body, reply FROM commands WHERE bay = ? AND id = ?", (STORY, command_id)
    ).fetchone()
    if row is None:
        return None
    if row["body"] != said:
        raise RefusedError(
            f"the id {command_id!r} belongs to another change already: give each one its own"
        )
    reply = json.loads(row["reply"])
    return str(next(iter(reply.values())))  # earlier versions kept it as `visit` or `vehicle`


def _story(connection: sqlite3.Connection, stored: StoredVehicle) -> Story:
    return Story(stored.vehicle, tuple(stored_vehicles.jobs_of(connection, stored.id)))


def _known_unit(connection: sqlite3.Connection, identifier: str) -> StoredVehicle:
    stored = stored_vehicles.vehicle_named(connection, identifier)
    if stored is not None:
        return stored
    close = [
        found.vehicle.name
        for found in stored_vehicles.find_vehicles(connection, identifier, limit=5)
    ]
    hint = f"; close to it: {', '.join(close)}" if close else ""
    raise NotKnownError(
        f"no vehicle goes by {identifier!r}{hint}: look it up in the list, or add it",
        at_terminal="holdwatch vehicle list, holdwatch vehicle add",
    )


def _visit(connection: sqlite3.Connection, name: str) -> tuple[Story, Job]:
    stored = stored_vehicles.vehicle_of_job(connection, name)
    if stored is not None:
        story = _story(connection, stored)
        return story, story.visit(name)
    stored = stored_vehicles.vehicle_named(connection, name)
    if stored is None:
        raise NotKnownError(
            f"{name!r} is neither the number of a visit nor a vehicle: open a visit first",
            at_terminal="holdwatch job open VEHICLE",
        )
    story = _story(connection, stored)
    still_open = [visit for visit in story.visits if visit.closed_on is None]
    if len(still_open) == 1:
        return story, still_open[0]
    numbers = ", ".join(visit.number for visit in still_open or story.visits[-5:])
    if still_open:
        raise RefusedError(f"{stored.vehicle.name} has several open visits: name one of {numbers}")
    known = f"; its visits: {numbers}" if numbers else ""
    raise RefusedError(
        f"{stored.vehicle.name} has no open visit{known}: open one",
        at_terminal=f"holdwatch job open {stored.vehicle.name}",
    )
