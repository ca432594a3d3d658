"""The unattended evacuation as a pure machine: what it does step by step and never does."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from holdwatch_procedures.unattended import LATE_S, REPEAT_S, Unattended
from holdwatch_procedures.unattended_guard import Glimpse, Sight, why_blind, why_not_open
from holdwatch_procedures.unattended_orders import (
    BeginHold,
    Ended,
    EndHold,
    Figures,
    Heard,
    HoldEnd,
    Order,
    Outcome,
    RaiseAlarm,
    Relay,
    Step,
    Switch,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

ROOM_PA = 98_000.0
FIGURES = Figures(target_pa=100.0, held_s=60.0, longest_pump_s=1800.0, isolation_s=300.0)
PASSED = HoldEnd(passed=True, failed=False, moist=False, sentence="Tight.", continues=True)
MOIST = HoldEnd(passed=False, failed=False, moist=True, sentence="Moisture.", continues=True)
FAILED = HoldEnd(passed=False, failed=True, moist=False, sentence="Leaks.", continues=True)
OPEN, CLOSE = Switch(Relay.VALVE, on=True), Switch(Relay.VALVE, on=False)
PUMP_ON, PUMP_OFF = Switch(Relay.PUMP, on=True), Switch(Relay.PUMP, on=False)


def gauge(role: str, gauge_pa: float, **changes: object) -> Glimpse:
    is_vacuum = role == "vacuum"
    shown = Glimpse(role, is_vacuum, gauge_pa + ROOM_PA, gauge_pa, fresh=True, good=True)
    return replace(shown, **changes)  # type: ignore[arg-type] # fields by name


def off_scale() -> Glimpse:
    return gauge("vacuum", 2666.0 - ROOM_PA, good=False, end="high")


EMPTY: Sight = (gauge("low_side", 800.0), off_scale())
EVACUATED: Sight = (
    gauge("low_side", -ROOM_PA, good=False, end="low"),
    gauge("vacuum", 60.0 - ROOM_PA),
)


class Bench:
    """A machine, its clock, and relays that answer at once unless a test says otherwise."""

    def __init__(self, figures: Figures = FIGURES) -> None:
        self.machine = Unattended(figures)
        self.t_ns = 0
        self.orders: list[Order] = []
        self.mute: set[Relay] = set()
        self.machine.link(0, up=True)
        self.take(self.machine.make_safe(0, None))
        self.orders.clear()

    def take(self, orders: Iterable[Order]) -> None:
        for order in orders:
            self.orders.append(order)
            if isinstance(order, Switch) and order.relay not in self.mute:
                self.says(order.relay, on=order.on)

    def says(self, relay: Relay, *, on: bool, retained: bool = False) -> None:
        self.take(self.machine.relay_says(self.t_ns, relay, on=on, retained=retained))

    def start(self) -> None:
        self.take(self.machine.start(self.t_ns, self.machine.figures, EMPTY))
        self.look(EMPTY)

    def look(self, sight: Sight, after_s: float = 1.0) -> None:
        self.t_ns += round(after_s * 1e9)
        self.take(self.machine.look(self.t_ns, sight))

    def read(self, *pressures_pa: float) -> None:
        """Readings 2 s apart, with a look after each."""
        for pressure in pressures_pa:
            self.t_ns += 2 * 10**9
            self.take(self.machine.reading(self.t_ns, pressure))
            self.take(self.machine.look(self.t_ns, EVACUATED))

    def pump_down(self) -> None:
        """From the open valve to the pump's stop."""
        self.read(*(40.0 + 900.0 * math.exp(-k / 10.0) for k in range(100)))
        assert self.machine.step is Step.ISOLATING
        self.read(*(40.0 + 0.2 * k for k in range(100)))

    def to_hold(self, hold_id: str = "hold-1") -> None:
        self.pump_down()
        assert self.machine.step is Step.STARTING_HOLD
        self.take(self.machine.hold_began(self.t_ns, hold_id))

    def switches(self) -> list[Switch]:
        return [order for order in self.orders if isinstance(order, Switch)]

    def alarms(self) -> list[str]:
        return [order.kind for order in self.orders if isinstance(order, RaiseAlarm)]

    def ended(self) -> Ended | None:
        return next((order for order in self.orders if isinstance(order, Ended)), None)


def test_a_dry_unit_is_pumped_down_isolated_and_held_and_the_valve_closes_first() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold()
    assert bench.switches() == [PUMP_ON, OPEN, CLOSE, PUMP_OFF]
    (begun,) = [order for order in bench.orders if isinstance(order, BeginHold)]
    assert begun.continues == ()
    bench.take(bench.machine.hold_ended(bench.t_ns, PASSED))
    assert bench.ended() == Ended(Outcome.PASS, "Tight.")
    assert bench.alarms() == []
    assert bench.machine.is_safe


