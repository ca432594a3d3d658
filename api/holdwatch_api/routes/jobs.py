"""Serves jobs: opened, written into, looked at, answered and closed.

Every change has a route of its own, made from the model of what is written down; a job answers
under ``/api/v1/jobs``, and alike under ``/api/v1/visits``, as it was called first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Final

from fastapi import APIRouter, HTTPException, Path
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from pydantic import BaseModel, create_model

from holdwatch_adapters.trace import read_trace
from holdwatch_api.routes.job_bodies import (  # noqa: TC001 - read by FastAPI
    BoundTrace,
    OpenedJob,
)
from holdwatch_api.routes.job_work import ERRORS, JobWork, sentence
from holdwatch_daemon.jobs import JobView, TraceToBind, job_view, judge_for, open_job
from holdwatch_daemon.messages import CommandId
from holdwatch_daemon.version import version
from holdwatch_procedures.vehicles import (
    Advice,
    Answer,
    BindHold,
    CloseJob,
    DyeEntry,
    Finding,
    Part,
    RemoveRow,
    ReopenJob,
    Repair,
    Weighing,
    in_words,
    read_change,
)

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Coroutine, Mapping

    from fastapi import Request, Response
    from pydantic_core import ErrorDetails

    from holdwatch_daemon.jobs import JudgedTrace, Page
    from holdwatch_procedures.vehicles import Row

JobName = Annotated[
    str,
    Path(description="The job's number, or a vehicle with one open job.", max_length=100),
]
VehicleName = Annotated[str, Path(description="Fleet number, plate or VIN.", max_length=100)]
PREFIXES: Final = (("/api/v1/jobs", "jobs"), ("/api/v1/visits", "visits"))
"""Where jobs answer; the second is the older name."""
_OF_VALUES: Final = frozenset(
    {
        "value_error",
        "greater_than",
        "greater_than_equal",
        "less_than",
        "less_than_equal",
        "finite_number",
        "string_too_short",  # once the blanks at its ends are off
    }
)
"""Complaints about what a well-formed body says: not possible (409), where others are 422."""


@dataclass(frozen=True, slots=True)
class Route:
    """One way to change a job over HTTP.

    Attributes:
        path: Last part of its address.
        change: The word of the change, as ``procedures.vehicles.changes`` has it.
        model: What the body is: a row that is written down, or the change itself.
        about: What it does, for the API's document.
        preset: What holds where the body does not say otherwise.
    """

    path: str
    change: str
    model: type[Row]
    about: str
    preset: dict[str, Any] = field(default_factory=dict)

    @property
    def is_row(self) -> bool:
        """Whether the body is a row, which the change carries."""
        return "change" not in self.model.model_fields

    @property
    def body(self) -> type[BaseModel]:
        """The model of the body: the day may be left out, and it may carry the sender's own id."""
        fields: dict[str, Any] = {"id": (CommandId | None, None)}
        for name, known in self.model.model_fields.items():
            if name == "on":
                fields[name] = (date | None, None)
            elif name in self.preset:
                fields[name] = (known.annotation, self.preset[name])
        name = f"{self.model.__name__}Body"
        return create_model(name, __base__=self.model, __doc__=self.about, **fields)


ROUTES: Final = (
    Route(
        "weighings",
        "weighing",
        Weighing,
        "Write down what went over the scale.\n\nCaution: eye protection and gloves; never vent "
        "refrigerant. Local codes come first.",
    ),
    Route(
        "findings",
        "finding",
        Finding,
        "Write down a find, or that nothing was found; says who is suspected now.",
    ),
    Route("dye", "dye", DyeEntry, "Write down dye that was put in; warns of too much."),
    Route(
        "repairs",
        "repair",
        Repair,
        "Write down a repair; what goes with it must be answered before the job closes.",
        {"act": "renewed"},
    ),
    Route("parts", "part", Part, "Write down a part that was fitted."),
    Route("advice", "advice", Advice, "Write down advice for the customer."),
    Route(
        "answers",
        "answer",
        Answer,
        "Answer a point of the follow-through, in place of an earlier answer to it.",
        {"answer": "done"},
    ),
    Route(
        "holds",
        "hold",
        BindHold,
        "Bind a hold to a job: the one named, else the newest of the vehicle.",
    ),
    Route(
        "remove",
        "remove",
        RemoveRow,
        "Take one row out of an open job, to mend what was written down.",
    ),
    Route(
        "close", "close", CloseJob, "Close a job; refused, with the reasons, while a point is open."
    ),
    Route("reopen", "reopen", ReopenJob, "Open a closed job again, to mend what was written down."),
)


