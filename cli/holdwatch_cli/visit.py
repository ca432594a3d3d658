"""``holdwatch visit``: what is done and found at a visit, and what it must still answer."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Any

from holdwatch_cli.errors import UserError
from holdwatch_cli.visit_words import open_lines, suspect_lines, visit_lines
from holdwatch_daemon.store import story_rows
from holdwatch_procedures.story.dye import too_much_after
from holdwatch_procedures.story.evidence import weigh
from holdwatch_procedures.story.follow_through import Act, check_closable
from holdwatch_procedures.story.overview import (
    dye_ledger,
    dye_on,
    open_points_of,
    sections_of,
    suspects,
)
from holdwatch_procedures.story.rows import StoryError, load_row
from holdwatch_procedures.story.work_orders import Finding, WorkOrder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from holdwatch_cli.story_desk import Desk
    from holdwatch_daemon.story_book import Page, Story


def run_open(desk: Desk, vehicle: str, *, complaint: str, number: str | None, on: date) -> int:
    """Begin a visit; print its number and where to start the search."""
    with desk.book.writing() as page:
        unit = page.unit(vehicle).unit
        given = number or story_rows.new_number(page.connection, on.year)
        if story_rows.unit_of_work_order(page.connection, given) is not None:
            raise StoryError(f"there is a visit {given} already: choose another --number")
        fields = {"number": given, "unit": unit.name, "opened_on": on, "complaint": complaint}
        page.put_visit(load_row(WorkOrder, fields, where="visit"), "visit opened")
    story = desk.book.story(vehicle)
    dye = dye_on(on, unit, story.visits)
    text = [f"Visit {given} of {unit.name} is open.", *dye.sentences]
    if dye.start_with_lamp:
        text += desk.cautions(Act.LAMP, unit)
    text += suspect_lines(desk, story, None)
    told = visit_content(desk, story, story.visit(given)) | {"dye": list(dye.sentences)}
    return desk.answer(told, text)


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
        field: The field of ``WorkOrder``.
        row: The row.
        what: What was done, for people and events.
        before: Lines that stand before the answer.
        act: The act whose cautions are shown.
    """

    def change(_story: Story, order: WorkOrder) -> Mapping[str, Any]:
        known = order.model_dump(mode="json")[field]
        return {field: [*known, row]}

    with desk.book.writing() as page:
        story, order = changed(page, name, change, what)
        check_places(desk, story, order)
    cautions = [] if act is None else desk.cautions(act, story.unit)
    text = [*before, *cautions, f"{order.number}: {what}."]
    return desk.answer(visit_content(desk, story, order), text)


def run_find(
    desk: Desk, name: str, row: dict[str, Any], photographs: Sequence[Path], *, what: str
) -> int:
    """Write a finding with its pictures; print the suspects as they now stand."""
    hashes = []
    for path in photographs:
        picture = _picture(path)
        sha256 = hashlib.sha256(picture).hexdigest()
        hashes.append(sha256)
        desk.book.photo_folder.mkdir(parents=True, exist_ok=True)
        (desk.book.photo_folder / sha256).write_bytes(picture)
    finding = load_row(Finding, {**row, "photographs": hashes}, where="finding")
    weigh(finding, desk.tables.likelihoods)  # means and conditions must be in the table

    def change(_story: Story, order: WorkOrder) -> Mapping[str, Any]:
        known = order.model_dump(mode="json")["findings"]
        return {"findings": [*known, finding.model_dump(mode="json")]}

    with desk.book.writing() as page:
        story, order = changed(page, name, change, what)
        check_places(desk, story, order)
        for path, sha256 in zip(photographs, hashes, strict=True):
            page.connection.execute(
                "INSERT INTO photographs VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                (sha256, path.name, (desk.book.photo_folder / sha256).stat().st_size, page.now),
            )
    text = [f"{order.number}: {what}.", *suspect_lines(desk, story, order.number)]
    return desk.answer(visit_content(desk, story, order), text)


def run_dye(desk: Desk, name: str, row: dict[str, Any], *, on: date) -> int:
    """Write dye into the ledger; warn of too much."""
    story, _ = desk.book.visit(name)
    warning = too_much_after(
        dye_ledger(story.visits), more_ml=row["amount_ml"], on=on, oil_ml=story.unit.oil.amount_ml
    )
    before = [] if warning is None else [f"! {warning}"]
    what = f"{row['amount_ml']:g} ml of {row['dye']} {row['way']}"
    return run_add(desk, name, "dye", row, what=what, before=before)


