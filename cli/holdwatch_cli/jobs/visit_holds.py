"""``holdwatch visit hold``: a hold of the store, or a trace, becomes evidence of a visit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_adapters.trace import read_trace
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
    from holdwatch_daemon.jobs.book import Story
    from holdwatch_procedures.vehicles.job import Job


def run_hold(
    desk: Desk, name: str, hold_id: str | None, *, section: str, after_repair: bool | None
) -> int:
    """Bind a hold of the store to a visit: the one named, else the newest of the vehicle."""
    story, order = desk.book.write(
        lambda page: bind_hold(
            desk, page, name, hold_id, section=section, after_repair=after_repair
        )
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
    story, _ = desk.book.visit(name)
    judged = judge_for(
        story.unit,
        section,
        read_trace(trace),
        read_recipe_table(recipe_file),
        Fluids.load(),
        where=str(recipe_file),
        version=version(),
    )
    story, order = desk.book.write(
        lambda page: bind_trace(
            desk, page, name, judged, section=section, after_repair=after_repair, on=on
        )
    )
    return _hold_answer(desk, story, order)


def _hold_answer(desk: Desk, story: Story, order: Job) -> int:
    hold = order.holds[-1]
    view = visit_view(desk, story, order, today=day_of(None))
    text = [f"{order.number}: hold {hold.hold_id} of {hold.section}: {hold.sentence}"]
    if view.sections is not None and not hold.after_repair:
        text += [view.sections, *suspect_lines(view)]
    return desk.answer(view.model_dump(mode="json"), text)
