"""A bay whose valve and pump are switched by wire: the pure evacuation among clock and relays."""

from __future__ import annotations

import asyncio
import logging
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.bays.hold_start import RefusedError
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.valves.sight import sight_of
from holdwatch_daemon.valves.wording import evacuation_message
from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures.evacuation import (
    BeginHold,
    Ended,
    EndHold,
    Figures,
    Heard,
    HoldEnd,
    RaiseAlarm,
    Relay,
    Step,
    Stepped,
    Switch,
    Unattended,
)
from holdwatch_procedures.evacuation import Outcome as Ending
from holdwatch_procedures.holds import MICRON_PA, Cause, Outcome
from holdwatch_procedures.wording import Say, as_written, render, said

if TYPE_CHECKING:
    from collections.abc import Awaitable, Callable, Iterable, Mapping

    from holdwatch_daemon.bays.bay import Bay
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.clock import ServiceClock
    from holdwatch_daemon.messages import Evacuation, EventType
    from holdwatch_daemon.settings.shop import WireConfig
    from holdwatch_daemon.store.events import EventLog
    from holdwatch_physics.reading import Reading
    from holdwatch_procedures.evacuation import Order, Sight
    from holdwatch_procedures.holds import Recipe, Verdict

log = logging.getLogger(__name__)

MOST_KEPT: Final = 200_000
"""Readings since the valve was commanded closed, until the hold takes them: an hour and a half of
eight channels, four times a second each."""
_KEPT_STEPS: Final = frozenset(
    {Step.PUMPING, Step.CLOSING, Step.ISOLATING, Step.STOPPING_PUMP, Step.STARTING_HOLD}
)
_TAIL_NS: Final = 5_000_000_000
"""How far back readings are kept while pumping: some may bear the time of the closing, ns."""
_MOIST: Final = frozenset({Cause.MOISTURE, Cause.OUTGASSING})


@dataclass(frozen=True, slots=True)
class WireMeans:
    """What a wired bay works with.

    Attributes:
        clock: The one that stamps readings.
        events: Where what happens is told.
        send: Sends a payload to a topic, or drops it while the broker is away.
        begin: Begins the hold of an evacuation (see ``CommandHandler.begin_isolated``).
        allowance_ns: Added to each gauge's age limit.
    """

    clock: ServiceClock
    events: EventLog
    send: Callable[[str, str], None]
    begin: Callable[
        [Bay, Recipe, int, Callable[[], Iterable[Reading]], tuple[str, ...]], Awaitable[HoldRunner]
    ]
    allowance_ns: int


