"""How the story's routes work: off the event loop, each change once, each error as it is told."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final, TypeVar

from fastapi import HTTPException

from holdwatch_adapters.trace import TraceError
from holdwatch_api.shapes import Problem
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.jobs.desk import StoryDesk, once, open_desk
from holdwatch_daemon.jobs.views import vehicle_view, visit_view
from holdwatch_physics.fluids import FluidError, Fluids
from holdwatch_procedures.holds.judge import UnusableTraceError
from holdwatch_procedures.holds.recipe import RecipeError
from holdwatch_procedures.vehicles.overview import FILES
from holdwatch_procedures.vehicles.validation import NotKnownError, VehicleError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdwatch_api.routes.job_bodies import Said
    from holdwatch_daemon.jobs.book import Page, Story
    from holdwatch_daemon.jobs.views import VehicleView, VisitView
    from holdwatch_daemon.service import Service
    from holdwatch_procedures.vehicles.follow_through import Act
    from holdwatch_procedures.vehicles.job import Job
    from holdwatch_procedures.vehicles.vehicle import Vehicle

T = TypeVar("T")

ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    404: {"model": Problem, "description": "Not there"},
    409: {"model": Problem, "description": "Not possible as things stand; `detail` says why"},
    503: {"model": Problem, "description": "The database is busy or cannot be used"},
}
"""What the story's routes refuse, beside what the document itself does not allow (422)."""
_THREADS: Final = 4
_UNUSABLE: Final = (VehicleError, RecipeError, TraceError, UnusableTraceError, FluidError)


class StoryWork:
    """A story's desk behind HTTP.

    Args:
        service: Whose database, clock and tables.
    """

    def __init__(self, service: Service) -> None:
        self._service = service
        self._desk: tuple[object, StoryDesk] | None = None
        self._fluids: Fluids | None = None
        # Their own: on a disk that stands still they must not keep everybody else's threads.
        self._threads = ThreadPoolExecutor(_THREADS, thread_name_prefix="holdwatch-story")

    def desk(self) -> StoryDesk:
        """Return the desk; the shop's tables are read again when one of them was edited.

        Raises:
            VehicleError: A table cannot be read, or is wrong.
        """
        database = self._service.config.database
        known = self._desk
        state = tuple(_changed(database.parent / name) for name in FILES)
        if known is None or known[0] != (database, state):
            service = self._service
            desk = open_desk(database, service.clock.utc_ns, service.transactions)
            known = self._desk = ((database, state), desk)
        return known[1]

    def today(self, said: date | None = None) -> date:
        """Return the day that is said, else today's in this place by the service's clock."""
        if said is not None:
            return said
        now_s = self._service.clock.utc_ns() / 1e9
        return datetime.fromtimestamp(now_s, UTC).astimezone().date()

    def fluids(self) -> Fluids:
        """Return the fluid properties, loaded once."""
        self._fluids = self._fluids or Fluids.load()
        return self._fluids

    async def do(self, work: Callable[[], T]) -> T:
        """Return what work gives, done in a thread; its errors as a client sees them."""
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, work)
        except NotKnownError as error:
            raise HTTPException(404, _sentence(error)) from error
        except _UNUSABLE as error:
            raise HTTPException(409, _sentence(error)) from error
        except StoreError as error:
            raise HTTPException(503, _sentence(error)) from error

    async def change(
        self,
        said: Said,
        where: str,
        change: Callable[[StoryDesk, Page], tuple[Story, Job]],
        text: str | Callable[[VisitView], str],
        *,
        warn: Callable[[StoryDesk, Story], Sequence[str]] | None = None,
    ) -> VisitView:
        """Change a visit once for its id; return it as it then stands.

        Args:
            said: The change as it was sent.
            where: Route and name, to tell equal bodies of two visits apart.
            change: Makes it inside a transaction.
            text: What was done, for people; or what says it of the visit as it then stands.
            warn: What to warn of, with the story as it then is.
        """

        def work() -> VisitView:
            desk = self.desk()
            body = {"where": where, "said": said.model_dump(mode="json", exclude={"id"})}
            told = once(desk, said.id, body, lambda page: {"visit": change(desk, page)[1].number})
            story, order = desk.book.visit(str(told["visit"]))
            warned = () if warn is None else warn(desk, story)
            view = visit_view(desk, story, order, today=self.today(), cautions=warned)
            return view.model_copy(update={"text": text if isinstance(text, str) else text(view)})

        return await self.do(work)

    async def change_vehicle(
        self,
        said: Said,
        where: str,
        change: Callable[[StoryDesk, Page], Vehicle],
    ) -> VehicleView:
        """Change a vehicle once for its id; return it as it then is."""

        def work() -> VehicleView:
            desk = self.desk()
            body = {"where": where, "said": said.model_dump(mode="json", exclude={"id"})}
            told = once(desk, said.id, body, lambda page: {"vehicle": change(desk, page).name})
            return vehicle_view(desk, desk.book.story(str(told["vehicle"])), on=self.today())

        return await self.do(work)


def acting(act: Act) -> Callable[[StoryDesk, Story], Sequence[str]]:
    """Return what warns of an act on the story's unit."""
    return lambda desk, story: desk.warnings(act, story.unit)


def _changed(path: Any) -> int | None:
    try:
        return int(path.stat().st_mtime_ns)
    except OSError:
        return None


def _sentence(error: Exception) -> str:
    text = str(error)
    return text[:1].upper() + text[1:]
