"""A hold as files: the readings it was judged by as a trace, and its recipe."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.bays.resume import stored_items
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.store import answers
from holdwatch_daemon.store.answers import Mark
from holdwatch_physics.trace_line import TRACE_HEADER, mark_line, trace_line

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable
    from pathlib import Path

    from holdwatch_daemon.store.answers import StoredReading


@dataclass(frozen=True, slots=True)
class ExportedHold:
    """A hold's trace (CSV bytes) and recipe (TOML text)."""

    trace: bytes
    recipe: str


def export_hold(database: Path, hold_id: str) -> ExportedHold:
    """Return the trace and recipe of a hold, running or ended.

    The trace holds the readings up to the verdict's decision, in the order of time; judging it
    by the recipe gives the same verdict. Readings that were stored but not judged are left out.

    Raises:
        StoreError: There is no such hold, or no such database.
    """
    if not database.exists():
        raise StoreError(f"{database}: there is no such database; name its folder with --data")
    connection = answers.connect(database)
    try:
        recipe = answers.recipe_toml(connection, hold_id)
        if recipe is None:
            known = [row.id for row in answers.list_holds(connection, None, 5)]
            newest = ", ".join(known) or "none"
            raise StoreError(f"{database}: no hold {hold_id!r}; the newest are {newest}")
        return ExportedHold(_trace(connection, hold_id), recipe)
    finally:
        connection.close()


def newest_hold(database: Path) -> str:
    """Return the id of the hold that was begun last.

    Raises:
        StoreError: There is no hold, or no such database.
    """
    if not database.exists():
        raise StoreError(f"{database}: there is no such database; name its folder with --data")
    connection = answers.connect(database)
    try:
        newest = answers.list_holds(connection, None, 1)
    finally:
        connection.close()
    if not newest:
        raise StoreError(f"{database}: no hold has been recorded yet")
    return newest[0].id


def _trace(connection: sqlite3.Connection, hold_id: str) -> bytes:
    items = stored_items(connection, hold_id)
    verdict = answers.verdict(connection, hold_id)
    if verdict is None:
        return TRACE_HEADER + b"".join(_line(item) for item in items)
    used, sha256 = int(verdict["readings_used"]), str(verdict["readings_sha256"])
    return _judged_part(items, used, sha256)


def _judged_part(items: Iterable[StoredReading | Mark], used: int, sha256: str) -> bytes:
    """Return the trace up to the decision: ``used`` readings and the marks among them.

    A mark right after the last reading may or may not have come before the decision; the hash
    of what was judged tells.
    """
    lines = [TRACE_HEADER]
    left = used
    after: list[bytes] = []
    for item in items:
        if isinstance(item, Mark):
            (lines if left else after).append(_line(item))
        elif left:
            left -= 1
            lines.append(_line(item))
        else:
            break
    for count in range(len(after) + 1):
        trace = b"".join(lines + after[:count])
        if hashlib.sha256(trace).hexdigest() == sha256:
            return trace
    return b"".join(lines + after)


def _line(item: StoredReading | Mark) -> bytes:
    if isinstance(item, Mark):
        return mark_line(item.t_ns, item.word)
    return trace_line(item.t_ns, item.role, item.value, item.quantity, item.quality)
