"""The process in one object: adapters in, store, holds, events and MQTT out."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from functools import partial
from random import Random
from typing import TYPE_CHECKING, Self

from holdwatch_adapters.settings import Broker, SettingsError
from holdwatch_daemon.bays.alarms import Alarms
from holdwatch_daemon.bays.bay import Bay, FinishedHold
from holdwatch_daemon.bays.commands import CommandHandler, Means
from holdwatch_daemon.bays.preconditions import unmet_precondition
from holdwatch_daemon.bays.resume import carry_on, give_up, last_finished, replay
from holdwatch_daemon.bays.runner import OVERDUE_NS
from holdwatch_daemon.bays.view import bay_state, live_message
from holdwatch_daemon.clock import ClockSteps, Naps, step_text
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.health.figures import health_of, metrics_of
from holdwatch_daemon.health.loop_watch import LIMIT_S, LoopWatchdog
from holdwatch_daemon.intake.calibration import calibration_events, last_calibrations
from holdwatch_daemon.intake.checks import ShopChecks
from holdwatch_daemon.intake.intake import Inbox, Intake, ProbeTracker
from holdwatch_daemon.intake.pulse import Pulse
from holdwatch_daemon.intake.supervisor import Supervisor
from holdwatch_daemon.outlets.broker import EmbeddedBroker
from holdwatch_daemon.outlets.feed import Feed
from holdwatch_daemon.outlets.mqtt import Destination, Outbox
from holdwatch_daemon.properties import fluids_for
from holdwatch_daemon.store import answers
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.recorder import open_recorder
from holdwatch_daemon.store.transactions import ServiceTransactions
from holdwatch_daemon.tasks import end_tasks
from holdwatch_daemon.valves.valves import Wires
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import FluidError
from holdwatch_procedures.holds import RecipeError

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Mapping, Sequence
    from types import TracebackType

    from holdwatch_adapters.ports import Adapter
    from holdwatch_daemon.bays.preconditions import Procedure
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.health.figures import Metric
    from holdwatch_daemon.health.loop_watch import Stall
    from holdwatch_daemon.messages import BayState, Command, EventType, Live, Reply
    from holdwatch_daemon.outlets.webhooks import Webhook
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_daemon.store.answers import HoldRow
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_daemon.store.queries import Queries
    from holdwatch_physics.reading import ProbeNotice, Reading
    from holdwatch_procedures.wording import Units

__all__ = ["Service", "log"]

log = logging.getLogger(__name__)

_TICK_S = 0.5
_WAITING_ITEMS = 2_000
_DRAIN_S = 2.0


class Service:
    """A shop's bays, watched.

    ::

        async with Service(config, clock, adapters) as service:
            reply = await service.command("bay-1", StartHold(...), by="http")
            async for event in service.events.subscribe(after=0):
                ...

    Entering starts recorder, adapters and outbox and resumes holds that were running; leaving
    writes what is pending and stops them. Nothing here knows HTTP.

    Args:
        config: The shop's configuration.
        clock: Stamps everything; the same one that the adapters stamp with.
        adapters: The ways in.
        simulated: Whether messages are marked as simulated.
        random: For the jitter of pauses.
        stall_s: For how long the event loop may stand still before it is told, s.

    Attributes:
        config: The shop's configuration.
        bays: The bays by name.
        store: Queries over what is recorded; every method is async and reads only.
        events: The numbered events; ``events.subscribe(after)`` follows them live.
        feed: What every bay shows; ``feed.follow()`` follows it live.
        broker_address: Host and port of the MQTT broker, embedded or not; once entered.
    """

    bays: Mapping[str, Bay]
    store: Queries
    events: EventLog
    feed: Feed
    broker_address: tuple[str, int]

    def __init__(
        self,
        config: ShopConfig,
        clock: ServiceClock,
        adapters: Sequence[Adapter],
        *,
        simulated: bool = False,
        random: Random | None = None,
        stall_s: float = LIMIT_S,
    ) -> None:
        self.config = config
        self.clock = clock
        self.simulated = simulated
        self.bays = {}
        self.version = version()
        self._adapters = tuple(adapters)
        self._random = random or Random()  # noqa: S311 - jitter, not a secret
        self._exit = contextlib.AsyncExitStack()
        self._allowance_ns = round((clock.speed - 1.0) * 2e9)
        self._stall_s = stall_s
        self._steps, self._naps = ClockSteps(), Naps()
        self._supervisors: list[Supervisor] = []
        self._outbox: Outbox | None = None
        self._webhooks: list[Webhook] = []

    async def __aenter__(self) -> Self:
        """Start everything; raises ``StoreError`` when the database cannot be used."""
        async with contextlib.AsyncExitStack() as undo:
            await self._open_store(undo)
            self._pulse = Pulse(asyncio.get_running_loop().time)
            self._inbox: Inbox[Reading | ProbeNotice] = Inbox(_WAITING_ITEMS)
            self._group = await undo.enter_async_context(asyncio.TaskGroup())
            undo.callback(self._close_subscriptions)
            self._fluids = await fluids_for(self.config)
            await self._furnish_bays()
            await self._tell("holdwatch.service.started")
            self._start_readings()  # all that follows takes its time beside them
            to = await self._start_outbox(undo)
            await self._open_webhooks()
            told = await self.store.ask(last_calibrations)
            await self.events.tell(*calibration_events(self.config, told, self.clock.utc_ns()))
            self._watchdog = undo.enter_context(LoopWatchdog(self._tell_stall, self._stall_s))
            await self._wires.begin(
                self._group, to.broker, f"{to.client_id}-wire", self.store, self._random
            )
            undo.push_async_callback(self._wires.end, _DRAIN_S)
            self._start_tasks()
            undo.push_async_callback(self._stop_tasks)
            self._exit = undo.pop_all()
        log.info("service started, %d bays, database %s", len(self.bays), self.config.database)
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Stop everything, writing what is pending."""
        await self._exit.__aexit__(kind, error, trace)
        log.info("service stopped")

    async def run(self) -> None:
        """Run until cancelled (enters and leaves by itself)."""
        async with self:
            await asyncio.Event().wait()

    def bay_state(self, name: str, units: Units | None = None) -> BayState:
        """Return what a bay is doing, in the shop's units where no others are asked for.

        Raises:
            KeyError: There is no such bay.
        """
        return bay_state(
            self.bays[name],
            units or self.config.show.units,
            now_mono_ns=self.clock.mono_ns(),
            now_utc_ns=self.clock.utc_ns(),
            stale_allowance_ns=self._allowance_ns,
            simulated=self.simulated,
        )

    def live(self, name: str) -> Live:
        """Return the newest values of a bay; raises ``KeyError`` for an unknown bay."""
        return live_message(
            self.bays[name],
            self.config.show,
            self._fluids,
            now_mono_ns=self.clock.mono_ns(),
            now_utc_ns=self.clock.utc_ns(),
            stale_allowance_ns=self._allowance_ns,
            simulated=self.simulated,
        )

    def unmet_precondition(self, name: str, procedure: Procedure) -> str | None:
        """Return why a hold would be refused in a bay as it stands now; None where it may begin."""
        stale = self.bays[name].stale_roles(self.clock.mono_ns(), self._allowance_ns)
        return unmet_precondition(self.bays[name], procedure, stale)

    async def command(self, bay: str, command: Command, *, by: str) -> Reply:
        """Carry out a command, once per ``command.id``; the same id gets the same reply.

        Raises ``KeyError`` for an unknown bay. ``by`` says where it came from (``http``, ``mqtt``).
        """
        reply = await self._commands.carry_out(self.bays[bay], command, by)
        self.feed.note(bay)
        return reply

    async def until_written(self, hold_id: str, patience_s: float) -> None:
        """Wait until the verdict that a hold has just got is in the store, so long at most, s.

        A bay shows its verdict at once; what is then asked of the store would else come before
        what it is asked for.
        """
        for bay in self.bays.values():
            last = bay.last
            if last is not None and last.id == hold_id and last.written is not None:
                await asyncio.wait([last.written], timeout=patience_s)

    def health(self) -> dict[str, object]:
        """Return ``status`` (``ok`` or ``degraded``) and one table for each part of the process."""
        return health_of(
            adapters=[supervisor.status for supervisor in self._supervisors],
            outbox=self._outbox,
            webhooks=[webhook.status for webhook in self._webhooks],
            writer=self._writer.state,
            probes=self._book.states.values(),
            database=self.config.database,
            clock=self.clock,
            loop=self._watchdog.state,
            newest_event=self.events.newest,
            version=self.version,
        )

    def is_serving(self, within_s: float) -> bool:
        """Return whether readings were taken in and holds looked after within so long, s.

        A disk that refuses or stands still is no standstill: what it has not taken waits in
        memory, and a new start would lose it.
        """
        return self._pulse.beats(within_s) or self._writer.state.takes_nothing

    def metrics(self) -> list[Metric]:
        """Return counters and gauges for a scrape."""
        return metrics_of(
            adapters=[supervisor.status for supervisor in self._supervisors],
            outbox=self._outbox,
            writer=self._writer.state,
            probes=self._book.states.values(),
            bays=self.bays.values(),
            loop=self._watchdog.state,
            newest_event=self.events.newest,
            waiting_items=len(self._inbox),
        )

    # -- starting ---------------------------------------------------------------------------

    async def _open_store(self, undo: contextlib.AsyncExitStack) -> None:
        self._recorder = await open_recorder(
            undo, self.config, self.clock, simulated=self.simulated, version=self.version
        )
        self.store, self.events = self._recorder.store, self._recorder.events
        self._ids, self._writer = self._recorder.ids, self._recorder.writer
        self.transactions = ServiceTransactions(self.events, asyncio.get_running_loop())
        self._database_id = self._recorder.database_id

    async def _furnish_bays(self) -> None:
        """Make the bays as they were, and carry on their holds."""
        config = self.config
        self._book = ProbeTracker(config.probe)
        await self._recorder.note_probes()
        bays: dict[str, Bay] = {}
        for each in config.bay:
            name = each.name
            standing = await self.store.ask(partial(answers.standing_alarms, bay=name))
            bays[name] = Bay(each, config, Alarms(name, self.events, standing))
            last = await self.store.ask(partial(last_finished, bay=name))
            if last is not None:
                bays[name].last = FinishedHold(last.hold_id, last, last.verdict_sentence or "")
                bays[name].test_gas = last.procedure == "pressure-decay"
        self.bays = bays
        self.feed = Feed(bays, self.bay_state, self.live)
        await self._recorder.furnished(bays)
        for row in await self.store.ask(answers.running_holds):
            await self._resume(row)
        means = Means(
            config=config,
            clock=self.clock,
            events=self.events,
            ids=self._ids,
            queries=self.store,
            fluids=self._fluids,
            simulated=self.simulated,
            version=self.version,
            unmet_precondition=self.unmet_precondition,
        )
        self._commands = CommandHandler(means)
        self._wires = Wires(means, bays, self._commands, self._allowance_ns)
        senses = ShopChecks(config)
        self._intake = Intake(self._book, senses, self.bays, self._writer, self.events, self.clock)

    async def _resume(self, row: HoldRow) -> None:
        """Carry on a hold that was running when the process ended."""
        fluids = self._fluids
        try:
            replayed = await self.store.ask(lambda c: replay(c, row, fluids, self.version))
        except (RecipeError, FluidError) as error:
            await give_up(row, str(error), self.events, self.clock.utc_ns())
            return
        runner = carry_on(replayed, self.events, self._ids, self.clock, self.version)
        bay = self.bays.get(row.bay)
        if bay is None or bay.runner is not None:
            runner.finish("Its bay is no longer configured.")
            return
        bay.begin_hold(runner)

    def _start_readings(self) -> None:
        create = self._group.create_task
        self._naps.awake_since(self.clock.mono_ns())
        self._supervisors = [
            Supervisor(
                adapter,
                self._inbox.put,
                self.clock,
                self._random,
                offer=self._inbox.offer,
                is_enrolled=self._book.states.__contains__,
            )
            for adapter in self._adapters
        ]
        self._tasks = [
            create(self._intake.run(self._inbox, self._pulse, self.feed.note)),
            create(self._recorder.keep()),
        ]
        self._tasks += [create(supervisor.run()) for supervisor in self._supervisors]

    def _start_tasks(self) -> None:
        create = self._group.create_task
        self._tasks += [create(self._tick())]
        self._tasks += [create(webhook.run()) for webhook in self._webhooks]

    async def _start_outbox(self, undo: contextlib.AsyncExitStack) -> Destination:
        client_id = f"holdwatch-{self.config.site.name}-{self._database_id}"
        prefix = self.config.mqtt_prefix
        if self.config.mqtt is None:
            embedded = await undo.enter_async_context(EmbeddedBroker())
            broker, key = Broker(embedded.host, embedded.port), f"embedded/{prefix}"
        else:
            try:
                broker = await asyncio.to_thread(self.config.mqtt.broker, "[mqtt]")
            except SettingsError as error:
                raise ConfigError([str(error)]) from error
            key = f"{broker}/{prefix}"
        to = Destination(broker, prefix, key, client_id)
        self.broker_address = (broker.host, broker.port)
        self._outbox = Outbox(
            to,
            self.feed,
            lambda bay, command: self.command(bay, command, by="mqtt"),
            self.events,
            self.store,
            self._random,
            self.clock.utc_ns,
        )
        self._publishing = self._group.create_task(self._outbox.run())
        # The broker ends after the outbox, whose callback is the later one and runs first.
        undo.push_async_callback(self._stop_outbox)
        return to

    async def _open_webhooks(self) -> None:
        if self.config.webhook:
            open_webhooks = await asyncio.to_thread(_webhook_opener)
            self._webhooks = await open_webhooks(self.config, self.events, self.store, self._random)

    # -- running ----------------------------------------------------------------------------

    async def _tick(self) -> None:
        """Look after what no reading brings about: silence, and time that is up."""
        while True:
            await asyncio.sleep(_TICK_S)
            self._pulse.tick()
            now_mono_ns, now_utc_ns = self.clock.mono_ns(), self.clock.utc_ns()
            grace_ns = OVERDUE_NS + self._allowance_ns
            awake_ns = self._naps.awake_since(now_mono_ns)
            for bay in self.bays.values():
                changed = bay.watch_probes(now_mono_ns, now_utc_ns, self._allowance_ns, awake_ns)
                runner = bay.runner
                if runner is not None and runner.is_overdue(now_mono_ns, grace_ns):
                    runner.finish()
                    changed = True
                if changed or bay.runner is not None:
                    self.feed.note(bay.name)
            for name in self._wires.tick():
                self.feed.note(name)
            self._tell_clock_step(self._steps.look(self.clock))

    # -- stopping ---------------------------------------------------------------------------

    async def _stop_tasks(self) -> None:
        """Stop what brings readings, and take in what is there."""
        await end_tasks(self._tasks)
        self._intake.take(self._inbox.take_rest())

    async def _stop_outbox(self) -> None:
        """Tell the end, and give disk and broker a moment each to take it."""
        told = self._tell("holdwatch.service.stopped")
        await asyncio.wait([told], timeout=_DRAIN_S)
        if self._outbox is not None:
            await self._outbox.drain(_DRAIN_S)
        await end_tasks([self._publishing])
        if self._outbox is not None and told.done():
            await self._outbox.note_position()

    def _close_subscriptions(self) -> None:
        self.feed.close()
        self.events.close()

    def _tell_stall(self, stall: Stall) -> None:
        self.events.tell(Draft("holdwatch.service.stalled", self.clock.utc_ns(), stall.data()))

    def _tell_clock_step(self, step_s: float | None) -> None:
        if step_s is not None:
            data = {"step_s": step_s, "text": step_text(step_s)}
            self.events.tell(Draft("holdwatch.clock.stepped", self.clock.utc_ns(), data))

    def _tell(self, kind: EventType) -> asyncio.Future[None]:
        data = {"version": self.version, "site": self.config.site.name}
        return self.events.tell(Draft(kind, self.clock.utc_ns(), data))


def _webhook_opener() -> Callable[..., Awaitable[list[Webhook]]]:
    # Its client takes longer to import than all else here; few shops have webhooks.
    from holdwatch_daemon.outlets.webhooks import open_webhooks  # noqa: PLC0415

    return open_webhooks
