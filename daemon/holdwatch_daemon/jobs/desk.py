"""Where a story is worked on: the book, the shop's tables, and a change made once for its id."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

from holdwatch_daemon.jobs.book import StoryBook
from holdwatch_daemon.store import rows
from holdwatch_procedures.vehicles.follow_through import cautions_for
from holdwatch_procedures.vehicles.overview import FILES, Tables, read_tables
from holdwatch_procedures.vehicles.validation import RefusedError, VehicleError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from holdwatch_daemon.jobs.book import Page
    from holdwatch_daemon.store.transactions import Transactions
    from holdwatch_procedures.vehicles.follow_through import Act
    from holdwatch_procedures.vehicles.vehicle import Vehicle

T = TypeVar("T")

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
    work: Callable[[Page], Mapping[str, str | None]],
) -> dict[str, str | None]:
    """Carry out a change once for its id; the same id gets what it got then.

    Args:
        desk: Where.
        command_id: The sender's own id of the change; None makes it each time.
        body: What the change is, to tell a repeated one from another under the same id.
        work: Makes it inside a transaction; returns what is to be told.

    Raises:
        RefusedError: The id belongs to another change.
        VehicleError: The change is not possible; nothing was written.
    """
    said = json.dumps(body, sort_keys=True, ensure_ascii=False)

    def change(page: Page) -> dict[str, str | None]:
        if command_id is not None and (known := _known(page, command_id, said)) is not None:
            return known
        told = dict(work(page))
        if command_id is not None:
            rows.insert_command(
                page.connection,
                STORY,
                command_id,
                time=page.now,
                by="http",
                body=said,
                reply=json.dumps(told, ensure_ascii=False),
            )
        return told

    return desk.book.write(change)


def _known(page: Page, command_id: str, said: str) -> dict[str, str | None] | None:
    row = page.connection.execute(
        "SELECT body, reply FROM commands WHERE bay = ? AND id = ?", (STORY, command_id)
    ).fetchone()
    if row is None:
        return None
    if row["body"] != said:
        raise RefusedError(
            f"the id {command_id!r} belongs to another change already: give each one its own"
        )
    known: dict[str, str | None] = json.loads(row["reply"])
    return known