def test_a_moist_unit_is_pumped_down_again_and_its_holds_are_judged_together() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold("hold-1")
    bench.take(bench.machine.hold_ended(bench.t_ns, MOIST))
    bench.look(EVACUATED)
    assert bench.machine.step is Step.PUMPING
    bench.to_hold("hold-2")
    begun = [order.continues for order in bench.orders if isinstance(order, BeginHold)]
    assert begun == [(), ("hold-1",)]
    bench.take(bench.machine.hold_ended(bench.t_ns, MOIST))
    bench.look(EVACUATED)
    bench.to_hold("hold-3")
    bench.take(bench.machine.hold_ended(bench.t_ns, MOIST))
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.INCONCLUSIVE
    assert "Still moist after 3 pump-downs" in ended.text
    assert bench.machine.is_safe


def test_a_leak_is_not_pumped_down_again() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold()
    bench.take(bench.machine.hold_ended(bench.t_ns, FAILED))
    assert bench.ended() == Ended(Outcome.FAIL, "Leaks.")


@pytest.mark.parametrize("relay", [Relay.PUMP, Relay.VALVE])
def test_without_a_confirmation_everything_is_shut_and_an_alarm_raised(relay: Relay) -> None:
    bench = Bench()
    bench.mute = {relay}
    bench.start()
    bench.look(EMPTY, 5.0)
    assert bench.ended() is None
    bench.look(EMPTY, 6.0)
    bench.look(EMPTY, 11.0)  # the mute relay does not confirm its end either
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.FAULT
    assert "was not confirmed within 10 s" in ended.text
    assert bench.switches()[-2:] == [CLOSE, PUMP_OFF]
    assert bench.alarms() == ["wire_fault", "wire_unconfirmed"]
    assert not any(isinstance(order, BeginHold) for order in bench.orders)
    told = bench.machine.why_not_start(EMPTY, 1e4)
    assert told is not None
    assert "has not confirmed that it is" in told
    bench.mute.clear()
    bench.look(EMPTY, REPEAT_S)
    assert bench.machine.is_safe


def test_a_retained_or_former_state_confirms_nothing() -> None:
    bench = Bench()
    bench.mute = {Relay.PUMP}
    bench.start()
    bench.says(Relay.PUMP, on=True, retained=True)
    bench.says(Relay.PUMP, on=False)
    bench.look(EMPTY)
    assert bench.switches() == [PUMP_ON]
    bench.says(Relay.PUMP, on=True)
    bench.look(EMPTY)
    assert bench.switches() == [PUMP_ON, OPEN]


def test_pressure_while_pumping_closes_the_valve_at_once() -> None:
    bench = Bench()
    bench.start()
    bench.read(900.0, 800.0)
    bench.look((gauge("low_side", 30_000.0), off_scale()))
    assert bench.switches() == [PUMP_ON, OPEN, CLOSE, PUMP_OFF]
    assert bench.alarms() == ["wire_fault"]
    ended = bench.ended()
    assert ended is not None
    assert "30 kPa (gauge)" in ended.text


def test_a_valve_that_lies_gives_no_hold() -> None:
    """It says closed, and the pressure goes on falling, then stands, while the pump runs."""
    bench = Bench()
    bench.start()
    bench.read(*(60.0 + 900.0 * math.exp(-k / 10.0) for k in range(100)))
    assert bench.machine.step is Step.ISOLATING
    bench.read(*(40.0 + 20.0 * math.exp(-k / 40.0) for k in range(200)))
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.INCONCLUSIVE
    assert "did not rise" in ended.text
    assert bench.alarms() == ["wire_fault"]
    assert not any(isinstance(order, BeginHold) for order in bench.orders)


def test_the_lost_broker_ends_it_and_the_close_is_repeated_when_it_is_back() -> None:
    bench = Bench()
    bench.start()
    bench.read(900.0)
    bench.mute = {Relay.PUMP, Relay.VALVE}
    bench.take(bench.machine.link(bench.t_ns, up=False))
    assert bench.switches()[-1] == CLOSE
    for _ in range(5):
        bench.look(EVACUATED, 10.0)
    assert bench.alarms() == ["wire_fault", "wire_unconfirmed"]
    assert bench.ended() is None
    bench.look((gauge("low_side", 30_000.0), off_scale()))
    assert bench.alarms()[-1] == "wire_pressure"
    bench.mute.clear()
    bench.take(bench.machine.link(bench.t_ns, up=True))
    assert bench.switches()[-2:] == [replace(CLOSE, again=True), PUMP_OFF]
    assert bench.ended() is not None
    assert bench.machine.is_safe


