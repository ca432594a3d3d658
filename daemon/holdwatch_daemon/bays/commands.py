"""Carries out commands from people once, and answers them alike however often they come."""

from __future__ import annotations

import asyncio
import time
from collections import defaultdict
from typing import TYPE_CHECKING, assert_never

from holdwatch_daemon.bays.hold_start import HoldStarter, Means, Part, RefusedError
from holdwatch_daemon.jobs.access import read_shop_tables
from holdwatch_daemon.jobs.hold_binding import Binding, bind
from holdwatch_daemon.messages import (
    AcknowledgeAlarm,
    BindWorkOrder,
    Command,
    ExtendHold,
    Reply,
    SayIsolated,
    StartEvacuation,
    StartHold,
    StopEvacuation,
    StopHold,
)
from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.vehicles import VehicleError
from holdwatch_procedures.wording import render

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from holdwatch_daemon.bays.bay import Bay, Relays
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.store.events import Telling
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.holds import Recipe
    from holdwatch_procedures.vehicles import Tables

__all__ = ["CommandHandler", "Means"]

LONGEST_MIN = 10_080
"""The longest that a hold may last with all its extensions, minutes: a recipe's own limit."""

LATE_MARK_S = 5.0
"""A person's word that a vacuum is isolated counts from when it is taken; one that waited longer
than this, s, is refused: what had risen by then would not be counted."""