class JobRoute(APIRoute):
    """Tells what a well-formed body asks in vain as a refusal, in one sentence."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """Return the handler; see ``_OF_VALUES``."""
        handle = super().get_route_handler()

        async def handle_body(request: Request) -> Response:
            try:
                return await handle(request)
            except RequestValidationError as error:
                found = error.errors()
                if all(each["type"] in _OF_VALUES for each in found):
                    told = "; ".join(in_words(_within_body(each)) for each in found)
                    raise HTTPException(409, sentence(told)) from error
                raise

        return handle_body


def _within_body(found: Mapping[str, Any]) -> ErrorDetails:
    """Return a complaint about a request as one about the body's own keys."""
    return {
        "type": found["type"],
        "loc": tuple(found["loc"][1:]),
        "msg": found["msg"],
        "input": found["input"],
    }


def job_routes(work: JobWork) -> APIRouter:
    """Return the routes under ``/api/v1/jobs`` and ``/api/v1/visits``."""
    router = APIRouter(route_class=JobRoute)
    for prefix, word in PREFIXES:
        tags: list[Any] = [word]
        router.add_api_route(
            f"/api/v1/vehicles/{{vehicle}}/{word}",
            _opening(work),
            methods=["POST"],
            status_code=201,
            tags=tags,
            name=f"open_{word}",
            responses=ERRORS,
        )
        base = f"{prefix}/{{job}}"
        router.add_api_route(
            base, _looking(work), methods=["GET"], tags=tags, name=f"look_{word}", responses=ERRORS
        )
        router.add_api_route(
            f"{base}/traces",
            _bringing(work),
            methods=["POST"],
            tags=tags,
            name=f"traces_{word}",
            responses=ERRORS,
        )
        for route in ROUTES:
            router.add_api_route(
                f"{base}/{route.path}",
                _changing(work, route),
                methods=["POST"],
                tags=tags,
                name=f"{route.path}_{word}",
                description=route.about,
                responses=ERRORS,
            )
    return router


def _changing(work: JobWork, route: Route) -> Callable[..., Awaitable[JobView]]:
    body = route.body

    async def change(job: JobName, said: Any) -> JobView:
        given = said.model_dump(mode="json", exclude={"id", "change"})
        if "on" in given:
            given["on"] = work.today(said.on).isoformat()
        wanted = {"row": given} if route.is_row else given
        return await work.change(
            job, read_change({"change": route.change, **wanted}), said.id, given
        )

    change.__annotations__["said"] = body
    change.__annotations__["job"] = JobName
    change.__annotations__["return"] = JobView
    return change


def _opening(work: JobWork) -> Callable[..., Awaitable[JobView]]:
    async def open_one(vehicle: VehicleName, said: OpenedJob) -> JobView:
        """Begin a job; says whether to start with the lamp, and who is suspected."""
        on = work.today(said.on)

        def begin(page: Page) -> str:
            return open_job(page, vehicle, complaint=said.complaint, number=said.number, on=on)

        return await work.open(vehicle, said, begin)

    return open_one


def _looking(work: JobWork) -> Callable[..., Awaitable[JobView]]:
    async def look(job: JobName) -> JobView:
        """A job as it stands: what is written down, what is open, who is suspected."""

        def looked() -> JobView:
            desk = work.desk()
            return job_view(desk, *desk.book.visit(job), today=work.today())

        return await work.do(looked)

    return look


def _bringing(work: JobWork) -> Callable[..., Awaitable[JobView]]:
    async def bring(job: JobName, said: BoundTrace) -> JobView:
        """Judge a trace by a recipe, keep it as a hold of the store, and bind it to a job.

        What the recipe leaves out (refrigerant, charge, volume, highest pressure) is the
        vehicle's.
        """

        def judged() -> JudgedTrace:
            story, _ = work.desk().book.visit(job)
            return judge_for(
                story.unit,
                said.section,
                read_trace(said.trace.splitlines()),
                said.recipe,
                work.fluids(),
                where="recipe",
                version=version(),
            )

        change = TraceToBind(
            await work.do(judged), work.today(said.on), said.section, said.after_repair
        )
        return await work.change(job, change, said.id, said.model_dump(mode="json", exclude={"id"}))

    return bring
