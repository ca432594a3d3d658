"""Replaces a damaged database by a new one, at a start and while the service runs alike.

The damaged file is set aside under a dated name and event numbers go on. A hold that was running
has lost its first readings: it ends inconclusive, in the new file, saying so. Nothing of the
damaged file is deleted; ``holdwatch salvage`` recovers what can be read.
"""

from __future__ import annotations

import contextlib
import logging
import sqlite3
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store.counters import newest_numbers, raise_floors
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.hold_identity import insert_begun
from holdwatch_daemon.store.opening import (
    DamagedError,
    Opened,
    is_damage,
    open_database,
    open_locked,
)
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.wording import as_written

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.store.bay import RecordedBay, RunningHold
    from holdwatch_daemon.store.counters import EventNumbers
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.rows import Ids

log = logging.getLogger(__name__)

LOOK_S: Final = 1.0
"""How long a start looks for damage, s; a large file is looked at in part."""
SIDES: Final = ("", "-wal", "-shm")
"""What belongs to a SQLite file in WAL mode, as the end of its name."""


@dataclass(frozen=True, slots=True)
class SetAside:
    """A database that was set aside.

    Attributes:
        path: Where it lies now.
        why: What was found.
        numbers: The newest event numbers that could still be read in it, by bay.
    """

    path: Path
    why: str
    numbers: Mapping[str, int]

    @property
    def text(self) -> str:
        """What people are told."""
        return (
            f"The database was damaged ({self.why}). It was set aside as {self.path.name} and a "
            f"new one begun; `holdwatch salvage {self.path} --out NEW` recovers what can be read."
        )


def find_damage(connection: sqlite3.Connection, within_s: float = LOOK_S) -> str | None:
    """Return what is wrong with a file, or None where nothing was found in that time."""
    timer = threading.Timer(within_s, connection.interrupt)
    timer.start()
    try:
        found = [str(row[0]) for row in connection.execute("PRAGMA quick_check(5)")]
    except sqlite3.OperationalError as error:
        if "interrupted" in str(error):
            return None
        return str(error) if is_damage(error) else None
    except sqlite3.DatabaseError as error:
        return str(error)
    finally:
        timer.cancel()
        timer.join()
    # A page that nothing uses loses room, and no row.
    lines = [line for each in found for line in each.splitlines()]
    wrong = [
        line.strip()
        for line in lines
        if line.strip() not in {"ok", "*** in database main ***"} and "never used" not in line
    ]
    return wrong[0] if wrong else None


def set_aside(path: Path, utc_ns: int, why: str) -> SetAside:
    """Move a database out of the way, with what belongs to it; nothing of it is deleted.

    Raises:
        StoreError: It cannot be moved.
    """
    stamp = rfc3339(utc_ns).partition(".")[0].replace("-", "").replace(":", "")
    name = f"{path.name}.damaged-{stamp}Z"
    target = path.with_name(name)
    count = 1
    while any(target.with_name(target.name + side).exists() for side in SIDES):
        count += 1
        target = path.with_name(f"{name}-{count}")
    try:
        for side in SIDES:
            part = path.with_name(path.name + side)
            if part.exists():
                part.rename(target.with_name(target.name + side))
    except OSError as error:
        message = f"{path}: damaged ({why}), and it cannot be set aside: {error.strerror}"
        raise StoreError(message) from error
    log.error("database %s is damaged (%s): set aside as %s", path, why, target.name)
    return SetAside(target, why, _numbers(target))


def open_or_begin(path: Path, utc_ns: int, told: EventNumbers) -> tuple[Opened, SetAside | None]:
    """Open the database for writing; where it is damaged, set it aside and begin a new one.

    Args:
        path: The SQLite file.
        utc_ns: The present time, ns since 1970 UTC.
        told: The newest event numbers that were told: numbering goes on behind them.

    Raises:
        StoreError: The file cannot be used for another reason.
    """
    now = rfc3339(utc_ns)
    aside: SetAside | None = None
    try:
        opened = open_database(path, now)
        why = find_damage(opened.connection)
        if why is not None:
            opened.connection.close()
            opened.lock.release()
    except DamagedError as error:
        why = error.found
    if why is not None:
        aside = set_aside(path, utc_ns, why)
        opened = open_database(path, now)
    floors = told.read()
    for bay, number in ({} if aside is None else aside.numbers).items():
        floors[bay] = max(floors.get(bay, 0), number)
    raised = raise_floors(opened.connection, floors)
    if raised and aside is None:
        log.warning(
            "database %s ends before the newest event that was told: numbers go on behind it", path
        )
    return opened, aside