class CommandHandler:
    """Carries out commands, one at a time in each bay.

    The reply is written in the transaction of what the command did, under the sender's id, so
    that a command delivered again, even after a restart, is answered and not repeated.

    Args:
        means: What it works with.
    """

    def __init__(self, means: Means) -> None:
        self._means = means
        self._starter = HoldStarter(means)
        self._locks: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    async def carry_out(self, bay: Bay, command: Command, by: str) -> Reply:
        """Carry out a command in a bay and return the reply, once it is on the disk."""
        came_s = time.monotonic()
        async with self._locks[bay.name]:
            known = await self._means.queries.ask(
                lambda c: answers.reply_to(c, bay.name, command.id)
            )
            if known is not None:
                return known
            try:
                return await self._do(bay, command, by, came_s)
            except RefusedError as refusal:
                return await self._refuse(bay, command, by, str(refusal))

    async def _do(  # noqa: PLR0911 - one a command
        self, bay: Bay, command: Command, by: str, came_s: float
    ) -> Reply:
        match command:
            case StartHold():
                return await self._start(bay, command, by)
            case StopHold():
                return await self._stop(bay, command, by)
            case ExtendHold():
                return await self._extend(bay, command, by)
            case BindWorkOrder():
                return await self._bind(bay, command, by)
            case SayIsolated():
                return await self._isolated(bay, command, by, came_s)
            case AcknowledgeAlarm():
                return await self._acknowledge(bay, command, by)
            case StartEvacuation():
                return await self._evacuate(bay, command, by)
            case StopEvacuation():
                return await self._stop_evacuating(bay, command, by)
        assert_never(command)

    async def begin_isolated(
        self,
        bay: Bay,
        recipe: Recipe,
        closed_ns: int,
        readings: Callable[[], Iterable[Reading]],
        continues: tuple[str, ...],
    ) -> HoldRunner:
        """Begin the hold of an unattended evacuation, counted from when its valve was closed.

        Args:
            bay: Where.
            recipe: What it is judged by.
            closed_ns: Monotonic time at which the valve was confirmed closed.
            readings: Gives the bay's readings since.
            continues: Ids of the evacuation's earlier holds.

        Raises:
            RefusedError: It cannot begin; one sentence.
        """
        async with self._locks[bay.name]:
            if continues:
                recipe = await self._starter.continued(bay, recipe, continues)
            return await self._starter.begin(
                bay, recipe, "evacuation", lambda *_: None, isolated=(closed_ns, readings)
            )

    async def _start(self, bay: Bay, command: StartHold, by: str) -> Reply:
        if bay.runner is not None:
            raise RefusedError(f"A hold is running in {bay.label}; stop it first.")
        self._check_no_evacuation(bay)
        part = None
        if command.volume_uncertainty is not None and command.volume_l is None:
            raise RefusedError("`volume_uncertainty` goes with `volume_l`: give both or neither.")
        if command.section is not None or command.volume_l is not None:
            figures = command.model_dump(
                include={"volume_l", "volume_uncertainty"}, exclude_none=True
            )
            part = Part(command.section, figures)
        recipe = await self._starter.recipe(bay, command.recipe, command.continues, part)
        self._check_shut(bay, recipe)
        means = self._means
        unmet = means.unmet_precondition(bay.name, recipe.procedure)
        if unmet is not None:
            raise RefusedError(unmet)
        replies: list[Reply] = []
        tables = None if command.work_order is None else await self._shop_tables()

        def also(telling: Telling, hold_id: str) -> None:
            text = "The hold has begun."
            if command.work_order is not None and tables is not None:
                binding = Binding(command.work_order, command.section)
                told = bind(telling, tables, hold_id, binding, utc_ns=means.clock.utc_ns(), by=by)
                text = f"{text} {told}"
            reply = Reply(id=command.id, ok=True, text=text, hold_id=hold_id)
            replies[:] = [reply]
            self._keep(telling, bay, command, by, reply)

        said = None if command.section is None else {"section": command.section}
        try:
            await self._starter.begin(bay, recipe, by, also, told=said)
        except VehicleError as error:
            raise RefusedError(str(error)) from error
        return replies[0]

    async def _stop(self, bay: Bay, command: StopHold, by: str) -> Reply:
        runner = _running(bay)
        text = f"Stopped by {by}."
        # Finishing decides at once, so that the reply may name the outcome.
        verdict = runner.decide()
        told = render(verdict.sentence)
        reply = Reply(id=command.id, ok=True, text=told, hold_id=runner.identity.id)
        written = runner.finish(text, lambda t: self._keep(t, bay, command, by, reply))
        if bay.relays is not None:
            bay.relays.stop(text)  # who stops the hold of an evacuation wishes no further pump-down
        await written
        return reply

    async def _isolated(self, bay: Bay, command: SayIsolated, by: str, came_s: float) -> Reply:
        runner = _running(bay)
        waited_s = time.monotonic() - came_s
        if runner.identity.recipe.is_vacuum and waited_s > LATE_MARK_S:
            raise RefusedError(
                f"This waited {waited_s:.0f} s for the disk or for a command before it, and what "
                "rose meanwhile would not count. The hold looks in the readings for the moment of "
                "closing; where it finds none, pull down again, close the valve and say so."
            )
        reply = Reply(id=command.id, ok=True, text="Noted.", hold_id=runner.identity.id)
        written = runner.say_isolated(
            self._means.clock.mono_ns(), lambda t: self._keep(t, bay, command, by, reply)
        )
        await written
        return reply

    async def _extend(self, bay: Bay, command: ExtendHold, by: str) -> Reply:
        runner = _running(bay)
        longest = runner.hold.longest_min + command.minutes
        if longest > LONGEST_MIN:
            raise RefusedError(
                f"The hold in {bay.label} would last {longest:g} min; {LONGEST_MIN} is the most. "
                "Stop it and judge what there is."
            )
        text = f"The hold may last {longest:g} min in all."
        reply = Reply(id=command.id, ok=True, text=text, hold_id=runner.identity.id)
        written = runner.extend(
            self._means.clock.mono_ns(),
            command.minutes,
            lambda t: self._keep(t, bay, command, by, reply),
        )
        await written
        return reply

    async def _shop_tables(self) -> Tables:
        """Read the tables that jobs are judged by, before a transaction needs them."""
        try:
            return await asyncio.to_thread(read_shop_tables, self._means.config.database.parent)
        except VehicleError as error:
            raise RefusedError(str(error)) from error

    async def _bind(self, bay: Bay, command: BindWorkOrder, by: str) -> Reply:
        if bay.runner is not None:
            hold_id = bay.runner.identity.id
        elif bay.last is not None:
            hold_id = bay.last.id
        else:
            raise RefusedError(f"No hold has been made in {bay.label} that could be bound.")
        utc_ns = self._means.clock.utc_ns()
        binding = Binding(command.work_order, command.section, command.after_repair)
        tables = await self._shop_tables()

        def work(telling: Telling) -> Reply:
            text = bind(telling, tables, hold_id, binding, utc_ns=utc_ns, by=by)
            reply = Reply(id=command.id, ok=True, text=text, hold_id=hold_id)
            self._keep(telling, bay, command, by, reply)
            return reply

        try:
            return await self._means.events.transact(work)
        except VehicleError as error:
            raise RefusedError(str(error)) from error

    async def _evacuate(self, bay: Bay, command: StartEvacuation, by: str) -> Reply:
        relays = _relays(bay)
        if not command.recovered:
            raise RefusedError(
                "Recover the refrigerant first and say so: what a pump draws off is vented."
            )
        if bay.runner is not None:
            raise RefusedError(f"A hold is running in {bay.label}; stop it first.")
        recipe = await self._starter.recipe(bay, command.recipe)
        if not recipe.is_vacuum:
            raise RefusedError(f"Recipe {recipe.name!r} is no standing vacuum.")
        unmet = self._means.unmet_precondition(bay.name, recipe.procedure)
        if unmet is not None:
            raise RefusedError(unmet)
        text = relays.start(recipe, by)
        reply = Reply(id=command.id, ok=True, text=text)
        await self._means.events.transact(lambda t: self._keep(t, bay, command, by, reply))
        return reply

    async def _stop_evacuating(self, bay: Bay, command: StopEvacuation, by: str) -> Reply:
        relays = _relays(bay)
        if not relays.evacuates:
            raise RefusedError(f"No evacuation is running in {bay.label}.")
        relays.stop(f"Stopped by {by}.")
        text = "It ends: the valve is closed, then the pump is stopped."
        reply = Reply(id=command.id, ok=True, text=text)
        await self._means.events.transact(lambda t: self._keep(t, bay, command, by, reply))
        return reply

    @staticmethod
    def _check_no_evacuation(bay: Bay) -> None:
        if bay.relays is not None and bay.relays.evacuates:
            raise RefusedError(f"An evacuation is running in {bay.label}; stop it first.")

    def _check_shut(self, bay: Bay, recipe: Recipe) -> None:
        """Nitrogen under pressure must not stand before a pump that a relay may open it to."""
        if bay.relays is None or recipe.is_vacuum:
            return
        why = bay.relays.why_not_pressure()
        if why is not None:
            raise RefusedError(
                f"No nitrogen hold in {bay.label} before its vacuum valve is confirmed closed and "
                f"its pump off. {why} Let no nitrogen in before."
            )

    async def _acknowledge(self, bay: Bay, command: AcknowledgeAlarm, by: str) -> Reply:
        if not bay.alarms.acknowledge(command.alarm, self._means.clock.utc_ns()):
            raise RefusedError(f"No alarm {command.alarm!r} stands in {bay.label}.")
        reply = Reply(id=command.id, ok=True, text="Acknowledged.")
        await self._means.events.transact(lambda t: self._keep(t, bay, command, by, reply))
        return reply

    async def _refuse(self, bay: Bay, command: Command, by: str, why: str) -> Reply:
        reply = Reply(id=command.id, ok=False, text=why)
        utc_ns = self._means.clock.utc_ns()
        data = {"command": command.command, "id": command.id, "by": by, "text": why}

        def work(telling: Telling) -> None:
            telling.tell(Draft("holdwatch.command.refused", utc_ns, data, bay=bay.name))
            self._keep(telling, bay, command, by, reply)

        await self._means.events.transact(work)
        return reply

    def _keep(self, telling: Telling, bay: Bay, command: Command, by: str, reply: Reply) -> None:
        rows.insert_command(
            telling.connection,
            bay.name,
            command.id,
            time=rfc3339(self._means.clock.utc_ns()),
            by=by,
            body=command.model_dump_json(),
            reply=reply.model_dump_json(),
        )


def _running(bay: Bay) -> HoldRunner:
    if bay.runner is None:
        raise RefusedError(f"No hold is running in {bay.label}.")
    return bay.runner


def _relays(bay: Bay) -> Relays:
    if bay.relays is None:
        raise RefusedError(
            f"Valve and pump of {bay.label} are not switched by wire; see [bay.wire]."
        )
    return bay.relays
