"""The routes that read the story: vehicles and their visits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, HTTPException, Path, Query

from holdwatch_api.shapes import Problem
from holdwatch_daemon.messages import Message
from holdwatch_daemon.store import story_rows
from holdwatch_procedures.story.units_under_test import UnitUnderTest  # noqa: TC001 - read by FastAPI
from holdwatch_procedures.story.work_orders import WorkOrder  # noqa: TC001 - read by FastAPI

if TYPE_CHECKING:
    from holdwatch_daemon.service import Service

_NOT_FOUND: dict[int | str, dict[str, Any]] = {
    404: {"model": Problem, "description": "Not there"},
}


class Vehicle(Message):
    """A unit under test with its visits, the oldest first."""

    unit: UnitUnderTest
    visits: list[WorkOrder]


def vehicle_routes(service: Service) -> APIRouter:
    """Return the routes under ``/api/v1/vehicles``."""
    router = APIRouter(prefix="/api/v1/vehicles", tags=["vehicles"])

    @router.get("")
    async def vehicles(
        find: Annotated[
            str | None, Query(max_length=100, description="Part of fleet number, plate or VIN.")
        ] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    ) -> list[UnitUnderTest]:
        """The vehicles, the closest first where something is looked for."""
        if find is None:
            found = await service.store.ask(lambda c: story_rows.list_units(c, limit=limit))
        else:
            found = await service.store.ask(lambda c: story_rows.find_units(c, find, limit=limit))
        return [stored.unit for stored in found]

    @router.get("/{identifier}", responses=_NOT_FOUND)
    async def vehicle(
        identifier: Annotated[str, Path(description="Fleet number, plate or VIN.")],
    ) -> Vehicle:
        """One vehicle with all that was written down at its visits."""
        stored = await service.store.ask(lambda c: story_rows.unit_named(c, identifier))
        if stored is None:
            raise HTTPException(
                404, f"No vehicle goes by {identifier!r}; /api/v1/vehicles?find= looks for one."
            )
        visits = await service.store.ask(lambda c: story_rows.work_orders_of(c, stored.id))
        return Vehicle(unit=stored.unit, visits=visits)

    return router
