"""Runs what the routes of jobs ask: off the event loop, each change once, each error in words."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any, Final, TypeVar

from fastapi import HTTPException

from holdwatch_adapters.trace import TraceError
from holdwatch_api.shapes import Problem
from holdwatch_daemon.errors import StoreError
from holdwatch_daemon.jobs import (
    StoryDesk,
    answer_sentence,
    change_job,
    dye_warning,
    job_view,
    once,
    open_desk,
    read_waiting,
    vehicle_view,
)
from holdwatch_physics.fluids import FluidError, Fluids
from holdwatch_procedures.holds import RecipeError, UnusableTraceError
from holdwatch_procedures.vehicles import FILES, AddDye, GiveAnswer, NotKnownError, VehicleError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from holdwatch_api.routes.job_bodies import Said
    from holdwatch_daemon.jobs import JobView, Page, Story, TraceToBind, VehicleView, WaitingHold
    from holdwatch_daemon.service import Service
    from holdwatch_procedures.vehicles import Change, Job, Vehicle

    Read = tuple[Story, Job, list[WaitingHold]]

T = TypeVar("T")

ERRORS: Final[dict[int | str, dict[str, Any]]] = {
    404: {"model": Problem, "description": "Not there"},
    409: {"model": Problem, "description": "Not possible as things stand; `detail` says why"},
    503: {"model": Problem, "description": "The database is busy or cannot be used"},
}
"""What the story's routes refuse, beside what the document itself does not allow (422)."""
_THREADS: Final = 4
_UNUSABLE: Final = (VehicleError, RecipeError, TraceError, UnusableTraceError, FluidError)


class JobWork:
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
            raise HTTPException(404, sentence(error)) from error
        except _UNUSABLE as error:
            raise HTTPException(409, sentence(error)) from error
        except StoreError as error:
            raise HTTPException(503, sentence(error)) from error

    async def change(
        self,
        job: str,
        change: Change | TraceToBind,
        command_id: str | None,
        said: Mapping[str, Any],
    ) -> JobView:
        """Change a job once for its id; return it as it then stands.

        Args:
            job: The job's number, or a vehicle with one open job.
            change: The change.
            command_id: The sender's own id of it.
            said: The body as it was sent, to tell another change under the same id.
        """

        def work() -> JobView:
            desk = self.desk()
            warned: list[str] = []

            def make(page: Page) -> str:
                warned.clear()
                if isinstance(change, AddDye):
                    told = dye_warning(page.story(job)[0], change)
                    warned.extend([] if told is None else [told])
                return change_job(page, desk.tables, job, change)[1].number

            where = f"{change.change} {job}"
            read = once(desk, command_id, {"where": where, "said": said}, make, _read)
            return self._view(desk, read, change, warned)

        return await self.do(work)

    async def open(self, vehicle: str, said: Said, begin: Callable[[Page], str]) -> JobView:
        """Open a job once for its id; return it as it then stands."""

        def work() -> JobView:
            desk = self.desk()
            body = {
                "where": f"open {vehicle}",
                "said": said.model_dump(mode="json", exclude={"id"}),
            }
            story, job, waiting = once(desk, said.id, body, begin, _read)
            return job_view(
                desk, story, job, today=self.today(), text="The visit is open.", waiting=waiting
            )

        return await self.do(work)

    def _view(
        self, desk: StoryDesk, read: Read, change: Change | TraceToBind, warned: list[str]
    ) -> JobView:
        story, job, waiting = read
        act = change.act
        cautions = (*warned, *(() if act is None else desk.warnings(act, story.unit)))
        view = job_view(desk, story, job, today=self.today(), cautions=cautions, waiting=waiting)
        text = change.done
        if isinstance(change, GiveAnswer):
            text = answer_sentence(view, change.row.point, change.row.answer)
        return view.model_copy(update={"text": text})

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
            story, waiting = once(
                desk,
                said.id,
                body,
                lambda page: change(desk, page).name,
                _read_vehicle,
            )
            return vehicle_view(desk, story, on=self.today(), waiting=waiting)

        return await self.do(work)


def _read_vehicle(page: Page, name: str) -> tuple[Story, list[WaitingHold]]:
    story = page.history(name)
    return story, read_waiting(page.connection, story.unit)


def _read(page: Page, number: str) -> Read:
    """Return a job with what its view shows, read in the transaction that changed it."""
    story, job = page.story(number)
    waiting = [] if job.closed_on is not None else read_waiting(page.connection, story.unit)
    return story, job, waiting


def _changed(path: Any) -> int | None:
    try:
        return int(path.stat().st_mtime_ns)
    except OSError:
        return None


def sentence(error: Exception | str) -> str:
    """Return what an error says as a sentence."""
    text = str(error)
    return text[:1].upper() + text[1:]
