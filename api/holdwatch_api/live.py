"""The two streams: numbered events for programs, state and live values for the screen."""

from __future__ import annotations

import json
from contextlib import aclosing
from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Header, HTTPException, Query, Request

from holdwatch_api.routes import known_bay
from holdwatch_api.streams import EventStream, frame, with_beats

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator

    from holdwatch_daemon.service import Service

STREAM: dict[int | str, dict[str, Any]] = {
    200: {"content": {"text/event-stream": {}}, "description": "Server-sent events"}
}


def streams(service: Service) -> APIRouter:
    """Return the routes that stay open."""
    router = APIRouter(prefix="/api/v1")

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
        frames = with_beats(
            _events(service, start), request.app.state.closing, lambda: ": beat\n\n"
        )
        return EventStream(frames)

    @router.get("/live", tags=["streams"], response_class=EventStream, responses=STREAM)
    async def live(
        request: Request,
        bay: Annotated[str | None, Query(description="Only this bay.")] = None,
    ) -> EventStream:
        """State (`event: state`) and newest values (`event: live`) of all bays.

        On connecting the full state, then what changes, each at most twice a second; every
        2 s of silence an `event: beat`, so that a reader can tell quiet from lost.
        """
        names = list(service.bays) if bay is None else [known_bay(service, bay)]
        beat = frame("{}", event="beat")
        frames = with_beats(_live(service, names), request.app.state.closing, lambda: beat)
        return EventStream(frames)

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


async def _live(service: Service, names: list[str]) -> AsyncGenerator[str, None]:
    told: dict[tuple[str, str], str] = {}

    def news(name: str) -> str:
        state = service.bay_state(name).model_dump_json()
        values = service.live(name).model_dump_json()
        text = ""
        for kind, body in (("state", state), ("live", values)):
            if told.get((kind, name)) != body:
                told[kind, name] = body
                text += frame(body, event=kind)
        return text

    show = service.config.show.model_dump(mode="json")
    yield frame(json.dumps({"bays": names, "show": show}), event="bays")
    # Every bay comes once at the beginning, and then whenever something changed.
    async with aclosing(service.changes()) as changes:
        async for name in changes:
            if name in names and (text := news(name)):
                yield text
