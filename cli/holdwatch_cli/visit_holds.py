"""``holdwatch visit hold``: a hold of the store, or a trace, becomes evidence of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_adapters.trace import read_trace
from holdwatch_cli.errors import UserError
from holdwatch_cli.judge import read_recipe_table
from holdwatch_cli.visit import changed, check_places, visit_content
from holdwatch_cli.visit_words import suspect_lines
from holdwatch_daemon.story_holds import (
    check_bindable,
    filled_from_unit,
    hold_entry,
    judge_trace,
    store_trace,
)
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.recipe import load_recipe
from holdwatch_procedures.story.charge_history import at_noon
from holdwatch_procedures.story.overview import sections_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date
    from pathlib import Path

    from holdwatch_cli.story_desk import Desk
    from holdwatch_daemon.story_book import Page, Story
    from holdwatch_procedures.story.work_orders import WorkOrder


def run_hold(
    desk: Desk, name: str, hold_id: str | None, *, section: str, after_repair: bool | None
) -> int:
    """Bind a hold of the store to a visit: the one named, else the newest of the vehicle."""
    with desk.book.writing() as page:
        story, order = page.story(name)
        wanted = hold_id or _newest_hold(page, story)
        story, order = _bind(desk, page, story, order, wanted, section, after_repair)
    return _hold_answer(desk, story, order)


def run_trace(
    desk: Desk,
    name: str,
    files: tuple[Path, Path],
    *,
    section: str,
    after_repair: bool | None,
    on: date,
) -> int:
    """Judge a trace, keep it as a hold of the store, and bind it to a visit."""
    trace, recipe_file = files
    story, order = desk.book.visit(name)
    # A section's volume is not the vehicle's: its recipe must say it.
    said = {} if section == "system" else {"volume_l": None}
    table = filled_from_unit(read_recipe_table(recipe_file), story.unit, said=said)
    recipe = load_recipe(table, where=str(recipe_file))
    judged = judge_trace(read_trace(trace), recipe, Fluids.load(), version=version())
    started_utc_ns = int(at_noon(on).timestamp()) * 1_000_000_000
    with desk.book.writing() as page:
        story, order = page.story(name)
        hold_id = store_trace(
            page.connection, judged, unit=story.unit.name, started_utc_ns=started_utc_ns
        )
        story, order = _bind(desk, page, story, order, hold_id, section, after_repair)
    return _hold_answer(desk, story, order)


def _bind(
    desk: Desk,
    page: Page,
    story: Story,
    order: WorkOrder,
    hold_id: str,
    section: str,
    after_repair: bool | None,
) -> tuple[Story, WorkOrder]:
    check_bindable(page.connection, hold_id, story.unit)
    is_proof = bool(order.repairs) if after_repair is None else after_repair
    entry = hold_entry(page.connection, hold_id, section=section, after_repair=is_proof)

    def change(_story: Story, now: WorkOrder) -> Mapping[str, Any]:
        return {"holds": [*now.model_dump(mode="json")["holds"], entry.model_dump(mode="json")]}

    what = f"hold {hold_id} of {section}: {entry.outcome}"
    story, order = changed(page, order.number, change, what)
    check_places(desk, story, order)
    return story, order


def _hold_answer(desk: Desk, story: Story, order: WorkOrder) -> int:
    hold = order.holds[-1]
    read = sections_of(order, story.unit, desk.tables)
    text = [f"{order.number}: hold {hold.hold_id} of {hold.section}: {hold.sentence}"]
    if read is not None and not hold.after_repair:
        text += [read.sentence, *suspect_lines(desk, story, order.number)]
    return desk.answer(visit_content(desk, story, order), text)


def _newest_hold(page: Page, story: Story) -> str:
    names = {story.unit.name, story.unit.fleet_number, story.unit.plate, story.unit.vin} - {
        "",
        None,
    }
    places = ", ".join("?" for _ in names)
    row = page.connection.execute(
        f"SELECT id FROM holds WHERE unit IN ({places}) AND ended IS NOT NULL"  # noqa: S608 - question marks only
        " AND id NOT IN (SELECT hold_id FROM visit_holds) ORDER BY rowid DESC LIMIT 1",
        tuple(names),
    ).fetchone()
    if row is None:
        raise UserError(
            f"no hold of {story.unit.name} waits to be bound: name its number, or give --trace "
            "and --recipe"
        )
    return str(row[0])
