"""The JSON routes: bays, holds, recipes and commands."""

from __future__ import annotations

import asyncio
import logging
import tomllib
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Body, Depends, HTTPException, Path, Query
from fastapi.responses import JSONResponse

from holdwatch_api.asked_units import rendered_route, units_parameter
from holdwatch_api.routes.recipes import summaries
from holdwatch_api.shapes import (
    Curve,
    DrawnUnit,
    HoldDetail,
    HoldRequest,
    Problem,
    RecipeSummary,
    Series,
    StopRequest,
    Trace,
)
from holdwatch_daemon.messages import BayState, Command, Live, Reply, StartHold, StopHold
from holdwatch_daemon.settings import ShowConfig  # noqa: TC001 - read by FastAPI
from holdwatch_daemon.store import (
    HoldRow,
    answers,
)
from holdwatch_physics.units import parse_unit

if TYPE_CHECKING:
    from holdwatch_daemon.service import Service
    from holdwatch_daemon.settings import BayConfig

_log = logging.getLogger(__name__)

BayName = Annotated[str, Path(description="The bay's name, as in topics.")]
HoldId = Annotated[str, Path(description="The hold's id.")]
NOT_FOUND: dict[int | str, dict[str, Any]] = {404: {"model": Problem, "description": "Not there"}}
REFUSED: dict[int | str, dict[str, Any]] = {
    **NOT_FOUND,
    409: {"model": Reply, "description": "Refused; `text` says why"},
    503: {"model": Problem, "description": "Not confirmed yet; ask again with the same `id`"},
}
PATIENCE_S = 20.0
"""How long a command waits for its answer, s; it is carried out all the same. And how long a
question about a hold waits for the verdict that is being written."""


def routes(service: Service) -> APIRouter:
    """Return the routes under ``/api/v1`` that answer once."""
    router = APIRouter(
        prefix="/api/v1",
        route_class=rendered_route(service.config.show.units),
        dependencies=[Depends(units_parameter)],
    )
    _add_bays(router, service)
    _add_commands(router, service)
    _add_holds(router, service)
    return router


def _add_bays(router: APIRouter, service: Service) -> None:
    @router.get("/bays", tags=["bays"])
    async def list_bays() -> list[BayState]:
        """What every bay is doing."""
        return [service.bay_state(name) for name in service.bays]

    @router.get("/bays/{bay}", tags=["bays"], responses=NOT_FOUND)
    async def bay_state(bay: BayName) -> BayState:
        """What one bay is doing."""
        return service.bay_state(known_bay(service, bay))

    @router.get("/bays/{bay}/live", tags=["bays"], responses=NOT_FOUND)
    async def bay_live(bay: BayName) -> Live:
        """The newest values by role, SI and in the bay's units."""
        return service.live(known_bay(service, bay))

    @router.get("/show", tags=["bays"])
    async def show() -> ShowConfig:
        """The units that the shop reads."""
        return service.config.show

    @router.get("/recipes", tags=["holds"], responses=NOT_FOUND)
    async def recipes(
        bay: Annotated[str | None, Query(description="Complete each recipe for this bay.")] = None,
    ) -> list[RecipeSummary]:
        """The configured recipes."""
        if bay is None:
            return summaries(service.config, None)
        config = _bay_config(service, bay)
        unit = config.unit_under_test
        stored = None if unit is None else await service.store.unit_named(unit.name)
        found = summaries(service.config, config, stored)
        return [
            each
            if each.procedure is None
            else each.model_copy(update={"unfit": service.unmet_precondition(bay, each.procedure)})
            for each in found
        ]


def _add_commands(router: APIRouter, service: Service) -> None:
    desk = _Desk(service)

    @router.post("/bays/{bay}/command", tags=["commands"], response_model=Reply, responses=REFUSED)
    async def command(bay: BayName, command: Annotated[Command, Body()]) -> JSONResponse:
        """Carry out a command, once for its `id`: the same id gets the same reply."""
        return await desk.carry_out(bay, command)

    @router.post("/bays/{bay}/holds", tags=["commands"], response_model=Reply, responses=REFUSED)
    async def start_hold(bay: BayName, wanted: HoldRequest) -> JSONResponse:
        """Start a hold.

        Caution: a nitrogen hold is work with gas under pressure. Regulated dry nitrogen only,
        a relief device set no higher than the unit allows; never oxygen or compressed air.
        Local codes come first.
        """
        start = StartHold(
            command="start_hold", id=wanted.id, recipe=wanted.recipe, continues=wanted.continues
        )
        return await desk.carry_out(bay, start)

    @router.post(
        "/holds/{hold_id}/stop", tags=["commands"], response_model=Reply, responses=REFUSED
    )
    async def stop_hold(hold_id: HoldId, wanted: StopRequest) -> JSONResponse:
        """Stop a running hold; undecided, it ends inconclusive."""
        row = await _known_hold(service, hold_id)
        running = service.bay_state(known_bay(service, row.bay)).hold
        if row.ended is not None or running is None or running.hold_id != hold_id:
            known = await desk.earlier(row.bay, wanted.id)
            if known is not None:
                return known
            text = f"Hold {hold_id} is not running any more; there is nothing to stop."
            refused = Reply(id=wanted.id, ok=False, text=text, hold_id=hold_id)
            return JSONResponse(refused.model_dump(mode="json"), status_code=409)
        return await desk.carry_out(row.bay, StopHold(command="stop_hold", id=wanted.id))


