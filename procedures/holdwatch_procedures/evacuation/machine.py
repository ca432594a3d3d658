"""An evacuation that runs by itself, as a pure state machine: what is seen in, orders out.

The steps of one round::

    pump on ─ confirmed ─ valve open ─ confirmed ─ pumping down ─ target held, or no more gained
    ─ valve closed ─ confirmed ─ the pressure is seen to rise while the pump still pulls ─ pump
    off ─ confirmed ─ hold ─ pass: done; moist: once more; else: over

Everything that goes wrong leads one way: valve closed, then pump off, and it is said why. The
valve closes before the pump stops, since a pump at rest may let air or oil back into what it
evacuated. The valve is opened in one place only, :meth:`Unattended.look`, on what the gauges
show at that very moment. That a valve says it is closed is not believed before the pressure
shows it: a rise against a running pump proves that the pump no longer reaches the system.
Sources: common practice, no source.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from holdwatch_procedures.evacuation.alarms import Alarms
from holdwatch_procedures.evacuation.interlock import why_not_open, why_not_so
from holdwatch_procedures.evacuation.orders import (
    BeginHold,
    Ended,
    EndHold,
    Figures,
    Heard,
    HoldEnd,
    Order,
    Outcome,
    Relay,
    Step,
    Stepped,
    Switch,
)
from holdwatch_procedures.evacuation.outcome import after_hold
from holdwatch_procedures.evacuation.pumpdown import PumpDown, Turn
from holdwatch_procedures.evacuation.relays import AWAITED, WORDS, Wire, why_not_off
from holdwatch_procedures.wording import Say, render, sentences

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation.interlock import Sight

REPEAT_S = 60.0
"""How often an unconfirmed command to close or stop is repeated, s."""
LATE_S = 60.0
"""How long after an evacuation's end a relay that switches on is taken for a late one, s."""

_VALVE_OPEN: Final = frozenset({Step.OPENING, Step.PUMPING, Step.CLOSING})
_FOLLOWED: Final = frozenset({Step.PUMPING, Step.CLOSING, Step.ISOLATING})
_WITH_HOLD: Final = frozenset({Step.STARTING_HOLD, Step.HOLDING})
_SHUTTING: Final = frozenset({Step.SHUTTING, Step.SHUTTING_PUMP})