def test_hands_on_the_switches_are_told_and_end_safely() -> None:
    bench = Bench()
    bench.start()
    bench.says(Relay.PUMP, on=False)  # the pump stops under an open valve
    assert Heard(Relay.PUMP, on=False, how="by hand") in bench.orders
    assert bench.switches()[-2:] == [CLOSE, PUMP_OFF]
    bench = Bench()
    bench.start()
    bench.to_hold()
    bench.says(Relay.PUMP, on=True)
    assert bench.switches()[-1] == PUMP_OFF
    assert bench.machine.step is Step.HOLDING
    bench.says(Relay.VALVE, on=True)
    assert any(isinstance(order, EndHold) for order in bench.orders)
    assert bench.switches()[-2:] == [CLOSE, PUMP_OFF]
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.FAULT
    bench.orders.clear()
    bench.says(Relay.VALVE, on=True)  # a late relay
    assert bench.switches() == [CLOSE]
    bench.orders.clear()
    bench.look(EMPTY, LATE_S + 1.0)
    bench.says(Relay.VALVE, on=True)  # a person's own business
    assert bench.switches() == []


def test_a_restart_shuts_everything_and_says_what_was_interrupted() -> None:
    bench = Bench()
    bench.take(bench.machine.make_safe(bench.t_ns, "The service was started anew."))
    assert bench.switches() == [CLOSE, PUMP_OFF]
    assert bench.ended() == Ended(Outcome.INTERRUPTED, "The service was started anew.")


@pytest.mark.parametrize(
    ("sight", "words"),
    [
        ((gauge("low_side", 500.0),), "No vacuum gauge"),
        ((off_scale(),), "No pressure gauge"),
        ((gauge("low_side", 10_100.0), off_scale()), "There is pressure on the low side"),
        ((gauge("low_side", 0.0, fresh=False), off_scale()), "low side gauge is silent"),
        ((gauge("low_side", 0.0, good=False), off_scale()), "cannot be believed"),
        ((gauge("low_side", 0.0, good=False, end="high"), off_scale()), "cannot be believed"),
        ((gauge("low_side", math.nan), off_scale()), "has not been heard"),
        ((*EMPTY, gauge("high_side", 900_000.0)), "900 kPa (gauge)"),
        ((*EMPTY, gauge("high_side", 0.0, absolute_pa=None)), "has not been heard"),
        ((gauge("low_side", 0.0), gauge("vacuum", 0.0, fresh=False)), "vacuum gauge is silent"),
    ],
)
def test_the_valve_is_not_opened_on(sight: Sight, words: str) -> None:
    why = why_not_open(sight, 10_000.0)
    assert why is not None
    assert words in why
    with pytest.raises(ValueError, match=re.escape(words)):
        Bench().machine.start(0, FIGURES, sight)


def test_one_vacuum_gauge_within_its_range_is_enough_to_watch_by() -> None:
    silent = gauge("low_side", 0.0, fresh=False)
    assert why_blind((silent, gauge("vacuum", 90.0 - ROOM_PA))) is None
    assert why_blind((silent, off_scale())) is not None


GAUGES = st.builds(
    Glimpse,
    role=st.just("low_side"),
    is_vacuum=st.just(False),
    absolute_pa=st.one_of(st.none(), st.floats(0.0, 3e6)),
    above_room_pa=st.one_of(
        st.none(), st.just(math.nan), st.floats(-1e5, 1e5), st.floats(9_000.0, 11_000.0)
    ),
    fresh=st.booleans(),
    good=st.booleans(),
    end=st.sampled_from([None, None, "low", "high"]),
)
HARMLESS = st.sampled_from([EMPTY, EVACUATED])
SIGHTS = st.one_of(
    HARMLESS,
    HARMLESS,
    st.tuples(GAUGES, st.sampled_from([off_scale(), EVACUATED[1]])),
    st.tuples(st.just(EMPTY[0]), GAUGES.map(lambda g: replace(g, role="vacuum", is_vacuum=True))),
    st.just(()),
)


def is_harmless(sight: Sight) -> bool:
    """The condition for opening, said a second time: every gauge counts, none is passed over."""
    pressed = [g for g in sight if not g.is_vacuum]
    vacuums = [g for g in sight if g.is_vacuum]
    if not pressed or not vacuums:
        return False
    for one in sight:
        if one.above_room_pa is None or one.absolute_pa is None or not one.fresh:
            return False
        if math.isnan(one.above_room_pa):
            return False
    for one in pressed:
        if one.above_room_pa is None or one.above_room_pa > 10_000.0:
            return False
        if not (one.good or one.end == "low"):
            return False
    return all(
        one.end == "high" or (one.good and (one.above_room_pa or 0.0) <= 10_000.0)
        for one in vacuums
    )