def _add_holds(router: APIRouter, service: Service) -> None:
    @router.get("/holds", tags=["holds"], responses=NOT_FOUND)
    async def list_holds(
        bay: Annotated[str | None, Query(description="Only this bay's.")] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    ) -> list[HoldRow]:
        """The newest holds first."""
        name = None if bay is None else known_bay(service, bay)
        return await service.store.list_holds(name, limit)

    @router.get("/holds/{hold_id}", tags=["holds"], responses=NOT_FOUND)
    async def hold(hold_id: HoldId) -> HoldDetail:
        """One hold with its recipe and, once decided, its verdict."""
        row = await _written_hold(service, hold_id)
        recipe = await service.store.recipe_toml(hold_id)
        earlier = tomllib.loads(recipe or "").get("earlier_holds", [])
        return HoldDetail(
            **row.model_dump(),
            recipe_toml=recipe,
            continues=[each["hold"] for each in earlier if "hold" in each],
            verdict=await service.store.verdict(hold_id),
            work_order=await service.store.work_order(hold_id),
        )

    @router.get("/holds/{hold_id}/trace", tags=["holds"], responses=NOT_FOUND)
    async def trace(
        hold_id: HoldId,
        points: Annotated[int, Query(ge=10, le=20000, description="About so many a role.")] = 1000,
    ) -> Trace:
        """A hold's readings for drawing, thinned but with every peak."""
        await _written_hold(service, hold_id)
        series = (await service.store.hold_trace(hold_id, points))["series"]
        shaped = {role: Series.model_validate(part) for role, part in series.items()}
        return Trace(hold_id=hold_id, series=shaped)

    @router.get("/holds/{hold_id}/curve", tags=["holds"], responses=NOT_FOUND)
    async def curve(
        hold_id: HoldId,
        after: Annotated[int, Query(ge=0, description="Leave out this many points.")] = 0,
    ) -> Curve:
        """A hold's curve: temperature-compensated change, criterion, leak with its bounds."""
        row = await _written_hold(service, hold_id)
        points = (await service.store.hold_curve(hold_id))[after:]
        show = service.config.show
        unit = parse_unit(show.vacuum if row.procedure == "standing-vacuum" else show.pressure)
        return Curve(
            hold_id=hold_id,
            unit=DrawnUnit(text=unit.stem, pa=unit.factor),
            after=after,
            next=after + len(points),
            points=points,
        )


class _Desk:
    """Has commands carried out, and answers within ``PATIENCE_S``."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._under_way: dict[asyncio.Task[Reply], tuple[str, str]] = {}

    async def carry_out(self, bay: str, command: Command) -> JSONResponse:
        key = (known_bay(self._service, bay), command.id)
        task = asyncio.create_task(self._service.command(key[0], command, by="http"))
        self._under_way[task] = key
        task.add_done_callback(self._under_way.pop)
        return await self._answer(command.id, task)

    async def earlier(self, bay: str, command_id: str) -> JSONResponse | None:
        """Return the answer to a command that came before under this id, or None."""
        for task, key in self._under_way.items():
            if key == (bay, command_id):
                return await self._answer(command_id, task)
        reply = await self._service.store.ask(lambda c: answers.reply_to(c, bay, command_id))
        return None if reply is None else _answered(reply)

    async def _answer(self, command_id: str, task: asyncio.Task[Reply]) -> JSONResponse:
        done, _ = await asyncio.wait([task], timeout=PATIENCE_S)
        if not done:
            task.add_done_callback(_note_failure)
            detail = (
                f"The recorder's disk has not confirmed this within {PATIENCE_S:g} s. It is being "
                f"carried out; look at the bay, or ask again with the same id ({command_id})."
            )
            raise HTTPException(503, detail, {"retry-after": "5"})
        return _answered(task.result())


def _answered(reply: Reply) -> JSONResponse:
    return JSONResponse(reply.model_dump(mode="json"), status_code=200 if reply.ok else 409)


def _note_failure(task: asyncio.Task[Reply]) -> None:
    """Say in the log why a command failed that nobody waits for any more."""
    if not task.cancelled() and (error := task.exception()) is not None:
        _log.error("a command failed", exc_info=error)


def known_bay(service: Service, name: str) -> str:
    """Return the bay's name; raises the error that a client sees for an unknown one."""
    if name in service.bays:
        return name
    known = ", ".join(service.bays) or "none is configured"
    raise HTTPException(404, f"There is no bay {name!r}; the bays are: {known}.")


def _bay_config(service: Service, name: str) -> BayConfig:
    known_bay(service, name)
    return next(bay for bay in service.config.bay if bay.name == name)


async def _known_hold(service: Service, hold_id: str) -> HoldRow:
    row = await service.store.hold(hold_id)
    if row is None:
        raise HTTPException(404, f"There is no hold {hold_id!r}; /api/v1/holds lists them.")
    return row


async def _written_hold(service: Service, hold_id: str) -> HoldRow:
    """Return a hold with the verdict that its bay already shows."""
    await service.until_written(hold_id, PATIENCE_S)
    return await _known_hold(service, hold_id)