class Unattended:
    """The evacuations of one bay, one at a time; lives as long as the bay does.

    Every method takes the monotonic time in nanoseconds and returns orders, to be carried out in
    their order. Nothing in here waits, reads a clock or talks to a relay.

    Args:
        figures: What it keeps to until an evacuation brings its own.

    Attributes:
        step: What it is doing.
        since_ns: Since when.
        figures: What the present or last evacuation keeps to.
        pump_downs: How many pump-downs it has begun.
        pump_down: The present or last one; None before the first.
        holds: Ids of the holds of this evacuation, in order.
        linked: Whether relays can be reached.
        last: How the last evacuation ended.
    """

    def __init__(self, figures: Figures) -> None:
        self.step = Step.IDLE
        self.since_ns = 0
        self.figures = figures
        self.pump_downs = 0
        self.pump_down: PumpDown | None = None
        self.holds: list[str] = []
        self.linked = False
        self.last: Ended | None = None
        self._wires = {Relay.VALVE: Wire(), Relay.PUMP: Wire()}
        self._continues: list[str] = []
        self._closed_ns = self._linked_ns = 0
        self._ending: Ended | None = None
        self._alarms = Alarms()

    # -- what is asked of it ------------------------------------------------------------------

    @property
    def runs(self) -> bool:
        """Whether an evacuation is going on, or valve and pump are being shut."""
        return self.step is not Step.IDLE

    @property
    def evacuates(self) -> bool:
        """Whether an evacuation is on its way."""
        return self.runs and self.step not in _SHUTTING

    @property
    def tells(self) -> bool:
        """Whether what is going on matters to people; shutting as a service starts does not."""
        return self.evacuates or (self.runs and self._ending is not None)

    @property
    def is_safe(self) -> bool:
        """Whether the valve is confirmed closed and the pump confirmed off."""
        return all(wire.is_surely(on=False) for wire in self._wires.values())

    def known(self, relay: Relay) -> bool | None:
        """What a relay last said, where no command speaks against it; else None."""
        wire = self._wires[relay]
        return wire.known if wire.wanted in {None, wire.known} else None

    def why_not_start(self, sight: Sight, most_above_room_pa: float) -> Say | None:
        """Return why no evacuation can begin now, in one sentence; None where one can."""
        if self.evacuates:
            return Say("evacuation.runs")
        if not self.linked:
            return Say("evacuation.broker_away")
        return why_not_off(self._wires) or why_not_open(sight, most_above_room_pa)

    def why_not_pressure(self) -> Say | None:
        """Return why nitrogen must not be held now, in one sentence; None where it may be."""
        if self.runs:
            return Say("evacuation.in_use")
        return why_not_off(self._wires)

    # -- in: people, the broker, the relays ---------------------------------------------------

    def start(self, t_ns: int, figures: Figures, sight: Sight) -> list[Order]:
        """Begin; raises ``ValueError`` with the sentence of :meth:`why_not_start`."""
        why = self.why_not_start(sight, figures.most_above_room_pa)
        if why is not None:
            raise ValueError(render(why))
        self.figures = figures
        self.pump_downs, self.holds, self.last = 0, [], None
        self._continues, self._ending = [], None
        self._alarms.begin()
        return self._pump_again(t_ns, Say("evacuation.pump_started"))

    def stop(self, t_ns: int, why: Say, outcome: Outcome = Outcome.STOPPED) -> list[Order]:
        """End the evacuation as a person wishes, or interrupt it; nothing where none runs.

        A hold that runs is stopped as well, unless it is interrupted: then it goes on alone.
        """
        return self._end(t_ns, outcome, why) if self.evacuates else []

    def make_safe(self, t_ns: int, why: Say | None) -> list[Order]:
        """Command valve closed and pump off, since what was before is not known.

        Args:
            t_ns: Now.
            why: How an evacuation that was running ended; None where none was.
        """
        self._ending = None if why is None else Ended(Outcome.INTERRUPTED, why)
        self._alarms.quiet = why is None  # a relay without power is no alarm where nothing ran
        if why is None:
            self._be_patient(t_ns)
        return self._shut(t_ns)

    def link(self, t_ns: int, *, up: bool) -> list[Order]:
        """Take that relays can be reached, or no longer."""
        if up == self.linked:
            return []
        self.linked, self._linked_ns = up, t_ns
        if self.step is Step.IDLE or self.step in _WITH_HOLD:
            self._be_patient(t_ns)
        if up:
            return self._shut(t_ns) if self.step in _SHUTTING else self._repeat(t_ns)
        for wire in self._wires.values():
            wire.forget(t_ns)  # a relay may be switched now without a word of it
        if self.step is Step.IDLE or self.step in _SHUTTING or self.step in _WITH_HOLD:
            return []
        return self._fault(t_ns, Say("evacuation.connection_lost"))

    def relay_says(self, t_ns: int, relay: Relay, *, on: bool, retained: bool) -> list[Order]:
        """Take a relay's state message.

        One that was retained may be old: it confirms nothing, but what it says against "off" is
        believed. While a command waits for its confirmation, the former state is only late, but
        behind a hold; without one, a change was made by hand.
        """
        wire = self._wires[relay]
        if retained and (not on or wire.wanted):
            return []
        if wire.wanted is not None:
            if wire.wanted is not on:
                wire.known = on
                if on and relay is Relay.VALVE and self.step in _WITH_HOLD:
                    return self._by_hand(t_ns, relay, on=on)
                return []
            wire.wanted, wire.known = None, on
            return [Heard(relay, on, "confirmed"), *self._confirmed(t_ns, relay)]
        if wire.known is on:
            return []
        wire.known = on
        return [Heard(relay, on, "by hand"), *self._by_hand(t_ns, relay, on=on)]

    # -- in: time, gauges, readings -----------------------------------------------------------

    def look(self, t_ns: int, sight: Sight) -> list[Order]:
        """Take the time and what the gauges show; to be called at least once in a second or two.

        The one place where a valve is opened.
        """
        late, most_pa = self._overdue(t_ns), self.figures.most_above_room_pa
        if not self.evacuates:
            late += self._alarms.pressure(t_ns, self._wires[Relay.VALVE], sight, most_pa)
        if late:
            return late
        is_open = self.step in _VALVE_OPEN
        if self.evacuates and (why := why_not_so(sight, most_pa, is_open=is_open)):
            return self._fault(t_ns, why)
        match self.step:
            case Step.STARTING_PUMP if self._wires[Relay.PUMP].is_surely(on=True):
                return self._open(t_ns, sight)
            case Step.PUMPING:
                return self._while_pumping(t_ns)
            case Step.ISOLATING:
                return self._while_isolating(t_ns, sight)
        return []

    def reading(self, t_ns: int, pressure_pa: float, wall_k: float | None = None) -> list[Order]:
        """Take one good reading of the vacuum gauge within its range, absolute, Pa.

        ``wall_k`` is the temperature of the coldest wall, K, where one is known.
        """
        if self.pump_down is None or self.step not in _FOLLOWED:
            return []
        pumping = self.step is Step.PUMPING
        told = self.pump_down.push(t_ns, pressure_pa, wall_k, pumping=pumping)
        return [Stepped(self.step, text) for text in told]

    # -- in: the hold -------------------------------------------------------------------------

    def hold_began(self, t_ns: int, hold_id: str) -> list[Order]:
        """Take that the ordered hold has begun."""
        if self.step is not Step.STARTING_HOLD:
            return [EndHold(Say("evacuation.ended_before_hold"))]
        self.holds.append(hold_id)
        return self._go(t_ns, Step.HOLDING, Say("evacuation.hold_begun"))

    def hold_refused(self, t_ns: int, why: Say) -> list[Order]:
        """Take that the ordered hold cannot begin."""
        if self.step is not Step.STARTING_HOLD:
            return []
        return self._end(t_ns, Outcome.INCONCLUSIVE, Say("evacuation.no_hold", why=why))

    def hold_ended(self, t_ns: int, end: HoldEnd) -> list[Order]:
        """Take how the hold ended: done, once more, or over."""
        if self.step is not Step.HOLDING:
            return []
        if end.continues:
            self._continues.append(self.holds[-1])
        most, shut = self.figures.most_pump_downs, self._wires[Relay.VALVE].is_surely(on=False)
        fate = after_hold(end, self.pump_downs, most, linked=self.linked, shut=shut)
        if fate is not None:
            return self._end(t_ns, fate.outcome, fate.text, alarm=fate.alarm)
        return self._pump_again(t_ns, sentences(end.sentence, Say("evacuation.again")))

    # -- the way ------------------------------------------------------------------------------

    def _go(self, t_ns: int, step: Step, text: Say) -> list[Order]:
        self.step, self.since_ns = step, t_ns
        return [Stepped(step, text)]

    def _switch(self, t_ns: int, relay: Relay, *, on: bool, again: bool = False) -> Switch:
        wire = self._wires[relay]
        wire.wanted, wire.sent_ns = on, t_ns
        if on:
            wire.known = None  # from here on it may be on, whatever it said before
        return Switch(relay, on, again)

    def _pump_again(self, t_ns: int, text: Say) -> list[Order]:
        self.pump_downs += 1
        told = self._go(t_ns, Step.STARTING_PUMP, text)
        return [*told, self._switch(t_ns, Relay.PUMP, on=True)]

    def _open(self, t_ns: int, sight: Sight) -> list[Order]:
        """Open the valve, unless anything that is seen at this moment speaks against it."""
        why = why_not_open(sight, self.figures.most_above_room_pa)
        if why is None and not self._wires[Relay.VALVE].is_surely(on=False):
            why = Say("evacuation.valve_not_known_closed")
        if why is not None:
            return self._fault(t_ns, why)
        told = self._go(t_ns, Step.OPENING, Say("evacuation.valve_opened"))
        return [*told, self._switch(t_ns, Relay.VALVE, on=True)]

    def _confirmed(self, t_ns: int, relay: Relay) -> list[Order]:
        """Go on from a confirmed command; the pump's start waits for the next look."""
        match self.step, relay:
            case Step.OPENING, Relay.VALVE:
                self.pump_down = PumpDown(t_ns, self.figures)
                return self._go(t_ns, Step.PUMPING, Say("evacuation.pumping_down"))
            case Step.CLOSING, Relay.VALVE:
                self._closed_ns = t_ns
                text = Say("evacuation.says_closed")
                return self._go(t_ns, Step.ISOLATING, text)
            case Step.STOPPING_PUMP, Relay.PUMP:
                told = self._go(t_ns, Step.STARTING_HOLD, Say("evacuation.pump_is_off"))
                return [*told, BeginHold(self._closed_ns, tuple(self._continues))]
            case Step.SHUTTING, Relay.VALVE:
                return self._shut_pump(t_ns)
            case Step.SHUTTING_PUMP, Relay.PUMP:
                return self._over(t_ns)
        return []

    def _while_pumping(self, t_ns: int) -> list[Order]:
        if self.pump_down is None:
            return []
        turn, text = self.pump_down.way(t_ns)
        if turn is Turn.FAULT:
            return self._fault(t_ns, text)
        if turn is Turn.ON:
            return []
        told = self._go(t_ns, Step.CLOSING, text)
        return [*told, self._switch(t_ns, Relay.VALVE, on=False)]

    def _while_isolating(self, t_ns: int, sight: Sight) -> list[Order]:
        if self.pump_down is not None and self.pump_down.is_isolated(t_ns, self._closed_ns, sight):
            text = Say("evacuation.isolation_seen")
            told = self._go(t_ns, Step.STOPPING_PUMP, text)
            return [*told, self._switch(t_ns, Relay.PUMP, on=False)]
        if t_ns - self._closed_ns < self.figures.isolation_s * 1e9:
            return []
        text = Say("evacuation.no_isolation")
        return self._end(t_ns, Outcome.INCONCLUSIVE, text, alarm=True)

    # -- what goes wrong ----------------------------------------------------------------------

    def _be_patient(self, t_ns: int) -> None:
        """Leave the valve, which was just asked, the time to answer before pressure alarms."""
        self._alarms.patient_until_ns = t_ns + round(self.figures.answer_s * 1e9)

    def _overdue(self, t_ns: int) -> list[Order]:
        """Act on commands that were not confirmed in time."""
        if self.step in _WITH_HOLD and not self.linked:
            return []  # nothing can be asked; it is when the broker is back
        awaited = AWAITED.get(self.step, ())
        for relay, wire in self._wires.items():
            if wire.wanted is None:
                continue
            waited_s = (t_ns - wire.sent_ns) / 1e9
            if relay in awaited and waited_s >= self.figures.answer_s:
                return self._unanswered(t_ns, relay, on=wire.wanted)
            if relay not in awaited and waited_s >= REPEAT_S and not wire.wanted:
                return [self._switch(t_ns, relay, on=False, again=True)]
        return []

    def _unanswered(self, t_ns: int, relay: Relay, *, on: bool) -> list[Order]:
        words, most_s = WORDS[relay, on], self.figures.answer_s
        text = Say("evacuation.unconfirmed", command=words, most_s=most_s)
        heard = Heard(relay, on, "unanswered")
        if self.step is Step.SHUTTING:
            by_hand = sentences(text, Say("evacuation.close_then_stop"))
            alarm = self._alarms.once("wire_unconfirmed", by_hand)
            if not self.linked:
                # Nothing can be commanded now: it goes on when the broker is back.
                self._wires[relay].sent_ns = t_ns
                return alarm
            return [heard, *alarm, *self._shut_pump(t_ns)]
        if self.step in _WITH_HOLD:
            return self._unanswered_in_hold(t_ns, relay, text)
        by_hand = sentences(text, Say("evacuation.stop_by_hand"))
        if self.step is Step.SHUTTING_PUMP:
            alarm = self._alarms.once("wire_unconfirmed", by_hand)
            return [heard, *alarm, *self._over(t_ns)]
        return [heard, *self._fault(t_ns, text)]

    def _unanswered_in_hold(self, t_ns: int, relay: Relay, text: Say) -> list[Order]:
        again = self._switch(t_ns, relay, on=False, again=True)
        if relay is Relay.PUMP:
            by_hand = sentences(text, Say("evacuation.stop_by_hand"))
            return [*self._alarms.once("wire_unconfirmed", by_hand), again]
        if t_ns - self._linked_ns < REPEAT_S * 1e9:  # the relay may find the broker later
            return [again]
        text = sentences(text, Say("evacuation.nothing_judged"))
        ended = self._end(t_ns, Outcome.INCONCLUSIVE, text, alarm=True)
        return [Heard(relay, on=False, how="unanswered"), EndHold(text), *ended]

    def _by_hand(self, t_ns: int, relay: Relay, *, on: bool) -> list[Order]:
        """Act on a relay that changed without a command."""
        if self.step is Step.IDLE:
            late = self.last is not None and t_ns - self.since_ns < LATE_S * 1e9
            return [self._switch(t_ns, relay, on=False)] if on and late else []
        if self.step in _SHUTTING:
            return self._shut(t_ns) if on and relay is Relay.VALVE else []
        text = Say("evacuation.nobody_commanded", what=WORDS[relay, on])
        if relay is Relay.VALVE and not on:
            return self._end(t_ns, Outcome.STOPPED, sentences(text, Say("evacuation.ends")))
        if relay is Relay.PUMP and self.step in _WITH_HOLD:
            if not on:
                return []
            told = Stepped(self.step, sentences(text, Say("evacuation.hold_goes_on")))
            return [told, self._switch(t_ns, relay, on=False)]
        return self._fault(t_ns, sentences(text, Say("evacuation.all_shut")))

    def _fault(self, t_ns: int, text: Say) -> list[Order]:
        return self._end(t_ns, Outcome.FAULT, text, alarm=True)

    def _end(self, t_ns: int, outcome: Outcome, text: Say, *, alarm: bool = False) -> list[Order]:
        """Leave the way: hold ended where the valve gave out, valve closed, pump off."""
        orders: list[Order] = []
        if self.step is Step.HOLDING and outcome in {Outcome.FAULT, Outcome.STOPPED}:
            orders.append(EndHold(text))
        self._ending = Ended(outcome, text)
        if alarm:
            orders += self._alarms.once("wire_fault", text)
        if self.step is Step.HOLDING and self.is_safe:
            return [*orders, *self._over(t_ns)]
        pump = self._wires[Relay.PUMP]
        if pump.wanted:
            pump.wanted = pump.known = None  # it may still start; it is commanded off in its turn
        return [*orders, *self._shut(t_ns)]

    def _shut(self, t_ns: int) -> list[Order]:
        again = self.step in _SHUTTING
        self.step, self.since_ns = Step.SHUTTING, t_ns
        return [self._switch(t_ns, Relay.VALVE, on=False, again=again)]

    def _shut_pump(self, t_ns: int) -> list[Order]:
        self.step, self.since_ns = Step.SHUTTING_PUMP, t_ns
        return [self._switch(t_ns, Relay.PUMP, on=False)]

    def _over(self, t_ns: int) -> list[Order]:
        self.step, self.since_ns = Step.IDLE, t_ns
        ended, self._ending = self._ending, None
        if ended is None:
            return []
        self.last = ended
        return [ended]

    def _repeat(self, t_ns: int) -> list[Order]:
        """Repeat what was commanded off and never confirmed; valve first."""
        return [
            self._switch(t_ns, relay, on=False, again=True)
            for relay, wire in self._wires.items()
            if wire.wanted is False
        ]
