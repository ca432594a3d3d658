"""The record: which channels there are, and what they read over any span of time."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, HTTPException, Query, Response
from fastapi.responses import JSONResponse
from pydantic import AwareDatetime  # noqa: TC002 - read by FastAPI
from pydantic_core import to_json

from holdwatch_api.routes.bays import NOT_FOUND, known_bay
from holdwatch_api.shapes import Problem
from holdwatch_daemon.messages import Message
from holdwatch_daemon.store import history
from holdwatch_daemon.timestamps import rfc3339

if TYPE_CHECKING:
    import sqlite3

    from holdwatch_daemon.service import Service

_LATEST = datetime(2200, 1, 1, tzinfo=UTC)
_EARLIEST = datetime(1970, 1, 1, tzinfo=UTC)
MOST_CHANNELS = 64
_ANSWERS: dict[int | str, dict[str, Any]] = {
    **NOT_FOUND,
    409: {"model": Problem, "description": "The span ends before it begins"},
}


class ChannelName(Message):
    """A channel that has been recorded."""

    channel: str
    quantity: str
    unit: str


class Recorded(Message):
    """The channels of the store, and the span of time that is kept; null while there is none."""

    channels: list[ChannelName]
    first: str | None
    last: str | None


class ChannelBand(Message):
    """What one channel read: columns of equal length, in ``unit``.

    ``t_s`` is the start of each stretch of ``width_s`` seconds, or the time of each reading,
    since 1970 UTC; ``count`` readings lie in it, the worst of quality ``worst``.
    """

    channel: str
    quantity: str
    unit: str
    t_s: list[float]
    low: list[float]
    mean: list[float]
    high: list[float]
    count: list[int]
    worst: list[str]


class Record(Message):
    """What channels read over a span.

    ``width_s`` is 0 where ``series`` holds single readings. ``whole`` is false while older
    readings are still being summarised: some are then missing from the answer.
    """

    from_s: float
    to_s: float
    width_s: int
    whole: bool
    series: list[ChannelBand]


def record_routes(service: Service) -> APIRouter:
    """Return the routes of the record under ``/api/v1``."""
    router = APIRouter(prefix="/api/v1")

    @router.get("/channels", tags=["record"])
    async def channels() -> Recorded:
        """The channels that have been recorded, and since when."""
        return await service.store.browse(_recorded)

    @router.get(
        "/history",
        tags=["record"],
        response_model=Record,
        responses=_ANSWERS,
        response_class=JSONResponse,
    )
    async def record(
        start: Annotated[AwareDatetime, Query(alias="from", description="RFC 3339.")],
        end: Annotated[AwareDatetime, Query(alias="to", description="RFC 3339.")],
        channel: Annotated[
            list[str] | None, Query(max_length=MOST_CHANNELS, description="Only these.")
        ] = None,
        bay: Annotated[str | None, Query(description="The channels of this bay's roles.")] = None,
        points: Annotated[int, Query(ge=10, le=20000, description="About so many each.")] = 1000,
    ) -> Response:
        """What channels read over a span of time: lowest, mean and highest of every stretch.

        The stretches are as wide as the span and `points` ask; a short span gives the readings
        themselves. Without `channel` and `bay` all channels answer, up to 64.
        """
        names = channel
        if bay is not None:
            roles = service.bays[known_bay(service, bay)].roles
            names = [*(channel or []), *roles.values()]
        from_ns, to_ns = _ns(start), _ns(end)
        if from_ns >= to_ns:
            raise HTTPException(409, "`from` must be earlier than `to`.")

        def ask(connection: sqlite3.Connection) -> bytes:
            asked = history.channels(connection, names)[:MOST_CHANNELS]
            found = history.history(connection, asked, from_ns, to_ns, points)
            return to_json(found, inf_nan_mode="null")

        return Response(await service.store.browse(ask), media_type="application/json")

    return router


def _recorded(connection: sqlite3.Connection) -> Recorded:
    span = history.covered(connection)
    names = [
        ChannelName(channel=each.name, quantity=each.quantity, unit=each.unit)
        for each in history.channels(connection)
    ]
    if span is None:
        return Recorded(channels=names, first=None, last=None)
    first, last = (rfc3339(second * 10**9) for second in span)
    return Recorded(channels=names, first=first, last=last)


def _ns(moment: datetime) -> int:
    bounded = min(max(moment, _EARLIEST), _LATEST)
    return round(bounded.timestamp()) * 10**9