def _numbers(path: Path) -> dict[str, int]:
    """Return the newest event numbers of a damaged file, where they can be read."""
    with contextlib.suppress(sqlite3.Error):
        # Read only: what was set aside stays as it is.
        connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
        try:
            return newest_numbers(connection)
        finally:
            connection.close()
    return {}


STORE = "store"
"""The alarm's kind."""


def tell_set_aside(
    aside: SetAside, events: EventLog, bays: Mapping[str, RecordedBay], utc_ns: int
) -> asyncio.Future[None]:
    """Tell that a damaged file was set aside: an event, and an alarm that stands in every bay."""
    data = {"file": aside.path.name, "why": aside.why, "text": aside.text}
    told = events.tell(Draft("holdwatch.store.set_aside", utc_ns, data))
    for bay in bays.values():
        bay.alarms.raise_(STORE, as_written(aside.text), utc_ns)
        bay.alarms.cause_gone(STORE, utc_ns)  # it stands until somebody has seen it
    return told


class Recovery:
    """Mends a writer whose file is damaged; see ``Writer.mend``.

    Args:
        database: The SQLite file.
        database_id: Its id, which the new file takes over: it carries on its numbers.
        ids: The store's numbers, which begin anew.
        clock: Stamps what is told.
        told: The newest event numbers.
        loop: Where ``after`` is called.
        bays: The bays, whose running holds are written into the new file.
        simulated: Whether those holds are simulated.
        version: The software's.
        after: Called on the loop once the new file is there.
    """

    def __init__(
        self,
        database: Path,
        database_id: str,
        ids: Ids,
        clock: ServiceClock,
        told: EventNumbers,
        loop: asyncio.AbstractEventLoop,
        bays: Callable[[], Mapping[str, RecordedBay]],
        *,
        simulated: bool,
        version: str,
        after: Callable[[SetAside], None],
    ) -> None:
        self._database = database
        self._database_id = database_id
        self._ids = ids
        self._clock = clock
        self._told = told
        self._loop = loop
        self._bays = bays
        self._simulated = simulated
        self._version = version
        self._after = after

    def mend(self, connection: sqlite3.Connection, error: Exception) -> sqlite3.Connection:
        """Set the file aside and return a connection to a new one; in the writer's thread.

        Where that cannot be done either, the connection is one to what lies there.
        """
        now = self._clock.utc_ns()
        with contextlib.suppress(sqlite3.Error):
            connection.close()
        try:
            aside = set_aside(self._database, now, str(error))
            fresh, _, _ = open_locked(self._database, rfc3339(now))
        except StoreError as problem:
            log.error("no new database could be begun: %s", problem)  # noqa: TRY400 - said whole
            return sqlite3.connect(self._database, isolation_level=None, check_same_thread=False)
        self._ids.forget()
        self._ids.rolled_ns = None
        fresh.execute("BEGIN IMMEDIATE")
        fresh.execute("UPDATE about SET value = ? WHERE key = 'database_id'", [self._database_id])
        floors = self._told.read()
        for bay, number in aside.numbers.items():
            floors[bay] = max(floors.get(bay, 0), number)
        raise_floors(fresh, floors)
        for each in self._bays().values():
            if each.runner is not None:
                self._begin_again(fresh, each.runner)
        fresh.execute("COMMIT")
        self._loop.call_soon_threadsafe(self._after, aside)
        return fresh

    def _begin_again(self, connection: sqlite3.Connection, runner: RunningHold) -> None:
        """Write a running hold into the new file, so that its end has a place there."""
        insert_begun(
            connection,
            runner.identity,
            self._ids.boot(connection, self._clock.utc_ns()),
            (runner.zero_mono_ns, self._clock.mono_ns()),
            simulated=self._simulated,
            version=self._version,
        )


def end_holds(aside: SetAside, bays: Mapping[str, RecordedBay]) -> None:
    """End the holds that were running when their record was set aside: never a pass."""
    for bay in bays.values():
        if bay.runner is not None:
            bay.runner.break_off(
                "Inconclusive: the record was damaged while it ran; hold again.",
                f"Its readings up to then lie in {aside.path.name} ({aside.why}).",
            )
            bay.runner.finish()
