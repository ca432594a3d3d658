"""A killed process's holds, judged again from the store and carried on."""

from __future__ import annotations

import heapq
import logging
import sqlite3
import tomllib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.bays.progress import progress_of_stored
from holdwatch_daemon.bays.runner import HoldRunner
from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.store.answers import Mark as StoredMark
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.hold_identity import HoldIdentity
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.holds import Hold, Mark, Readings, RecipeError, load_recipe

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterator

    from holdwatch_daemon.bays.runner import Told
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.messages import HoldProgress
    from holdwatch_daemon.store.answers import HoldRow, Segment, StoredReading
    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_physics.fluids import Fluids
    from holdwatch_physics.reading import Quality, Quantity
    from holdwatch_procedures.holds import HoldEvent

log = logging.getLogger(__name__)

_BEYOND_GAP_NS = 20_000_000_000
"""Two blocks more than a recipe's longest gap: across boots a gap is judged as one, ns."""

_AT_ONCE = 2_000
"""Stored readings that are judged at a time; what comes of them does not depend on it."""


@dataclass(frozen=True, slots=True)
class Replayed:
    """A hold as it stood when its process ended.

    Attributes:
        identity: The hold.
        hold: The state machine after all that is stored.
        events: All that it told on the way.
        told: What of it is in the store as events.
        curve_told: How many curve points are in the store.
        newest_ns: Hold time of the newest reading or mark; None without any.
        newest_utc_ns: Wall-clock time then.
        segments: The boots it ran under.
        readings: How many readings were fed.
        error: What the judging failed with; None where it did not.
    """

    identity: HoldIdentity
    hold: Hold
    events: list[HoldEvent]
    told: frozenset[Told]
    curve_told: int
    newest_ns: int | None
    newest_utc_ns: int
    segments: tuple[Segment, ...]
    readings: int
    error: Exception | None


def replay(connection: sqlite3.Connection, row: HoldRow, fluids: Fluids, version: str) -> Replayed:
    """Judge a stored hold again from its readings and marks, in the order of their times.

    Raises:
        RecipeError: Its stored recipe is not one for this version.
        FluidError: Its refrigerant cannot be computed.
    """
    identity = _identity(connection, row)
    hold = Hold(identity.recipe, fluids, version=version)
    events: list[HoldEvent] = []
    newest_ns: int | None = None
    count = 0
    error: Exception | None = None
    try:
        for batch in _stored_batches(connection, row.id):
            if isinstance(batch, Mark):
                newest_ns = batch.t_ns
            else:
                newest_ns = batch.times_ns[-1]
                count += len(batch.times_ns)
            events += hold.take(batch)
    except sqlite3.Error:
        raise
    except Exception as failure:  # noqa: BLE001 - a hold that cannot be judged must not stop the start
        error = failure
    newest = answers.newest_reading(connection, row.id)
    newest_utc_ns = identity.started_utc_ns + (newest_ns or 0) if newest is None else newest[1]
    return Replayed(
        identity=identity,
        hold=hold,
        events=events,
        told=_told(connection, row.id),
        curve_told=len(answers.hold_curve(connection, row.id)),
        newest_ns=newest_ns,
        newest_utc_ns=newest_utc_ns,
        segments=tuple(answers.segments(connection, row.id)),
        readings=count,
        error=error,
    )


def _stored_batches(connection: sqlite3.Connection, hold_id: str) -> Iterator[Readings | Mark]:
    """Yield what `stored_items` yields, in its order, readings in batches."""
    readings: list[tuple[int, str, Quantity, float, Quality]] = []
    for item in stored_items(connection, hold_id):
        is_mark = isinstance(item, StoredMark)
        if readings and (is_mark or len(readings) == _AT_ONCE):
            yield Readings.of(readings)
            readings = []
        if isinstance(item, StoredMark):
            yield Mark(item.t_ns, item.word)
        else:
            readings.append((item.t_ns, item.role, item.quantity, item.value, item.quality))
    if readings:
        yield Readings.of(readings)


def stored_items(
    connection: sqlite3.Connection, hold_id: str
) -> Iterator[StoredReading | StoredMark]:
    """Yield a hold's judged readings and marks by time; marks first within an instant."""
    marks = sorted(answers.marks(connection, hold_id), key=lambda mark: mark.t_ns)
    readings = answers.judged_readings(connection, hold_id)
    return heapq.merge(marks, readings, key=lambda item: item.t_ns)


