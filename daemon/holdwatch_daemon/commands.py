"""Commands from people: carried out once, answered alike however often they come."""

from __future__ import annotations

import asyncio
import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, assert_never

from holdwatch_daemon.events import Draft
from holdwatch_daemon.holds import HoldIdentity, HoldRunner, write_begin
from holdwatch_daemon.messages import (
    AcknowledgeAlarm,
    BindWorkOrder,
    Command,
    ExtendHold,
    Reply,
    SayIsolated,
    StartHold,
    StopHold,
)
from holdwatch_daemon.recipes import complete_recipe
from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.story_holds import filled_for_bay
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.fluids import FluidError
from holdwatch_procedures.hold import Hold
from holdwatch_procedures.recipe import RecipeError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping

    from holdwatch_daemon.bays import Bay
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.config import ShopConfig
    from holdwatch_daemon.events import EventLog, Telling
    from holdwatch_daemon.fitness import Procedure
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.recipe import Recipe
    from holdwatch_procedures.story.units_under_test import UnitUnderTest


@dataclass(frozen=True, slots=True)
class Means:
    """What commands are carried out with."""

    config: ShopConfig
    clock: ServiceClock
    events: EventLog
    ids: Ids
    queries: Queries
    fluids: Callable[[], Awaitable[Fluids]]
    simulated: bool
    version: str
    unfit: Callable[[str, Procedure], str | None]


LONGEST_MIN = 10_080
"""The longest that a hold may last with all its extensions, minutes: a recipe's own limit."""


class _RefusedError(Exception):
    """A command cannot be carried out; the message is the reply."""


