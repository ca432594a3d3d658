"""Running a coroutine until it ends or the user stops it."""

from __future__ import annotations

import asyncio
import gc
import signal
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Coroutine


def run_until_stopped(work: Coroutine[None, None, None]) -> int:
    """Run ``work``; Ctrl-C or SIGTERM cancels it and lets it clean up.

    Returns:
        The exit status: 0 after a stop that was asked for. Of several errors that tasks
        raised together, the first is raised.
    """
    settle()
    try:
        asyncio.run(_stoppable(work))
    except KeyboardInterrupt:
        return 0
    except BaseExceptionGroup as group:
        raise _first(group) from group
    return 0


def settle() -> None:
    """Let the collector pass over what is loaded by now: it lives until the process ends.

    Looking through all that libraries have made stops the event loop for a tenth of a second,
    at the start several times.
    """
    gc.freeze()


async def _stoppable(work: Coroutine[None, None, None]) -> None:
    task = asyncio.ensure_future(work)
    if sys.platform != "win32":
        loop = asyncio.get_running_loop()
        for number in (signal.SIGINT, signal.SIGTERM):
            loop.add_signal_handler(number, task.cancel)
    try:
        await task
    except asyncio.CancelledError:
        if not task.cancelled():
            raise


def _first(group: BaseExceptionGroup[BaseException]) -> BaseException:
    error: BaseException = group
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error
