"""Server-sent events: how a source of messages becomes a stream that outlives quiet hours."""

from __future__ import annotations

import asyncio
from contextlib import aclosing
from typing import TYPE_CHECKING

from starlette.responses import StreamingResponse

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, AsyncIterator, Callable

    from starlette.types import Send

BEAT_S = 2.0
"""How long a stream may be silent before it shows that it still lives, s (real time)."""


def frame(data: str, *, event: str | None = None, number: int | None = None) -> str:
    r"""Return one event in the text form of the HTML standard's ``EventSource``.

    >>> frame('{"a": 1}', event="state", number=7)
    'event: state\nid: 7\ndata: {"a": 1}\n\n'
    """
    head = "" if event is None else f"event: {event}\n"
    if number is not None:
        head += f"id: {number}\n"
    return head + "".join(f"data: {line}\n" for line in data.split("\n")) + "\n"


async def with_beats(
    source: AsyncIterator[str],
    closing: asyncio.Event,
    beat: Callable[[], str],
    every_s: float = BEAT_S,
) -> AsyncGenerator[str, None]:
    """Yield what the source yields, and a beat whenever it was silent for a while.

    Ends when the source ends or the process is closing; the source is closed in any case.

    Args:
        source: Frames, ready to send.
        closing: Set when the process stops, so that open streams do not hold it up.
        beat: Makes the frame that fills a silence.
        every_s: Longest silence, s.
    """
    stop = asyncio.ensure_future(closing.wait())
    pending = asyncio.ensure_future(anext(source))
    try:
        while True:
            done, _ = await asyncio.wait(
                {stop, pending}, timeout=every_s, return_when=asyncio.FIRST_COMPLETED
            )
            if stop in done:
                return
            if pending not in done:
                yield beat()
                continue
            try:
                text = pending.result()
            except StopAsyncIteration:
                return
            yield text
            pending = asyncio.ensure_future(anext(source))
    finally:
        stop.cancel()
        pending.cancel()
        await asyncio.gather(stop, pending, return_exceptions=True)
        close = getattr(source, "aclose", None)
        if close is not None:
            await close()


class EventStream(StreamingResponse):
    """A response of server-sent events whose source is closed as soon as the reader is gone."""

    media_type = "text/event-stream"

    def __init__(self, frames: AsyncGenerator[str, None], status_code: int = 200) -> None:
        super().__init__(
            frames, status_code, headers={"cache-control": "no-store", "x-accel-buffering": "no"}
        )
        self._frames = frames

    async def stream_response(self, send: Send) -> None:
        """Send the stream and close its source."""
        async with aclosing(self._frames):
            await super().stream_response(send)
