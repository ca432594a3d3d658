"""The routes of visits: opened, written into, looked at, answered and closed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from fastapi import APIRouter, Path

from holdwatch_adapters.trace import read_trace
from holdwatch_api.routes.job_bodies import (  # noqa: TC001 - read by FastAPI
    BoundHold,
    BoundTrace,
    Closing,
    OpenedVisit,
    Said,
    SaidAdvice,
    SaidAnswer,
    SaidDye,
    SaidFinding,
    SaidPart,
    SaidRepair,
    SaidWeighing,
    TakenOut,
)
from holdwatch_api.routes.job_work import ERRORS, StoryWork, acting
from holdwatch_daemon.jobs.changes import (
    add_finding,
    add_row,
    answer_point,
    bind_hold,
    bind_trace,
    close_visit,
    drop_row,
    dye_warning,
    open_visit,
    reopen_visit,
)
from holdwatch_daemon.jobs.holds import judge_for
from holdwatch_daemon.jobs.views import VisitView, answer_sentence, visit_view
from holdwatch_daemon.version import version
from holdwatch_procedures.vehicles.follow_through import Act

if TYPE_CHECKING:
    from typing import Any

    from holdwatch_api.routes.job_bodies import SaidOn
    from holdwatch_daemon.jobs.book import Page
    from holdwatch_daemon.jobs.desk import StoryDesk
    from holdwatch_daemon.jobs.holds import JudgedTrace

Visit = Annotated[
    str,
    Path(description="The visit's number, or a vehicle with one open visit.", max_length=100),
]
_BASE = "/api/v1/visits/{visit}"


def visit_routes(work: StoryWork) -> APIRouter:
    """Return the routes under ``/api/v1/visits``, and the one that opens a visit."""
    router = APIRouter(tags=["visits"])
    _add_course(router, work)
    _add_rows(router, work)
    _add_findings(router, work)
    _add_repairs(router, work)
    _add_holds(router, work)
    return router


def _add_course(router: APIRouter, work: StoryWork) -> None:
    @router.post("/api/v1/vehicles/{vehicle}/visits", status_code=201, responses=ERRORS)
    async def open_one(
        vehicle: Annotated[str, Path(description="Fleet number, plate or VIN.", max_length=100)],
        said: OpenedVisit,
    ) -> VisitView:
        """Begin a visit; says whether to start with the lamp, and who is suspected."""

        def change(_desk: StoryDesk, page: Page) -> Any:
            number = open_visit(
                page,
                vehicle,
                complaint=said.complaint,
                number=said.number,
                on=work.today(said.on),
            )
            return page.story(number)

        return await work.change(said, f"open {vehicle}", change, "The visit is open.")

    @router.get(_BASE, responses=ERRORS)
    async def look(visit: Visit) -> VisitView:
        """A visit as it stands: what is written down, what is open, who is suspected."""

        def looked() -> VisitView:
            desk = work.desk()
            return visit_view(desk, *desk.book.visit(visit), today=work.today())

        return await work.do(looked)

    @router.post(f"{_BASE}/answers", responses=ERRORS)
    async def answer(visit: Visit, said: SaidAnswer) -> VisitView:
        """Answer a point of the follow-through, in place of an earlier answer to it."""
        row = _row(said, work)
        return await work.change(
            said,
            f"answer {visit}",
            lambda desk, page: answer_point(desk, page, visit, row),
            lambda view: answer_sentence(view, said.point, said.answer),
        )

    @router.post(f"{_BASE}/close", responses=ERRORS)
    async def close(visit: Visit, said: Closing) -> VisitView:
        """Close a visit; refused, with the reasons, while a point is open."""
        on = work.today(said.on)
        return await work.change(
            said,
            f"close {visit}",
            lambda desk, page: close_visit(desk, page, visit, on=on),
            "The visit is closed.",
        )

    @router.post(f"{_BASE}/reopen", responses=ERRORS)
    async def reopen(visit: Visit, said: Said) -> VisitView:
        """Open a closed visit again, to mend what was written down."""
        return await work.change(
            said,
            f"reopen {visit}",
            lambda _desk, page: reopen_visit(page, visit),
            "The visit is open again.",
        )

    @router.post(f"{_BASE}/remove", responses=ERRORS)
    async def remove(visit: Visit, said: TakenOut) -> VisitView:
        """Take one row out of an open visit, to mend what was written down."""
        return await work.change(
            said,
            f"remove {visit}",
            lambda _desk, page: drop_row(page, visit, said.field, said.position),
            "Taken out.",
        )


def _add_rows(router: APIRouter, work: StoryWork) -> None:
    @router.post(f"{_BASE}/weighings", responses=ERRORS)
    async def weigh(visit: Visit, said: SaidWeighing) -> VisitView:
        """Write down what went over the scale.

        Caution: eye protection and gloves; never vent refrigerant. Local codes come first.
        """
        row, what = _row(said, work), f"{said.kind} {said.grams:g} g"
        act = Act.RECOVER if said.kind == "recovered" else Act.CHARGE
        return await work.change(
            said,
            f"weigh {visit}",
            lambda desk, page: add_row(desk, page, visit, "weighings", row, what),
            f"{what}.",
            warn=acting(act),
        )

    @router.post(f"{_BASE}/dye", responses=ERRORS)
    async def dye(visit: Visit, said: SaidDye) -> VisitView:
        """Write down dye that was put in; warns of too much."""
        row, what = _row(said, work), f"{said.amount_ml:g} ml of {said.dye} {said.way}"
        on = work.today(said.on)

        warned: list[str] = []

        def change(desk: StoryDesk, page: Page) -> Any:
            told = dye_warning(page.story(visit)[0], more_ml=said.amount_ml, on=on)
            warned.extend([] if told is None else [told])
            return add_row(desk, page, visit, "dye", row, what)

        return await work.change(
            said, f"dye {visit}", change, f"{what}.", warn=lambda _desk, _story: warned
        )

    @router.post(f"{_BASE}/parts", responses=ERRORS)
    async def part(visit: Visit, said: SaidPart) -> VisitView:
        """Write down a part that was fitted."""
        row, what = _row(said, work), f"fitted {said.quantity} × {said.name}"
        return await work.change(
            said,
            f"part {visit}",
            lambda desk, page: add_row(desk, page, visit, "parts", row, what),
            f"{what}.",
        )

    @router.post(f"{_BASE}/advice", responses=ERRORS)
    async def advise(visit: Visit, said: SaidAdvice) -> VisitView:
        """Write down advice for the customer."""
        return await work.change(
            said,
            f"advise {visit}",
            lambda desk, page: add_row(
                desk, page, visit, "advice", said.text, "advice written down"
            ),
            "Advice written down.",
        )


def _add_findings(router: APIRouter, work: StoryWork) -> None:
    @router.post(f"{_BASE}/findings", responses=ERRORS)
    async def find(visit: Visit, said: SaidFinding) -> VisitView:
        """Write down a find, or that nothing was found; says who is suspected now."""
        row = _row(said, work)
        words = "found" if said.points == "for" else "nothing found"
        return await work.change(
            said,
            f"find {visit}",
            lambda desk, page: add_finding(desk, page, visit, row),
            f"{said.place} by {said.means}: {words}.",
        )


def _add_repairs(router: APIRouter, work: StoryWork) -> None:
    @router.post(f"{_BASE}/repairs", responses=ERRORS)
    async def repair(visit: Visit, said: SaidRepair) -> VisitView:
        """Write down a repair; what goes with it must be answered before the visit closes."""
        row, what = _row(said, work), f"{said.place} {said.act}"
        return await work.change(
            said,
            f"repair {visit}",
            lambda desk, page: add_row(desk, page, visit, "repairs", row, what),
            f"{what}.",
            warn=acting(Act.OPEN_CIRCUIT) if said.opened_circuit else None,
        )


def _add_holds(router: APIRouter, work: StoryWork) -> None:
    @router.post(f"{_BASE}/holds", responses=ERRORS)
    async def bind(visit: Visit, said: BoundHold) -> VisitView:
        """Bind a hold to a visit: the one named, else the newest of the vehicle."""
        return await work.change(
            said,
            f"hold {visit}",
            lambda desk, page: bind_hold(
                desk,
                page,
                visit,
                said.hold_id,
                section=said.section,
                after_repair=said.after_repair,
            ),
            "The hold is bound.",
        )

    @router.post(f"{_BASE}/traces", responses=ERRORS)
    async def bring(visit: Visit, said: BoundTrace) -> VisitView:
        """Judge a trace by a recipe, keep it as a hold of the store, and bind it to a visit.

        What the recipe leaves out (refrigerant, charge, volume, highest pressure) is the
        vehicle's.
        """
        on = work.today(said.on)

        def judged() -> JudgedTrace:
            story, _ = work.desk().book.visit(visit)
            lines = read_trace(said.trace.splitlines())
            return judge_for(
                story.unit,
                said.section,
                lines,
                said.recipe,
                work.fluids(),
                where="recipe",
                version=version(),
            )

        found = await work.do(judged)
        return await work.change(
            said,
            f"trace {visit}",
            lambda desk, page: bind_trace(
                desk,
                page,
                visit,
                found,
                section=said.section,
                after_repair=said.after_repair,
                on=on,
            ),
            "The trace is kept as a hold, and bound.",
        )


def _row(said: Said | SaidOn, work: StoryWork) -> dict[str, Any]:
    """Return a change as a row of a visit, with its day."""
    row = said.model_dump(mode="json", exclude={"id"})
    if "on" in row:
        row["on"] = work.today(getattr(said, "on", None)).isoformat()
    return row
