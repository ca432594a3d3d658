"""Every bay of a shop that is switched by wire, and the one link to their relays."""

from __future__ import annotations

import asyncio
from functools import partial
from typing import TYPE_CHECKING

from holdwatch_daemon.tasks import end_tasks
from holdwatch_daemon.valves.bay import WiredBay, WireMeans
from holdwatch_daemon.valves.link import RelayLink

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping
    from random import Random

    from holdwatch_adapters.settings import Broker
    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.commands import CommandHandler
    from holdwatch_daemon.bays.hold_start import Means
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_daemon.valves.link import State


class Wires:
    """The wired bays; without any it does nothing, and no connection is made.

    Args:
        shop: Configuration, clock and events of the shop.
        bays: All bays by name.
        commands: Begins holds.
        allowance_ns: Added to each gauge's age limit.
    """

    def __init__(
        self,
        shop: Means,
        bays: Mapping[str, Bay],
        commands: CommandHandler,
        allowance_ns: int,
    ) -> None:
        self._link: RelayLink | None = None
        config = shop.config
        means = WireMeans(
            shop.clock, shop.events, self._send, commands.begin_isolated, allowance_ns
        )
        self._wired = {
            each.name: WiredBay(bays[each.name], each.wire, means)
            for each in config.bay
            if each.wire is not None
        }
        for name, wired in self._wired.items():
            bays[name].relays = wired
        self._by_topic = {topic: w for w in self._wired.values() for topic in w.topics}

    async def begin(
        self,
        group: asyncio.TaskGroup,
        to: Broker,
        client_id: str,
        queries: Queries,
        random: Random,
    ) -> None:
        """Command every valve closed and every pump off, and connect to the relays."""
        if not self._wired:
            return
        for name, wired in self._wired.items():
            wired.begin_safe(interrupted=await queries.ask(partial(_was_running, bay=name)))
        topics = tuple(self._by_topic)
        self._link = RelayLink(to, client_id, topics, self._hear, self._turn, random)
        self._task = group.create_task(self._link.run())

    def tick(self) -> list[str]:
        """Let time go by; return the names of the bays in which an evacuation runs."""
        for wired in self._wired.values():
            wired.tick()
        return [name for name, wired in self._wired.items() if wired.runs]

    async def end(self, patience_s: float) -> None:
        """Close every valve, stop every pump, and wait a moment for the confirmations."""
        if self._link is None:
            return
        for wired in self._wired.values():
            wired.leave()
        steps = max(1, round(patience_s / 0.05))
        for _ in range(steps):
            if not any(wired.runs for wired in self._wired.values()):
                break
            await asyncio.sleep(0.05)
        await end_tasks([self._task])

    def _send(self, topic: str, payload: str) -> None:
        if self._link is not None:
            self._link.send(topic, payload)

    def _hear(self, state: State) -> None:
        self._by_topic[state.topic].hear(state.topic, state.payload, retained=state.retained)

    def _turn(self, up: bool) -> None:
        for wired in self._wired.values():
            wired.link(up=up)


def _was_running(connection: sqlite3.Connection, *, bay: str) -> bool:
    """Whether a bay's newest evacuation has no end in the store."""
    row = connection.execute(
        "SELECT type FROM events WHERE bay = ? AND type IN"
        " ('holdwatch.evacuation.started', 'holdwatch.evacuation.ended')"
        " ORDER BY sequence DESC LIMIT 1",
        (bay,),
    ).fetchone()
    return row is not None and str(row[0]) == "holdwatch.evacuation.started"
