"""The routes of the story: vehicles, their visits, and the files of both."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fastapi import APIRouter

from holdwatch_api.routes.job_files import file_routes
from holdwatch_api.routes.job_work import StoryWork
from holdwatch_api.routes.vehicles import vehicle_routes
from holdwatch_api.routes.visits import visit_routes

if TYPE_CHECKING:
    from holdwatch_daemon.service import Service


def story_routes(service: Service) -> APIRouter:
    """Return every route of the story."""
    work = StoryWork(service)
    router = APIRouter()
    router.include_router(vehicle_routes(service, work))
    router.include_router(visit_routes(work))
    router.include_router(file_routes(work))
    return router
