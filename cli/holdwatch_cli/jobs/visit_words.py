"""A visit as lines for a terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_procedures.vehicles.job import NOT_JUDGED_HERE

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_daemon.jobs.book import Story
    from holdwatch_daemon.jobs.views import VisitView
    from holdwatch_procedures.vehicles.job import HoldEntry, Job


def suspect_lines(view: VisitView) -> list[str]:
    """Return the suspects and the check that tells most next; nothing before anything was seen."""
    if not view.suspects:
        return []
    shares = ", ".join(f"{one.name} {100 * one.share:.0f} %" for one in view.suspects[:4])
    told = [f"Next: {one.check} (about {one.minutes:g} min)" for one in view.next_checks[:1]]
    return [f"Suspects: {shares}", *told]


def open_lines(view: VisitView, *, cautions: bool = False) -> list[str]:
    """Return what is still to be answered, with what it warns of where that is wanted."""
    if not view.open_points:
        return []
    lines = ["Still to answer before it closes (holdwatch visit answer):"]
    told: set[str] = set()
    for point in view.open_points:
        missing = point.missing
        if point.written is not None:
            command = f"holdwatch visit answer {view.visit.number} {point.key}"
            missing = f"{point.written} is written down; confirm with {command}"
        lines.append(f"  {point.key:15}{point.ask} [{missing}]")
        if cautions:
            lines += [f"    ! {text}" for text in point.cautions if text not in told]
            told.update(point.cautions)
    return lines


def visit_lines(desk: Desk, story: Story, order: Job) -> Iterator[str]:
    """Yield a visit in the order in which its parts are read."""
    tree = desk.tables.tree(story.unit)
    state = "open" if order.closed_on is None else f"closed {order.closed_on}"
    yield f"Visit {order.number} of {story.unit.name}, {order.opened_on}, {state}"
    if order.complaint:
        yield f"{'complaint':12}{order.complaint}"
    for weighing in order.weighings:
        more = " on top" if weighing.tops_up else ""
        yield (
            f"{weighing.kind:12}{weighing.grams:g} g{more} ±{weighing.tolerance_g:g} g, "
            f"{weighing.on}"
        )
    for finding in order.findings:
        words = "points to a leak" if finding.points == "for" else "nothing found"
        note = f" ({finding.note})" if finding.note else ""
        means = desk.tables.likelihoods.by_key(finding.means).name
        pictures = f", {len(finding.photographs)} pictures" if finding.photographs else ""
        yield f"{'finding':12}{tree.name(finding.place)}: {means}, {words}{note}{pictures}"
    for hold in order.holds:
        yield _hold(hold, tree.name(hold.section))
    for dye in order.dye:
        yield f"{'dye':12}{dye.amount_ml:g} ml of {dye.dye}, {dye.way}, {dye.on}"
    for repair in order.repairs:
        yield f"{'repair':12}{tree.name(repair.place)}: {repair.act}, {repair.on}"
    for part in order.parts:
        yield f"{'part':12}{part.quantity} × {part.name}"
    for advice in order.advice:
        yield f"{'advice':12}{advice}"
    for answer in order.answers:
        note = f": {answer.note}" if answer.note else ""
        again = "" if answer.look_again_on is None else f", look again {answer.look_again_on}"
        yield f"{'answer':12}{answer.point}: {answer.answer}{note}{again}"


def _hold(hold: HoldEntry, section: str) -> str:
    when = " after the repair" if hold.after_repair else ""
    bounds = ""
    if hold.low is not None and hold.high is not None:
        bounds = f", between {hold.low:.0f} and {hold.high:.0f} g a year"
    said = f"{hold.outcome.upper()}{bounds} ({hold.hold_id})"
    if hold.judged_elsewhere:
        said = f"{NOT_JUDGED_HERE}, no proof; the file says {said}"
    return f"{'hold':12}{section}{when}: {said}"
