"""Reports out of the store, and the check of one against it: what differs, and where."""

from __future__ import annotations

import hashlib
import math
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.bays.export import export_hold
from holdwatch_daemon.bays.resume import replay
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.jobs.holds import hold_entry, report_curve
from holdwatch_daemon.store import answers
from holdwatch_procedures.holds import RecipeError, curve_of
from holdwatch_procedures.vehicles import VehicleError, differences, report_of

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable, Iterator
    from datetime import date

    from holdwatch_daemon.jobs.access import Page, Story, StoryBook
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.vehicles import HoldEntry, Job, Report, Tables

__all__ = ["against_store", "make_report", "note_file", "noted_file"]


def make_report(
    book: StoryBook, visit: str, tables: Tables, *, made_on: date, version: str
) -> Report:
    """Return the report of a visit.

    Raises:
        VehicleError: No such visit, or rows that the tables do not know.
    """
    story, order = book.visit(visit)
    return _report(book, story, order, tables, made_on=made_on, version=version)


def note_file(page: Page, report: Report, kind: str, content: bytes) -> None:
    """Note a report's file that is handed out, so that it is known again whatever it shows."""
    page.connection.execute(
        "INSERT INTO report_files VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (
            hashlib.sha256(content).hexdigest(),
            report.content_sha256,
            kind,
            report.shop.work_order.number,
            page.now,
            report.to_json(),
        ),
    )


def noted_file(book: StoryBook, content: bytes) -> str | None:
    """Return the JSON of the report that a file was made of; None for a file not made here."""
    sha256 = hashlib.sha256(content).hexdigest()

    def look(connection: sqlite3.Connection) -> str | None:
        row = connection.execute(
            "SELECT body FROM report_files WHERE file_sha256 = ?", (sha256,)
        ).fetchone()
        return None if row is None else str(row[0])

    return book.ask(look)


def against_store(
    book: StoryBook, report: Report, tables: Tables, fluids: Callable[[], Fluids]
) -> list[str]:
    """Return every place at which a report and the store differ; empty where they agree.

    Args:
        book: The store.
        report: A report whose own hash is right.
        tables: The shop's tables.
        fluids: Loads the fluid properties; only called to find where changed readings begin.
    """
    number = report.shop.work_order.number
    try:
        story, order = book.visit(number)
        rebuilt = _report(book, story, order, tables, made_on=report.made_on, version="check")
        told = differences(report, rebuilt)
    except VehicleError as error:
        told = [str(error)]
    for hold in report.shop.work_order.holds:
        told += _hold_differences(book, hold, report.version, fluids)
    return told + list(_photographs(book, report))


def _report(
    book: StoryBook, story: Story, order: Job, tables: Tables, *, made_on: date, version: str
) -> Report:
    curves = book.ask(
        lambda c: {hold.hold_id: report_curve(c, hold.hold_id) for hold in order.holds}
    )
    return report_of(
        order,
        story.unit,
        story.visits,
        tables,
        made_on=made_on,
        version=version,
        curves=curves,
    )


def _hold_differences(
    book: StoryBook, cited: HoldEntry, version: str, fluids: Callable[[], Fluids]
) -> list[str]:
    """Compare what is cited of a hold with its verdict, and that with the readings."""
    if cited.judged_elsewhere:  # a statement; that the store does not hold it was compared before
        return []
    where = f"hold {cited.hold_id}"
    try:
        stored = book.ask(
            lambda c: hold_entry(
                c, cited.hold_id, section=cited.section, after_repair=cited.after_repair
            )
        )
    except (VehicleError, StoreError, RecipeError) as error:
        return [f"{where}: {error}"]
    told = []
    for key, said in cited.model_dump(mode="json").items():
        kept = stored.model_dump(mode="json")[key]
        if said != kept:
            told.append(f"{where}, verdict, {key}: the report says {said}, the store {kept}")
    row = book.ask(lambda c: answers.hold(c, cited.hold_id))
    if row is not None and row.outcome != stored.outcome:
        told.append(f"{where}: the list of holds says {row.outcome}, its verdict {stored.outcome}")
    if cited.readings_sha256 is None:
        return told
    try:
        trace = export_hold(book.database, cited.hold_id).trace
    except (StoreError, RecipeError) as error:
        return [*told, f"{where}, readings: {error}"]
    found = hashlib.sha256(trace).hexdigest()
    if found != cited.readings_sha256:
        begin = _first_change(book, cited.hold_id, version, fluids)
        told.append(
            f"{where}, readings: those in the store are not those that were judged{begin} "
            f"(SHA-256 {found[:12]}…, judged {cited.readings_sha256[:12]}…)"
        )
    return told


def _first_change(book: StoryBook, hold_id: str, version: str, fluids: Callable[[], Fluids]) -> str:
    """Say at which time of a hold its stored curve parts from what its readings now give."""

    def judged_again(connection: sqlite3.Connection) -> tuple[list[Any], list[Any]]:
        row = answers.hold(connection, hold_id)
        if row is None:
            return [], []
        replayed = replay(connection, row, fluids(), version)
        events = [*replayed.events, *replayed.hold.finish()]
        now = [point.to_dict() for point in curve_of(events)]
        return answers.hold_curve(connection, hold_id), now

    kept, now = book.ask(judged_again)
    for before, after in zip(kept, now, strict=False):
        if any(_parts(before.get(key), after.get(key)) for key in ("pressure_pa", "temperature_k")):
            return f", from about {before['t_s'] / 60:.1f} min of the hold on"
    return ""


def _parts(kept: float | None, now: float | None) -> bool:
    """Whether two figures of a curve differ by more than the last bits."""
    if kept is None or now is None:
        return kept is not now
    return not math.isclose(kept, now, rel_tol=1e-12, abs_tol=1e-12)


def _photographs(book: StoryBook, report: Report) -> Iterator[str]:
    for finding in report.shop.work_order.findings:
        for sha256 in finding.photographs:
            path = book.photo_folder / sha256
            where = f"photograph {sha256[:12]}… of {finding.place}"
            if not path.exists():
                yield f"{where}: it is missing from {book.photo_folder}"
            elif hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
                yield f"{where}: the picture in {book.photo_folder} is another one"