def _told(connection: sqlite3.Connection, hold_id: str) -> frozenset[Told]:
    events = answers.hold_events(connection, hold_id)
    return frozenset(
        (event.type, round(event.data["t_s"] * 1e9), str(event.data["text"]))
        for event in events
        if "t_s" in event.data and "text" in event.data
    )


def carry_on(
    replayed: Replayed,
    events: EventLog,
    ids: Ids,
    clock: ServiceClock,
    version: str,
) -> HoldRunner:
    """Return a runner that goes on where the replay ended, and tell of the gap.

    Within one boot the monotonic clock went on and the gap is exact. Across boots only UTC spans
    it: the gap is then made at least as long as one that the recipe does not bridge, so that no
    leak is computed across it.
    """
    now_mono_ns, now_utc_ns = clock.mono_ns(), clock.utc_ns()
    last_ns = replayed.newest_ns or 0
    same = next((s for s in replayed.segments if s.boot == clock.boot_id), None)
    if same is not None:
        zero_ns = same.zero_mono_ns
    else:
        by_utc_ns = now_utc_ns - replayed.newest_utc_ns
        shortest_ns = round(replayed.identity.recipe.limits.max_gap_min * 60e9) + _BEYOND_GAP_NS
        zero_ns = now_mono_ns - (last_ns + max(by_utc_ns, shortest_ns))
    runner = HoldRunner(
        replayed.identity,
        replayed.hold,
        events,
        clock.utc_ns,
        zero_mono_ns=zero_ns,
        told=replayed.told,
        curve_told=replayed.curve_told,
        newest_ns=replayed.newest_ns,
        version=version,
    )
    identity = replayed.identity
    data = {
        "hold": identity.id,
        "gap_s": (now_mono_ns - zero_ns - last_ns) / 1e9,
        "readings": replayed.readings,
        "same_boot": same is not None,
        "text": _gap_text(same_boot=same is not None),
    }

    def work(telling: Telling) -> None:
        if same is None:
            boot = ids.boot(telling.connection, now_utc_ns)
            rows.insert_segment(telling.connection, identity.id, boot, zero_ns, now_mono_ns)
        telling.tell(Draft("holdwatch.hold.resumed", now_utc_ns, data, identity.bay, identity.id))

    events.transact(work)
    log.info("bay %s hold %s resumed after %.0f s", identity.bay, identity.id, data["gap_s"])
    if replayed.error is not None:
        runner.fail(replayed.error)
    runner.tell_untold(replayed.events)
    return runner


def give_up(row: HoldRow, why: str, events: EventLog, utc_ns: int) -> asyncio.Future[None]:
    """End a hold that cannot be carried on: its recipe is not one for this version."""
    text = f"Inconclusive: it cannot be carried on ({why})."
    draft = Draft("holdwatch.hold.stopped", utc_ns, {"hold": row.id, "text": text}, row.bay, row.id)
    log.error("bay %s hold %s: %s", row.bay, row.id, text)

    def work(telling: Telling) -> None:
        rows.abandon_hold(telling.connection, row.id, rfc3339(utc_ns), text)
        telling.tell(draft)

    return events.transact(work)


def _gap_text(*, same_boot: bool) -> str:
    if same_boot:
        return "The service was down; the hold goes on and the missing readings count as a gap."
    return (
        "The machine was started anew; only the wall clock spans the gap, so it counts as one "
        "that cannot be bridged."
    )


def last_finished(connection: sqlite3.Connection, bay: str) -> HoldProgress | None:
    """Return how a bay's newest finished hold ended, from the store.

    None where there is none, or where its recipe is not one for this version.
    """
    row = answers.last_hold(connection, bay)
    verdict = None if row is None else answers.verdict(connection, row.id)
    if row is None or verdict is None:
        return None
    try:
        identity = _identity(connection, row)
    except RecipeError as error:
        log.warning("hold %s cannot be shown: %s", row.id, error)
        return None
    return progress_of_stored(identity, row, verdict, answers.end_t_ns(connection, row.id) / 1e9)


def _identity(connection: sqlite3.Connection, row: HoldRow) -> HoldIdentity:
    toml = answers.recipe_toml(connection, row.id) or ""
    return HoldIdentity(
        id=row.id,
        bay=row.bay,
        unit=row.unit,
        recipe=load_recipe(tomllib.loads(toml), where=f"recipe of hold {row.id}"),
        channels=answers.hold_channels(connection, row.id),
        started_utc_ns=answers.started_utc_ns(connection, row.id),
    )