class WiredBay:
    """Carries out what :class:`Unattended` orders, and tells it what is seen.

    Args:
        bay: The bay.
        config: Its relays and figures.
        means: What it works with.

    Attributes:
        bay: The bay.
        config: Its relays and figures.
    """

    def __init__(self, bay: Bay, config: WireConfig, means: WireMeans) -> None:
        self.bay = bay
        self.config = config
        self._means = means
        self._machine = Unattended(self._figures(None))
        self._recipe: Recipe | None = None
        self._runner: HoldRunner | None = None
        self._told_runner = False
        self._kept: deque[Reading] = deque()
        self._beginning: set[asyncio.Task[None]] = set()
        self._by_topic = {
            config.valve.state: (Relay.VALVE, config.valve),
            config.pump.state: (Relay.PUMP, config.pump),
        }
        self._unknown: set[str] = set()

    @property
    def topics(self) -> tuple[str, ...]:
        """Where the relays say their states."""
        return tuple(self._by_topic)

    @property
    def runs(self) -> bool:
        """Whether an evacuation is going on, or valve and pump are being shut."""
        return self._machine.runs

    @property
    def evacuates(self) -> bool:
        """Whether an evacuation is on its way."""
        return self._machine.evacuates

    @property
    def tells(self) -> bool:
        """Whether what is going on matters to people."""
        return self._machine.tells

    def why_not_pressure(self) -> str | None:
        """Return why nitrogen must not be held in the bay now; None where it may be."""
        why = self._machine.why_not_pressure()
        return None if why is None else render(why)

    def message(self) -> Evacuation:
        """Return how it stands, for people."""
        now_ns = self._means.clock.mono_ns()
        return evacuation_message(self._machine, self._sight(now_ns), now_ns)

    # -- in -----------------------------------------------------------------------------------

    def start(self, recipe: Recipe, by: str) -> str:
        """Begin an evacuation; return what to say.

        Raises:
            RefusedError: It cannot begin; one sentence.
        """
        now_ns = self._means.clock.mono_ns()
        try:
            orders = self._machine.start(now_ns, self._figures(recipe), self._sight(now_ns))
        except ValueError as error:
            raise RefusedError(str(error)) from error
        self._recipe, self._runner = recipe, None
        figures = self._machine.figures
        begun = Say("evacuation.begun")
        text = render(begun)
        data = {
            "unit": self.bay.unit,
            "recipe": recipe.name,
            "target_pa": figures.target_pa,
            "held_s": figures.held_s,
            "most_pump_downs": figures.most_pump_downs,
            "text": text,
            "by": by,
            "said": said(text=begun),
        }
        self._tell("holdwatch.evacuation.started", data)
        self._carry_out(orders)
        return text

    def stop(self, why: str) -> None:
        """End the running evacuation, if one runs: valve closed, then pump off."""
        self._do(lambda now_ns: self._machine.stop(now_ns, as_written(why)))

    def begin_safe(self, *, interrupted: bool) -> None:
        """Command valve closed and pump off as the service starts; what was before is not known."""
        why = Say("evacuation.started_anew")
        self._do(lambda now_ns: self._machine.make_safe(now_ns, why if interrupted else None))

    def leave(self) -> None:
        """End the evacuation because the service stops; its hold goes on at the next start."""
        why = Say("evacuation.service_stopped")
        self._do(lambda now_ns: self._machine.stop(now_ns, why, Ending.INTERRUPTED))

    def link(self, *, up: bool) -> None:
        """Take whether the broker can be reached."""
        self._do(lambda now_ns: self._machine.link(now_ns, up=up))

    def hear(self, topic: str, payload: str, *, retained: bool) -> None:
        """Take a relay's state message."""
        relay, config = self._by_topic[topic]
        on = config.meant(payload)
        if on is None:
            if topic not in self._unknown:
                self._unknown.add(topic)
                log.warning(
                    "bay %s: %s says %.50r: not a known state", self.bay.name, topic, payload
                )
            return
        self._do(lambda now_ns: self._machine.relay_says(now_ns, relay, on=on, retained=retained))

    def take(self, reading: Reading, *, judged: bool = True) -> None:
        """Take a reading of the bay that is to be believed.

        With ``judged`` false no hold gets it, since it could not be stored.
        """
        machine = self._machine
        if not machine.runs:
            return
        if judged:
            self._keep(reading)
        role = self.bay.role_of(reading.channel)
        if (
            role is not None
            and role_of(role) is Role.VACUUM
            and reading.quality is Quality.GOOD
            and reading.quantity is Quantity.PRESSURE_ABSOLUTE
        ):
            wall_k = self._coldest_k()
            self._do(lambda _: machine.reading(reading.mono_ns, reading.value, wall_k))
        self.tick()

    def _keep(self, reading: Reading) -> None:
        """Keep the readings since the valve closed, and a little before: the hold takes them."""
        kept = self._kept
        if self._machine.step not in _KEPT_STEPS:
            kept.clear()
            return
        if len(kept) >= MOST_KEPT:
            # A hold without its first readings would be judged on a part of what was seen.
            why = Say("evacuation.too_many_readings")
            self._do(lambda now_ns: self._machine.stop(now_ns, why, Ending.INCONCLUSIVE))
            return
        kept.append(reading)
        while self._machine.step is Step.PUMPING and kept[0].mono_ns < reading.mono_ns - _TAIL_NS:
            kept.popleft()

    def tick(self) -> None:
        """Let time go by; at least twice a second."""
        self._see_hold()
        self._do(lambda now_ns: self._machine.look(now_ns, self._sight(now_ns)))
        if self._machine.is_safe:
            gone = ("wire_unconfirmed", "wire_pressure", "wire_fault")
            kinds = self.bay.alarms.kinds().intersection(gone if not self.runs else gone[:2])
            for kind in kinds:
                self.bay.alarms.cause_gone(kind, self._means.clock.utc_ns())

    # -- out ----------------------------------------------------------------------------------

    def _do(self, ask: Callable[[int], Iterable[Order]]) -> None:
        """Ask the evacuation and carry out its orders; a mistake of ours shuts everything.

        It must stop neither the bay's readings nor its holds.
        """
        now_ns = self._means.clock.mono_ns()
        try:
            self._carry_out(ask(now_ns))
        except Exception:
            log.exception("bay %s: the evacuation broke; valve and pump are shut", self.bay.name)
            for relay in (self.config.valve, self.config.pump):
                self._means.send(relay.command, relay.word(on=False))
            text = Say("evacuation.broke")
            self.bay.alarms.raise_("wire_fault", text, self._means.clock.utc_ns())
            linked, self._machine = self._machine.linked, Unattended(self._figures(None))
            self._machine.linked = linked
            self._carry_out(self._machine.make_safe(now_ns, text))

    def _carry_out(self, orders: Iterable[Order]) -> None:
        for order in orders:
            match order:
                case Switch():
                    self._switch(order)
                case BeginHold():
                    task = asyncio.get_running_loop().create_task(self._begin(order))
                    self._beginning.add(task)
                    task.add_done_callback(self._beginning.discard)
                case EndHold():
                    self._end_hold(render(order.why))
                case RaiseAlarm():
                    utc_ns = self._means.clock.utc_ns()
                    if self.bay.alarms.raise_(order.kind, order.text, utc_ns):
                        text = render(order.text)
                        log.warning("bay %s alarm %s: %s", self.bay.name, order.kind, text)
                case Stepped():
                    self._stepped(order)
                case Heard():
                    self._told_switch(order.relay, order.how, on=order.on)
                case Ended():
                    self._ended(order)

    def _switch(self, order: Switch) -> None:
        relay = self.config.valve if order.relay is Relay.VALVE else self.config.pump
        self._means.send(relay.command, relay.word(on=order.on))
        if not order.again:
            self._told_switch(order.relay, "commanded", on=order.on)

    def _told_switch(self, relay: Relay, how: str, *, on: bool) -> None:
        words = ("open", "closed") if relay is Relay.VALVE else ("on", "off")
        state = words[0] if on else words[1]
        text = f"{str(relay).capitalize()} {state}: {how}."
        data = {"relay": str(relay), "state": state, "how": how, "text": text}
        self._tell("holdwatch.wire.switched", data)
        log.info("bay %s wire: %s", self.bay.name, text)

    def _stepped(self, order: Stepped) -> None:
        data = {
            "step": str(order.step),
            "pump_down": self._machine.pump_downs,
            "text": render(order.text),
            "said": said(text=order.text),
        }
        self._tell("holdwatch.evacuation.step", data)
        log.info("bay %s evacuation: %s", self.bay.name, render(order.text))

    def _ended(self, order: Ended) -> None:
        data = {
            "outcome": str(order.outcome),
            "text": render(order.text),
            "said": said(text=order.text),
            "pump_downs": self._machine.pump_downs,
            "holds": list(self._machine.holds),
        }
        self._tell("holdwatch.evacuation.ended", data)
        text = render(order.text)
        log.info("bay %s evacuation ended, %s: %s", self.bay.name, order.outcome, text)

    async def _begin(self, order: BeginHold) -> None:
        """Begin the ordered hold; whatever goes wrong, the evacuation is told."""

        def readings() -> list[Reading]:
            return [reading for reading in self._kept if reading.mono_ns >= order.since_ns]

        why = Say("evacuation.recipe_unknown")
        runner: HoldRunner | None = None
        if self._recipe is not None:
            try:
                runner = await self._means.begin(
                    self.bay, self._recipe, order.since_ns, readings, order.continues
                )
            except RefusedError as error:
                why = as_written(str(error))
            except Exception as error:
                log.exception("bay %s: the hold of an evacuation could not begin", self.bay.name)
                why = as_written(f"{type(error).__name__}: {error}")
        if runner is None:
            self._do(lambda now_ns: self._machine.hold_refused(now_ns, why))
            return
        self._runner, self._told_runner = runner, False
        hold_id = runner.identity.id
        self._do(lambda now_ns: self._machine.hold_began(now_ns, hold_id))

    def _end_hold(self, why: str) -> None:
        runner = self._runner
        if runner is None or runner.verdict is not None or self.bay.runner is not runner:
            return
        runner.finish(why)

    def _see_hold(self) -> None:
        """Tell the evacuation, once, how its hold ended."""
        runner = self._runner
        if runner is None or self._told_runner or self._machine.step is not Step.HOLDING:
            return
        verdict = runner.verdict
        if verdict is None or self.bay.runner is runner:
            return  # the bay keeps it as its last one first
        self._told_runner = True
        self._do(lambda now_ns: self._machine.hold_ended(now_ns, _end(verdict)))

    # -- what is known ------------------------------------------------------------------------

    def _figures(self, recipe: Recipe | None) -> Figures:
        config = self.config
        targets = [] if config.target_micron is None else [config.target_micron * MICRON_PA]
        targets += [] if recipe is None else [recipe.target_pa]
        return Figures(
            target_pa=min(targets, default=500.0 * MICRON_PA),
            held_s=config.held_min * 60.0,
            longest_pump_s=config.longest_pump_down_min * 60.0,
            answer_s=config.confirm_s,
            isolation_s=config.isolation_min * 60.0,
            most_pump_downs=config.pump_downs,
            most_above_room_pa=config.open_below_kpa_g * 1e3,
        )

    def _sight(self, now_ns: int) -> Sight:
        return sight_of(self.bay, now_ns, self._means.allowance_ns)

    def _coldest_k(self) -> float | None:
        """The lowest pipe temperature that is to be believed, K."""
        return min(
            (
                reading.value
                for role, reading in self.bay.newest.items()
                if role_of(role) is Role.PIPE_TEMPERATURE and reading.quality is Quality.GOOD
            ),
            default=None,
        )

    def _tell(self, kind: EventType, data: Mapping[str, object]) -> None:
        self._means.events.tell(
            Draft(kind, self._means.clock.utc_ns(), dict(data), bay=self.bay.name)
        )


def _end(verdict: Verdict) -> HoldEnd:
    passed = verdict.outcome is Outcome.PASS
    return HoldEnd(
        passed=passed,
        failed=verdict.outcome is Outcome.FAIL,
        moist=not passed
        and Cause.LEAK not in verdict.causes
        and not _MOIST.isdisjoint(verdict.causes),
        sentence=verdict.sentence,
        continues=verdict.own_slope_pa_per_s is not None,
    )
