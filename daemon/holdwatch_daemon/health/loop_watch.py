"""Sees the event loop stand still, and names the line that it stands in."""

from __future__ import annotations

import asyncio
import logging
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import FrameType, TracebackType

log = logging.getLogger(__name__)

LIMIT_S: Final = 5.0
"""Standing still for longer is told, s."""
_BEATS: Final = 10
"""Beats within the limit."""
_TELL_EVERY_S: Final = 60.0
"""At most one stall in this time is told; others are counted, s."""
_FRAMES: Final = 12
_OURS: Final = "holdwatch_"


@dataclass(frozen=True, slots=True)
class Stall:
    """One time that the loop stood still.

    Attributes:
        seconds: How long, from the last beat to the next.
        where: ``file:line function`` of our own innermost line it stood in, and of the innermost
            line of all where that is another's.
        stack: The innermost lines, the innermost first.
        whole_process: Whether nothing at all ran meanwhile: a machine that was overloaded or
            suspended, or a library that kept the interpreter to itself. ``where`` is then where
            the loop was found when the process went on.
    """

    seconds: float
    where: str
    stack: tuple[str, ...]
    whole_process: bool

    @property
    def text(self) -> str:
        """The stall in a sentence."""
        if self.whole_process:
            return (
                f"The whole process stood still for {self.seconds:.1f} s (machine overloaded or "
                f"suspended, or a library that let nothing else run); it went on in {self.where}."
            )
        return f"The service stood still for {self.seconds:.1f} s in {self.where}."

    def data(self) -> dict[str, object]:
        """The stall as an event's data."""
        return {
            "seconds": round(self.seconds, 3),
            "where": self.where,
            "stack": list(self.stack),
            "whole_process": self.whole_process,
            "text": self.text,
        }


@dataclass(slots=True)
class LoopState:
    """What the watchdog says of the loop for health and metrics.

    Attributes:
        stalls: How often it stood still for longer than the limit.
        longest_s: The longest of them.
        last: Where it stood the last time; None where it never did.
        untold: Stalls that were counted but not told, since another had just been.
    """

    stalls: int = 0
    longest_s: float = 0.0
    last: str | None = None
    untold: int = 0


class LoopWatchdog:
    """Watches the running event loop from a thread of its own while the block runs.

    The loop beats by itself; the thread wakes as often and looks how long ago the last beat was.
    Beyond the limit it notes the loop's stack, once a stall, and logs it at once, since the loop
    may never come back. When it does, ``tell`` is called on it.

    Args:
        tell: Takes a stall that is over.
        limit_s: Longest time between two beats that is no stall, s.
    """

    def __init__(self, tell: Callable[[Stall], None], limit_s: float = LIMIT_S) -> None:
        self.state = LoopState()
        self._tell = tell
        self._limit_s = limit_s
        self._pause_s = limit_s / _BEATS
        self._beaten_s = 0.0
        self._told_s: float | None = None
        self._seen: tuple[tuple[str, ...], bool] | None = None
        self._ended = threading.Event()

    def __enter__(self) -> Self:
        """Begin to watch the running loop."""
        self._loop = asyncio.get_running_loop()
        self._beaten_s = time.monotonic()
        self._timer = self._loop.call_later(self._pause_s, self._beat)
        self._thread = threading.Thread(
            target=self._watch,
            args=(threading.get_ident(),),
            name="holdwatch-watchdog",
            daemon=True,
        )
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop watching."""
        self._timer.cancel()
        self._ended.set()
        self._thread.join()

    # -- on the loop ------------------------------------------------------------------------

    def _beat(self) -> None:
        now = time.monotonic()
        stood_s, self._beaten_s = now - self._beaten_s, now
        seen, self._seen = self._seen, None
        self._timer = self._loop.call_later(self._pause_s, self._beat)
        if stood_s > self._limit_s:
            # A stall that ended before the thread could look: nothing ran, and this line is next.
            self._over(stood_s, *(seen or (stack_of(sys._getframe()), True)), now)  # noqa: SLF001 - the documented way to a frame

    def _over(self, stood_s: float, stack: tuple[str, ...], whole: bool, now: float) -> None:
        stall = Stall(stood_s, culprit(stack), stack, whole)
        state = self.state
        state.stalls += 1
        state.longest_s = max(state.longest_s, stood_s)
        state.last = stall.where
        if self._told_s is not None and now - self._told_s < _TELL_EVERY_S:
            state.untold += 1
            return
        self._told_s = now
        log.warning("%s", stall.text)
        self._tell(stall)

    # -- in the thread ----------------------------------------------------------------------

    def _watch(self, loop_thread: int) -> None:
        looked = time.monotonic()
        while not self._ended.wait(self._pause_s):
            now = time.monotonic()
            late_s, looked = now - looked - self._pause_s, now
            if self._seen is not None or now - self._beaten_s <= self._limit_s:
                continue
            frame = sys._current_frames().get(loop_thread)  # noqa: SLF001 - the documented way to another thread's frames
            stack = () if frame is None else stack_of(frame)
            # This thread overslept as well: whatever it was stopped more than the loop.
            self._seen = stack, late_s > self._limit_s / 2
            log.error(
                "the event loop stands still for %.1f s in %s",
                now - self._beaten_s,
                " < ".join(stack) or "a place unknown",
            )


def stack_of(frame: FrameType) -> tuple[str, ...]:
    """Return the innermost lines of a stack as ``file:line function``, the innermost first."""
    lines: list[str] = []
    outer: FrameType | None = frame
    while outer is not None and len(lines) < _FRAMES:
        code = outer.f_code
        lines.append(f"{_short(code.co_filename)}:{outer.f_lineno} {code.co_name}")
        outer = outer.f_back
    return tuple(lines)


def culprit(stack: tuple[str, ...]) -> str:
    """Return our own innermost line of a stack, with what it called; else the innermost."""
    if not stack:
        return "a place unknown"
    ours = next((line for line in stack if line.startswith(_OURS)), None)
    if ours is None or ours == stack[0]:
        return stack[0]
    return f"{ours}, which called {stack[0]}"


def _short(filename: str) -> str:
    """Return a file's path from its package on."""
    parts = Path(filename).parts
    for number, part in enumerate(parts):
        if part.startswith(_OURS):
            return "/".join(parts[number:])
    return "/".join(parts[-2:])