class Anything(RuleBasedStateMachine):
    """Whatever comes in whatever order: what must never happen does not."""

    def __init__(self) -> None:
        super().__init__()
        self.machine = Unattended(replace(FIGURES, held_s=4.0, isolation_s=40.0))
        self.t_ns = 0
        self.commanded = {Relay.VALVE: False, Relay.PUMP: False}
        self.said: dict[Relay, bool | None] = {Relay.VALVE: None, Relay.PUMP: None}
        self.holds = 0

    def take(self, orders: Iterable[Order], sight: Sight | None = None) -> None:
        for order in orders:
            match order:
                case Switch(Relay.VALVE, True, _):
                    assert sight is not None, "opened without a look at the gauges"
                    assert is_harmless(sight)
                    assert self.commanded[Relay.PUMP]
                    assert self.said[Relay.PUMP]
                    assert not self.commanded[Relay.VALVE]
                case Switch(Relay.PUMP, False, _):
                    # Never under a valve that is commanded open.
                    assert not self.commanded[Relay.VALVE]
                case BeginHold():
                    assert self.said[Relay.VALVE] is False
                    assert self.said[Relay.PUMP] is False
                case _:
                    pass
            if isinstance(order, Switch):
                self.commanded[order.relay] = order.on
                if order.on:
                    self.said[order.relay] = None
            if isinstance(order, BeginHold):
                self.holds += 1
                self.take(self.machine.hold_began(self.t_ns, f"hold-{self.holds}"))

    @initialize()
    def begin(self) -> None:
        self.take(self.machine.link(0, up=True))
        self.take(self.machine.make_safe(0, None))

    @rule(sight=SIGHTS, after_s=st.sampled_from([0.5, 0.5, 1.0, 11.0, 61.0]))
    def time_goes_by(self, sight: Sight, after_s: float) -> None:
        self.t_ns += round(after_s * 1e9)
        self.take(self.machine.look(self.t_ns, sight), sight)

    @rule()
    def relays_answer(self) -> None:
        for relay in Relay:
            on = self.commanded[relay]
            self.said[relay] = on
            self.take(self.machine.relay_says(self.t_ns, relay, on=on, retained=False))

    @rule(relay=st.sampled_from(Relay), on=st.booleans(), retained=st.booleans())
    def a_relay_says(self, relay: Relay, *, on: bool, retained: bool) -> None:
        if not retained:
            self.said[relay] = on
        self.take(self.machine.relay_says(self.t_ns, relay, on=on, retained=retained))

    @rule(sight=SIGHTS)
    def somebody_starts_it(self, sight: Sight) -> None:
        if self.machine.why_not_start(sight, 10_000.0) is None:
            assert is_harmless(sight)
            self.take(self.machine.start(self.t_ns, self.machine.figures, sight), sight=None)

    @rule(falls=st.booleans(), count=st.integers(1, 30))
    def readings_come(self, count: int, *, falls: bool) -> None:
        for k in range(count):
            self.t_ns += 2 * 10**9
            pressure = 30.0 + 60.0 * math.exp(-k / 9.0) if falls else 30.0 + 2.0 * k
            self.take(self.machine.reading(self.t_ns, pressure))
            self.take(self.machine.look(self.t_ns, EVACUATED), EVACUATED)

    @rule(end=st.sampled_from([PASSED, MOIST, FAILED]))
    def a_hold_ends(self, end: HoldEnd) -> None:
        self.take(self.machine.hold_ended(self.t_ns, end))

    @rule(up=st.booleans())
    def the_broker_goes_or_comes(self, *, up: bool) -> None:
        self.take(self.machine.link(self.t_ns, up=up))

    @rule()
    def somebody_stops_it(self) -> None:
        self.take(self.machine.stop(self.t_ns, "Stopped."))

    @invariant()
    def a_valve_is_commanded_open_only_while_an_evacuation_pumps(self) -> None:
        if self.commanded[Relay.VALVE]:
            assert self.machine.step in {Step.OPENING, Step.PUMPING}

    @invariant()
    def what_counts_as_safe_was_said_by_the_relays(self) -> None:
        if self.machine.is_safe:
            assert self.said == {Relay.VALVE: False, Relay.PUMP: False}

    @invariant()
    def a_hold_runs_only_behind_a_closed_valve(self) -> None:
        if self.machine.step is Step.HOLDING:
            assert self.machine.known(Relay.VALVE) is False


Anything.TestCase.settings = settings(
    max_examples=50,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
TestAnything = Anything.TestCase
