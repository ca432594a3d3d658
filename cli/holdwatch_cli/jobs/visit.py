"""``holdwatch visit``: what is done and found at a visit, and what it must still answer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.desk import day_of
from holdwatch_cli.jobs.running_service import at
from holdwatch_cli.jobs.visit_words import open_lines, suspect_lines, visit_lines
from holdwatch_daemon.jobs.changes import (
    add_finding,
    add_row,
    answer_point,
    close_visit,
    dye_warning,
    open_visit,
    reopen_visit,
)
from holdwatch_daemon.jobs.photos import store_photograph
from holdwatch_daemon.jobs.views import VisitView, answer_sentence, visit_view
from holdwatch_procedures.vehicles.follow_through import Act

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_daemon.jobs.book import Page, Story
    from holdwatch_procedures.vehicles.job import Job


def run_open(desk: Desk, vehicle: str, *, complaint: str, number: str | None, on: date) -> int:
    """Begin a visit; print its number and where to start the search."""
    if desk.service is not None:
        body = {"complaint": complaint, "number": number, "on": on.isoformat()}
        told = desk.service.change(at("vehicles", vehicle, "visits"), body)
        given = str(told["visit"]["number"])
    else:
        given = desk.book.write(
            lambda page: open_visit(page, vehicle, complaint=complaint, number=number, on=on)
        )
    story, order = desk.book.visit(given)
    view = visit_view(desk, story, order, today=day_of(None))
    text = [f"Visit {given} of {story.unit.name} is open.", *view.dye]
    if view.start_with_lamp:
        text += desk.cautions(Act.LAMP, story.unit)
    return _answer(desk, view, [*text, *suspect_lines(view)])


def run_add(
    desk: Desk,
    name: str,
    field: str,
    row: Mapping[str, Any] | str,
    *,
    what: str,
    before: Sequence[str] = (),
    act: Act | None = None,
) -> int:
    """Write one row more into a visit.

    Args:
        desk: Where.
        name: The visit's number, or the vehicle with one open visit.
        field: The field of ``Job``.
        row: The row.
        what: What was done, for people and events.
        before: Lines that stand before the answer.
        act: The act whose cautions are shown.
    """
    body = {"text": row} if isinstance(row, str) else row
    story, order = desk.change_visit(
        name, field, body, lambda page: add_row(desk, page, name, field, row, what)
    )
    cautions = [] if act is None else desk.cautions(act, story.unit)
    return _done(desk, story, order, [*before, *cautions, f"{order.number}: {what}."])


def run_find(desk: Desk, name: str, row: dict[str, Any], photographs: Sequence[Path]) -> int:
    """Write a finding with its pictures; print the suspects as they now stand."""
    pictures = [(path.name, _picture(path)) for path in photographs]
    folder = desk.book.photo_folder

    def find(page: Page) -> tuple[Story, Job]:
        kept = [store_photograph(page, folder, content, called) for called, content in pictures]
        finding = {**row, "photographs": [photo.sha256 for photo in kept]}
        return add_finding(desk, page, name, finding)

    sent = [desk.service.keep_picture(*picture) for picture in pictures] if desk.service else []
    story, order = desk.change_visit(name, "findings", {**row, "photographs": sent}, find)
    words = "found" if row["points"] == "for" else "nothing found"
    view = visit_view(desk, story, order, today=day_of(None))
    text = [f"{order.number}: {row['place']} by {row['means']}: {words}.", *suspect_lines(view)]
    return _answer(desk, view, text)


def run_dye(desk: Desk, name: str, row: dict[str, Any], *, on: date) -> int:
    """Write dye into the ledger; warn of too much."""
    story, _ = desk.book.visit(name)
    warning = dye_warning(story, more_ml=row["amount_ml"], on=on)
    before = [] if warning is None else [f"! {warning}"]
    what = f"{row['amount_ml']:g} ml of {row['dye']} {row['way']}"
    return run_add(desk, name, "dye", row, what=what, before=before)


def run_answer(desk: Desk, name: str, row: dict[str, Any]) -> int:
    """Answer a point of the follow-through, in place of an earlier answer to it."""
    story, order = desk.change_visit(
        name, "answers", row, lambda page: answer_point(desk, page, name, row)
    )
    view = visit_view(desk, story, order, today=day_of(None))
    text = [f"{order.number}: {answer_sentence(view, row['point'], row['answer'])}"]
    text += open_lines(view)
    return _answer(desk, view, text)


def run_close(desk: Desk, name: str, *, on: date) -> int:
    """Close a visit whose follow-through is answered; refused, with each point that is open."""
    story, order = desk.change_visit(
        name,
        "close",
        {"on": on.isoformat()},
        lambda page: close_visit(desk, page, name, on=on),
    )
    return _done(desk, story, order, [f"Visit {order.number} is closed."])


def run_reopen(desk: Desk, name: str) -> int:
    """Open a closed visit again, to mend what was written down."""
    story, order = desk.change_visit(name, "reopen", {}, lambda page: reopen_visit(page, name))
    return _done(desk, story, order, [f"Visit {order.number} is open again."])


def run_show(desk: Desk, name: str) -> int:
    """Print a visit with its suspects and open points."""
    story, order = desk.book.visit(name)
    view = visit_view(desk, story, order, today=day_of(None))
    text = [*visit_lines(desk, story, order), *suspect_lines(view)]
    return _answer(desk, view, [*text, *open_lines(view, cautions=True)])


def _done(desk: Desk, story: Story, order: Job, text: Sequence[str]) -> int:
    return _answer(desk, visit_view(desk, story, order, today=day_of(None)), text)


def _answer(desk: Desk, view: VisitView, text: Sequence[str]) -> int:
    return desk.answer(view.model_dump(mode="json"), text)


def _picture(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error
