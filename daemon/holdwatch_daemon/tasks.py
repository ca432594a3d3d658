"""Ending tasks for sure."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["end_tasks"]

_AGAIN_S = 1.0


async def end_tasks(tasks: Iterable[asyncio.Task[Any]]) -> None:
    """Cancel tasks until they are done.

    Once is not always enough: ``asyncio.wait_for`` of Python 3.11, which the libraries under an
    adapter may use, swallows a cancellation that comes together with its result.
    """
    pending = {task for task in tasks if not task.done()}
    while pending:
        for task in pending:
            task.cancel()
        _, pending = await asyncio.wait(pending, timeout=_AGAIN_S)
