"""What a bay shows, on its way to MQTT: state and live values, each as often as it is worth."""

from __future__ import annotations

import asyncio
from contextlib import aclosing
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable

    from holdwatch_daemon.messages import BayState
    from holdwatch_daemon.outlets.mqtt import Shop

BUSY_EVERY_S: Final = 0.5
"""A bay's state, and its live values while it holds or evacuates, go out at most this often, s."""
QUIET_EVERY_S: Final = 1.0
"""Live values of a bay between holds go out at most this often, s."""
_CLOCK_STEP_S: Final = 0.02
"""How much too early a pause may end."""


class LiveOut:
    """Tells states that changed and newest values for as long as one connection stands.

    Args:
        shop: What is told.
        tell_state: Publishes a bay's state message.
        tell_live: Publishes a bay's live message.
    """

    def __init__(
        self,
        shop: Shop,
        tell_state: Callable[[str, str], Awaitable[None]],
        tell_live: Callable[[str, str], Awaitable[None]],
    ) -> None:
        self._shop = shop
        self._tell_state = tell_state
        self._tell_live = tell_live
        self._states: dict[str, dict[str, Any]] = {}
        self._busy: set[str] = set()
        self._told_at: dict[str, float] = {}
        self._now = asyncio.get_running_loop().time

    async def run(self) -> None:
        """Tell until the service ends."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._tell_busy())
            group.create_task(self._tell_quiet())

    async def _tell_busy(self) -> None:
        """Tell every bay's state, and live values where something is being done."""
        async with aclosing(self._shop.changes(BUSY_EVERY_S)) as changes:
            async for bay in changes:
                await self._renew_state(bay)
                # Too soon after the last quiet message: a busy bay changes again in a moment.
                if bay in self._busy and self._wait_s(bay) <= 0.0:
                    await self._renew_live(bay)

    async def _tell_quiet(self) -> None:
        """Tell live values of bays in which nothing is being done."""
        async with aclosing(self._shop.changes(QUIET_EVERY_S)) as changes:
            async for bay in changes:
                if bay not in self._busy:
                    # Only a bay that was busy a moment ago has anything to wait for.
                    if (wait_s := self._wait_s(bay)) > 0.0:
                        await asyncio.sleep(wait_s)
                    await self._renew_live(bay)

    async def _renew_state(self, bay: str) -> None:
        state = self._shop.bay_state(bay)
        if is_busy(state):
            self._busy.add(bay)
        else:
            self._busy.discard(bay)
        content = dict(state)
        del content["time"]  # the time alone is no news
        if self._states.get(bay) != content:
            await self._tell_state(bay, state.model_dump_json())
            self._states[bay] = content

    async def _renew_live(self, bay: str) -> None:
        self._told_at[bay] = self._now()
        await self._tell_live(bay, self._shop.live(bay).model_dump_json(exclude_none=True))

    def _wait_s(self, bay: str) -> float:
        told_at = self._told_at.get(bay)
        wait_s = 0.0 if told_at is None else told_at + BUSY_EVERY_S - self._now()
        return wait_s if wait_s > _CLOCK_STEP_S else 0.0


def is_busy(state: BayState) -> bool:
    """Whether something is being done in a bay that somebody may watch from second to second."""
    evacuation = state.evacuation
    return state.doing == "hold" or (evacuation is not None and evacuation.step != "idle")
