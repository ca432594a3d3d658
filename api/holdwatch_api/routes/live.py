"""The two streams: numbered events for programs, state and live values for the screen."""

from __future__ import annotations

import json
import logging
from contextlib import aclosing
from typing import TYPE_CHECKING, Annotated, Any, Final

from fastapi import APIRouter, Header, HTTPException, Query, Request

from holdwatch_api.asked_units import AskedUnits, asked_units
from holdwatch_api.routes.bays import known_bay
from holdwatch_api.security.access import ANYONE
from holdwatch_api.security.limits import address_key
from holdwatch_api.security.session import bearer_of
from holdwatch_api.streams import BEAT_S, EventStream, frame, with_beats
from holdwatch_daemon.outlets import Pace
from holdwatch_procedures.wording import in_units

if TYPE_CHECKING:
    import asyncio
    from collections.abc import AsyncGenerator, Callable, Sequence
    from contextlib import AbstractContextManager

    from holdwatch_api.security.access import Access
    from holdwatch_daemon.outlets import Frame
    from holdwatch_daemon.service import Service
    from holdwatch_procedures.wording import Units

log = logging.getLogger(__name__)

LIVE_PACE: Final = Pace(busy_s=0.1, quiet_s=0.1)
"""How often values of one bay go out."""
_LOOK_EVERY_S: Final = 0.5
"""How often it is looked whether a reader may go on, s."""
_BEAT: Final = frame("{}", event="beat").encode()

STREAM: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/event-stream": {}}, "description": "Server-sent events"}
}


def streams(service: Service, access: Access, closing: asyncio.Event) -> APIRouter:
    """Return the routes that stay open.

    Args:
        service: What is told.
        access: Ends the streams of tokens that are taken back or expire.
        closing: Set when the process stops, so that open streams do not hold it up.
    """
    router = APIRouter(prefix="/api/v1")
    live_stream = _LiveStream(service, closing)

    def place(request: Request) -> AbstractContextManager[None]:
        """Return a place for one more stream of this asker."""
        address = address_key(request.client.host if request.client else "")
        key = f"{(bearer_of(request) or ANYONE).id} {address}"
        if not access.limits.streams.has_room(key):
            detail = "Too many streams are open; close one first."
            raise HTTPException(429, detail, {"retry-after": "10"})
        return access.limits.streams.held(key)

    def allowed(request: Request) -> Callable[[], bool]:
        bearer = bearer_of(request) or ANYONE
        return lambda: access.still(bearer)

    @router.get("/events", tags=["streams"], response_class=EventStream, responses=STREAM)
    async def events(
        request: Request,
        after: Annotated[int | None, Query(ge=0, description="Start above this number.")] = None,
        last_event_id: Annotated[str | None, Header()] = None,
    ) -> EventStream:
        """Numbered events: each `data:` one CloudEvents JSON object, `id:` its `sequence`.

        Starts above `Last-Event-ID` (which a reconnecting reader sends), else above `after`,
        else with the next event. Silence is filled with comments.
        """
        start = after if last_event_id is None else _number(last_event_id)
        held = place(request)
        frames = with_beats(
            _events(service, start), closing, lambda: ": beat\n\n", allowed=allowed(request)
        )
        return EventStream(frames, held)

    @router.get("/live", tags=["streams"], response_class=EventStream, responses=STREAM)
    async def live(
        request: Request,
        bay: Annotated[str | None, Query(description="Only this bay.")] = None,
        units: AskedUnits = None,
    ) -> EventStream:
        """State (`event: state`) and newest values (`event: live`) of all bays.

        On connecting the full state, then what changes: a bay's values at most ten times a
        second, its state at most twice; in 2 s of silence an `event: beat`, so that a reader can
        tell quiet from lost.
        """
        names = list(service.bays) if bay is None else [known_bay(service, bay)]
        wanted = None if units is None else asked_units(units, service.config.show.units)
        held = place(request)
        return EventStream(live_stream.follow(names, allowed(request), wanted), held)

    return router


def _number(last_event_id: str) -> int:
    if not (last_event_id.isascii() and last_event_id.isdigit()):
        raise HTTPException(400, f"Last-Event-ID is the number of an event, not {last_event_id!r}.")
    return int(last_event_id)


async def _events(service: Service, after: int | None) -> AsyncGenerator[str, None]:
    yield ": open\n\n"
    async with aclosing(service.events.subscribe(after)) as events:
        async for event in events:
            yield frame(event.model_dump_json(exclude_none=True), number=event.sequence)


class _LiveStream:
    """The service's feed as server-sent events, made once for all who read the same units."""

    def __init__(self, service: Service, closing: asyncio.Event) -> None:
        self._service = service
        self._closing = closing
        self._made: dict[tuple[str, str], tuple[Frame, dict[Units | None, bytes]]] = {}

    async def follow(
        self, names: Sequence[str], allowed: Callable[[], bool], units: Units | None
    ) -> AsyncGenerator[bytes, None]:
        """Yield frames ready to send: all that stands first, then what changes.

        Sentences are in the given units, None for the shop's. Ends when the process stops, the
        service ends, or the reader is not allowed any more.
        """
        show = self._service.config.show.model_dump(mode="json")
        yield frame(json.dumps({"bays": names, "show": show}), event="bays").encode()
        feed = self._service.feed.follow(names, LIVE_PACE, patience_s=_LOOK_EVERY_S)
        silent_s = 0.0
        try:
            async with aclosing(feed) as news:
                async for frames in news:
                    if self._closing.is_set() or not allowed():
                        return
                    silent_s = 0.0 if frames else silent_s + _LOOK_EVERY_S
                    if frames:
                        yield b"".join(self._encoded(each, units) for each in frames)
                    elif silent_s >= BEAT_S:
                        silent_s = 0.0
                        yield _BEAT
        except Exception:
            log.exception("the live stream broke")

    def _encoded(self, each: Frame, units: Units | None) -> bytes:
        known = self._made.get((each.kind, each.bay))
        if known is None or known[0] is not each:
            known = self._made[each.kind, each.bay] = each, {}
        made = known[1].get(units)
        if made is None:
            text = (
                each.json if units is None else json.dumps(in_units(json.loads(each.json), units))
            )
            made = known[1][units] = frame(text, event=each.kind).encode()
        return made
