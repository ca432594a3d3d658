"""``holdwatch visit hold``: a hold of the store, or a trace, becomes evidence of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_adapters.trace import read_trace
from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.desk import day_of
from holdwatch_cli.jobs.visit_words import suspect_lines
from holdwatch_cli.judge import read_recipe_table
from holdwatch_daemon.jobs.changes import bind_hold, bind_trace
from holdwatch_daemon.jobs.holds import judge_for
from holdwatch_daemon.jobs.views import visit_view
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids

if TYPE_CHECKING:
    from datetime import date
    from pathlib import Path

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_daemon.jobs.book import Page, Story
    from holdwatch_procedures.vehicles.job import Job


def run_hold(
    desk: Desk, name: str, hold_id: str | None, *, section: str, after_repair: bool | None
) -> int:
    """Bind a hold of the store to a visit: the one named, else the newest of the vehicle."""
    story, order = desk.change_visit(
        name,
        "holds",
        {"hold_id": hold_id, "section": section, "after_repair": after_repair},
        lambda page: bind_hold(
            desk, page, name, hold_id, section=section, after_repair=after_repair
        ),
    )
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
    recipe = read_recipe_table(recipe_file)

    def keep(page: Page) -> tuple[Story, Job]:
        return bind_trace(
            desk, page, name, judged, section=section, after_repair=after_repair, on=on
        )

    body: dict[str, Any] = {}
    if desk.service is None:
        unit, where = desk.book.visit(name)[0].unit, str(recipe_file)
        rows, fluids = read_trace(trace), Fluids.load()
        judged = judge_for(unit, section, rows, recipe, fluids, where=where, version=version())
    else:
        body = {
            "trace": _text_of(trace),
            "recipe": recipe,
            "section": section,
            "after_repair": after_repair,
            "on": on.isoformat(),
        }
    story, order = desk.change_visit(name, "traces", body, keep)
    return _hold_answer(desk, story, order)


def _text_of(trace: Path) -> str:
    try:
        return trace.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{trace}: cannot be read: {error}") from error


def _hold_answer(desk: Desk, story: Story, order: Job) -> int:
    hold = order.holds[-1]
    view = visit_view(desk, story, order, today=day_of(None))
    text = [f"{order.number}: hold {hold.hold_id} of {hold.section}: {hold.sentence}"]
    if view.sections is not None and not hold.after_repair:
        text += [view.sections, *suspect_lines(view)]
    return desk.answer(view.model_dump(mode="json"), text)