def run_answer(desk: Desk, name: str, row: dict[str, Any]) -> int:
    """Answer a point of the follow-through, in place of an earlier answer to it."""
    known = [point.key for point in desk.tables.follow_through.points]
    if row["point"] not in known:
        raise UserError(f"{row['point']!r} is no point: write one of {', '.join(known)}")

    def change(_story: Story, order: WorkOrder) -> Mapping[str, Any]:
        others = [a for a in order.model_dump(mode="json")["answers"] if a["point"] != row["point"]]
        return {"answers": [*others, row]}

    with desk.book.writing() as page:
        story, order = changed(page, name, change, f"{row['point']}: {row['answer']}")
    left = open_points_of(order, story.unit, story.visits, desk.tables)
    text = [f"{order.number}: {row['point']}: {row['answer']}.", *open_lines(left)]
    return desk.answer(visit_content(desk, story, order), text)


def run_close(desk: Desk, name: str, *, on: date) -> int:
    """Close a visit whose follow-through is answered.

    Raises:
        StoryError: A point is open; names each.
    """

    def change(story: Story, order: WorkOrder) -> Mapping[str, Any]:
        check_closable(open_points_of(order, story.unit, story.visits, desk.tables), order)
        return {"closed_on": on}

    with desk.book.writing() as page:
        story, order = changed(page, name, change, "visit closed")
    return desk.answer(visit_content(desk, story, order), [f"Visit {order.number} is closed."])


def run_reopen(desk: Desk, name: str) -> int:
    """Open a closed visit again, to mend what was written down."""
    with desk.book.writing() as page:
        story, order = page.story(name)
        order = order.model_copy(update={"closed_on": None})
        page.put_visit(order, "visit opened again")
    return desk.answer(visit_content(desk, story, order), [f"Visit {order.number} is open again."])


def run_show(desk: Desk, name: str) -> int:
    """Print a visit with its suspects and open points."""
    story, order = desk.book.visit(name)
    left = open_points_of(order, story.unit, story.visits, desk.tables)
    text = [*visit_lines(desk, story, order), *suspect_lines(desk, story, order.number)]
    return desk.answer(visit_content(desk, story, order), [*text, *open_lines(left, cautions=True)])


def changed(
    page: Page, name: str, change: Callable[[Story, WorkOrder], Mapping[str, Any]], what: str
) -> tuple[Story, WorkOrder]:
    """Change an open visit inside a transaction; return the story as it then is.

    Raises:
        StoryError: The visit is closed, or a row is wrong.
    """
    story, order = page.story(name)
    if order.closed_on is not None:
        raise StoryError(
            f"visit {order.number} was closed on {order.closed_on}: `holdwatch visit reopen "
            f"{order.number}` to mend it, `holdwatch visit open {story.unit.name}` for a new one"
        )
    fields = order.model_dump(mode="json") | dict(change(story, order))
    page.put_visit(load_row(WorkOrder, fields, where=f"visit {order.number}"), what)
    return page.story(order.number)


def check_places(desk: Desk, story: Story, order: WorkOrder) -> None:
    """Refuse places that the unit's component tree does not have."""
    tree = desk.tables.tree(story.unit)
    places = [finding.place for finding in order.findings]
    places += [repair.place for repair in order.repairs]
    places += [hold.section for hold in order.holds]
    for place in places:
        tree.place(place)


def _picture(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise UserError(f"{path}: cannot be read: {error.strerror}") from error


def visit_content(desk: Desk, story: Story, order: WorkOrder) -> dict[str, Any]:
    """Return a visit for JSON: with its open points and the suspects as it stands."""
    left = open_points_of(order, story.unit, story.visits, desk.tables)
    so_far = story.visits[: [v.number for v in story.visits].index(order.number) + 1]
    ranking = suspects(story.unit, so_far, desk.tables, searching=order.number)
    read = sections_of(order, story.unit, desk.tables)
    return {
        "visit": order.model_dump(mode="json"),
        "open_points": [
            {"key": point.key, "ask": point.ask, "missing": point.missing} for point in left
        ],
        "suspects": [{"place": one.place, "share": one.share} for one in ranking.suspects[:5]],
        "sections": None if read is None else read.sentence,
    }