class CommandDesk:
    """Carries out commands, one at a time in each bay.

    The reply is written in the transaction of what the command did, under the sender's id, so
    that a command delivered again, even after a restart, is answered and not repeated.
    """

    def __init__(self, means: Means) -> None:
        self._means = means
        self._locks: defaultdict[str, asyncio.Lock] = defaultdict(asyncio.Lock)

    async def carry_out(self, bay: Bay, command: Command, by: str) -> Reply:
        """Carry out a command in a bay and return the reply, once it is on the disk."""
        async with self._locks[bay.name]:
            known = await self._means.queries.ask(
                lambda c: answers.reply_to(c, bay.name, command.id)
            )
            if known is not None:
                return known
            try:
                return await self._do(bay, command, by)
            except _RefusedError as refusal:
                return await self._refuse(bay, command, by, str(refusal))

    async def _do(self, bay: Bay, command: Command, by: str) -> Reply:
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
                return await self._isolated(bay, command, by)
            case AcknowledgeAlarm():
                return await self._acknowledge(bay, command, by)
        assert_never(command)

    async def _start(self, bay: Bay, command: StartHold, by: str) -> Reply:
        if bay.runner is not None:
            raise _RefusedError(f"A hold is running in {bay.label}; stop it first.")
        earlier = await self._earlier(bay, command)
        recipe = self._recipe(bay, command, earlier, await self._stored_unit(bay))
        means = self._means
        unfit = means.unfit(bay.name, recipe.procedure)
        if unfit is not None:
            raise _RefusedError(unfit)
        try:
            hold = Hold(recipe, await means.fluids(), version=means.version)
        except (RecipeError, FluidError) as error:
            raise _RefusedError(str(error)) from error
        # A reading stamped with this very instant may be recorded already, and is not this hold's:
        # a replay would else judge one that the live hold was never fed.
        zero_ns, started_ns = means.clock.mono_ns() + 1, means.clock.utc_ns()
        channels = {channel: role for role, channel in bay.roles.items()}
        hold_id = f"{bay.name}-{_compact(started_ns)}-{uuid.uuid4().hex[:6]}"
        identity = HoldIdentity(hold_id, bay.name, bay.unit, recipe, channels, started_ns)
        reply = Reply(id=command.id, ok=True, text="The hold has begun.", hold_id=hold_id)

        def work(telling: Telling) -> None:
            write_begin(
                telling,
                identity,
                means.ids,
                zero_mono_ns=zero_ns,
                simulated=means.simulated,
                version=means.version,
                by=by,
            )
            self._keep(telling, bay, command, by, reply)

        begun = means.events.transact(work)
        # From here on readings are fed; what they tell is written after the hold's beginning.
        bay.begin_hold(
            HoldRunner(
                identity,
                hold,
                means.events,
                means.clock.utc_ns,
                zero_mono_ns=zero_ns,
                version=means.version,
            )
        )
        try:
            await begun
        except Exception:
            bay.runner = None
            raise
        return reply

    async def _stop(self, bay: Bay, command: StopHold, by: str) -> Reply:
        runner = _running(bay)
        text = f"Stopped by {by}."
        # Finishing decides at once, so that the reply may name the outcome.
        verdict = runner.decide()
        reply = Reply(id=command.id, ok=True, text=verdict.sentence, hold_id=runner.identity.id)
        written = runner.finish(text, lambda t: self._keep(t, bay, command, by, reply))
        bay.end_hold()
        await written
        return reply

    async def _isolated(self, bay: Bay, command: SayIsolated, by: str) -> Reply:
        runner = _running(bay)
        reply = Reply(id=command.id, ok=True, text="Noted.", hold_id=runner.identity.id)
        written = runner.say_isolated(
            self._means.clock.mono_ns(), lambda t: self._keep(t, bay, command, by, reply)
        )
        if runner.verdict is not None:
            bay.end_hold()
        await written
        return reply

    async def _extend(self, bay: Bay, command: ExtendHold, by: str) -> Reply:
        runner = _running(bay)
        longest = runner.hold.longest_min + command.minutes
        if longest > LONGEST_MIN:
            raise _RefusedError(
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
        if runner.verdict is not None:
            bay.end_hold()
        await written
        return reply

    async def _bind(self, bay: Bay, command: BindWorkOrder, by: str) -> Reply:
        if bay.runner is not None:
            hold_id = bay.runner.identity.id
        elif bay.last is not None:
            hold_id = bay.last.id
        else:
            raise _RefusedError(f"No hold has been made in {bay.label} that could be bound.")
        utc_ns = self._means.clock.utc_ns()
        text = f"Bound to work order {command.work_order}."
        reply = Reply(id=command.id, ok=True, text=text, hold_id=hold_id)
        data = {"hold": hold_id, "work_order": command.work_order, "text": text, "by": by}

        def work(telling: Telling) -> None:
            rows.bind_work_order(telling.connection, hold_id, command.work_order, rfc3339(utc_ns))
            telling.tell(Draft("holdwatch.hold.noted", utc_ns, data, bay.name, hold_id))
            self._keep(telling, bay, command, by, reply)

        await self._means.events.transact(work)
        return reply

    async def _acknowledge(self, bay: Bay, command: AcknowledgeAlarm, by: str) -> Reply:
        if not bay.alarms.acknowledge(command.alarm, self._means.clock.utc_ns()):
            raise _RefusedError(f"No alarm {command.alarm!r} stands in {bay.label}.")
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

    async def _earlier(self, bay: Bay, command: StartHold) -> list[dict[str, Any]]:
        """What the holds that this one continues have found by themselves."""
        found: list[dict[str, Any]] = []
        for hold_id in command.continues:
            row = await self._means.queries.hold(hold_id)
            verdict = await self._means.queries.verdict(hold_id)
            if row is None or verdict is None:
                raise _RefusedError(f"No finished hold {hold_id!r} is known to continue.")
            if row.unit != bay.unit or row.procedure != "standing-vacuum":
                raise _RefusedError(
                    f"Hold {hold_id!r} is no standing vacuum of the unit in {bay.label}."
                )
            own = verdict.get("own_slope_pa_per_s")
            if own is None:
                raise _RefusedError(f"Hold {hold_id!r} was too short to say anything.")
            figures = {f"{key}_pa_per_s": own[key] for key in ("low", "high")}
            found.append({"hold": hold_id, "slope_pa_per_s": own["value"], **figures})
        return found

    async def _stored_unit(self, bay: Bay) -> UnitUnderTest | None:
        """The unit of the story that goes by the name of the one in this bay."""
        return None if bay.unit is None else await self._means.queries.unit_named(bay.unit)

    def _recipe(
        self,
        bay: Bay,
        command: StartHold,
        earlier: list[dict[str, Any]],
        stored: UnitUnderTest | None,
    ) -> Recipe:
        config = self._means.config
        table: Mapping[str, Any]
        if isinstance(command.recipe, str):
            name = command.recipe
            if name not in config.recipes:
                known = ", ".join(sorted(config.recipes)) or "none is configured"
                raise _RefusedError(f"No recipe is named {name!r}; known: {known}.")
            table, where = config.recipes[name], f"recipe {name}"
        else:
            name, table, where = "given with the command", command.recipe, "recipe"
        table = filled_for_bay(table, bay.config, stored)
        if earlier:
            table = dict(table) | {"earlier_holds": earlier}
        try:
            return complete_recipe(table, config, bay.config, name=name, where=where)
        except RecipeError as error:
            raise _RefusedError(str(error)) from error


def _running(bay: Bay) -> HoldRunner:
    if bay.runner is None:
        raise _RefusedError(f"No hold is running in {bay.label}.")
    return bay.runner


def _compact(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
