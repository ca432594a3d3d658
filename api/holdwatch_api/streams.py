"""Server-sent events: how a source of messages becomes a stream that outlives quiet hours."""

from __future__ import annotations

import asyncio
from contextlib import aclosing, nullcontext
from typing import TYPE_CHECKING

from starlette.responses import StreamingResponse

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, AsyncIterator, Callable
    from contextlib import AbstractContextManager

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
    *,
    allowed: Callable[[], bool] = lambda: True,
) -> AsyncGenerator[str, None]:
    """Yield what the source yields, and a beat whenever it was silent for a while.

    Ends when the source ends, the process is closing or the reader is not allowed any more; the
    source is closed in any case.

    Args:
        source: Frames, ready to send.
        closing: Set when the process stops, so that open streams do not hold it up.
        beat: Makes the frame that fills a silence.
        every_s: Longest silence, s.
        allowed: Whether the reader may go on; asked before each frame and in each silence.
    """
    stop = asyncio.ensure_future(closing.wait())
    pending = asyncio.ensure_future(anext(source))
    try:
        while True:
            done, _ = await asyncio.wait(
                {stop, pending}, timeout=every_s, return_when=asyncio.FIRST_COMPLETED
            )
            if stop in done or not allowed():
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

    def __init__(
        self,
        frames: AsyncGenerator[str, None] | AsyncGenerator[bytes, None],
        held: AbstractContextManager[None] | None = None,
        status_code: int = 200,  # FastAPI reads this default for the document
    ) -> None:
        super().__init__(
            frames, status_code, headers={"cache-control": "no-store", "x-accel-buffering": "no"}
        )
        self._frames = frames
        self._held = held or nullcontext()

    async def stream_response(self, send: Send) -> None:
        """Send the stream, close its source and give its place back."""
        async with aclosing(self._frames):
            with self._held:
                await super().stream_response(send)
