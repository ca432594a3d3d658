"""The unattended evacuation as a pure machine: what it does step by step and never does."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from wire_bench import (
    CLOSE,
    EMPTY,
    EVACUATED,
    FAILED,
    FIGURES,
    MOIST,
    OPEN,
    PASSED,
    PUMP_OFF,
    PUMP_ON,
    ROOM_PA,
    Bench,
    gauge,
    off_scale,
)

from holdwatch_procedures.evacuation.interlock import Sight, why_blind, why_not_open
from holdwatch_procedures.evacuation.machine import LATE_S, REPEAT_S
from holdwatch_procedures.evacuation.orders import (
    BeginHold,
    Ended,
    EndHold,
    Heard,
    Outcome,
    Relay,
    Step,
)
from holdwatch_procedures.wording import Say, as_written, render


def told(why: Say | None) -> str:
    """What is said, or nothing."""
    return "" if why is None else render(why)


def test_a_dry_unit_is_pumped_down_isolated_and_held_and_the_valve_closes_first() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold()
    assert bench.switches() == [PUMP_ON, OPEN, CLOSE, PUMP_OFF]
    (begun,) = [order for order in bench.orders if isinstance(order, BeginHold)]
    assert begun.continues == ()
    bench.take(bench.machine.hold_ended(bench.t_ns, PASSED))
    assert bench.ended() == Ended(Outcome.PASS, as_written("Tight."))
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
    assert "Still moist after 3 pump-downs" in render(ended.text)
    assert bench.machine.is_safe


def test_a_leak_is_not_pumped_down_again() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold()
    bench.take(bench.machine.hold_ended(bench.t_ns, FAILED))
    assert bench.ended() == Ended(Outcome.FAIL, as_written("Leaks."))


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
    assert "was not confirmed within 10 s" in render(ended.text)
    assert bench.switches()[-2:] == [CLOSE, PUMP_OFF]
    assert bench.alarms() == ["wire_fault", "wire_unconfirmed"]
    assert not any(isinstance(order, BeginHold) for order in bench.orders)
    assert "has not confirmed that it is" in told(bench.machine.why_not_start(EMPTY, 1e4))
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
    assert "30 kPa (gauge)" in render(ended.text)


@pytest.mark.parametrize("step", [Step.ISOLATING, Step.STOPPING_PUMP, Step.STARTING_HOLD])
def test_pressure_behind_a_valve_that_only_says_closed_shuts_everything(step: Step) -> None:
    """The pump runs, or did a moment ago, and the vacuum gauge shows a vacuum all the while."""
    bench = Bench()
    bench.start()
    if step is Step.STOPPING_PUMP:
        bench.mute = {Relay.PUMP}
    bench.pump_down(until=step)
    assert bench.machine.step is step
    bench.mute.clear()
    bench.look((gauge("low_side", 300_000.0), EVACUATED[1]))
    assert bench.alarms() == ["wire_fault"]
    assert bench.switches()[-2:] == [CLOSE, PUMP_OFF]
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.FAULT
    assert "300 kPa (gauge)" in render(ended.text)
    bench.take(bench.machine.hold_began(bench.t_ns, "hold-1"))
    assert isinstance(bench.orders[-1], EndHold)


def test_pressure_during_the_hold_is_an_alarm_and_ends_it() -> None:
    bench = Bench()
    bench.start()
    bench.to_hold()
    bench.look((gauge("low_side", 300_000.0), EVACUATED[1]))
    assert bench.alarms() == ["wire_fault"]
    assert any(isinstance(order, EndHold) for order in bench.orders)
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.FAULT
    assert "300 kPa (gauge)" in render(ended.text)


def risen_out(bench: Bench) -> Sight:
    """A fast rise: a fresh reading above the vacuum gauge's range."""
    return (EVACUATED[0], replace(off_scale(), read_ns=bench.t_ns + 10**9))


def test_one_look_at_a_saturated_gauge_proves_no_isolation() -> None:
    bench = Bench()
    bench.start()
    bench.pump_down(until=Step.ISOLATING)
    bench.look(risen_out(bench))
    assert bench.machine.step is Step.ISOLATING
    once = risen_out(bench)
    for _ in range(40):  # one reading, looked at again and again
        bench.look(once)
    assert bench.machine.step is Step.ISOLATING
    bench.read(40.0, 40.0)  # back within its range: it was nothing
    for _ in range(23):
        bench.look(risen_out(bench))
    assert bench.machine.step is Step.ISOLATING
    assert bench.switches()[-1] == CLOSE


def test_a_gauge_that_rose_out_of_its_range_and_stays_there_proves_the_isolation() -> None:
    bench = Bench()
    bench.start()
    bench.pump_down(until=Step.ISOLATING)
    for _ in range(30):
        bench.look(risen_out(bench))
    assert bench.machine.step is Step.STARTING_HOLD


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
    assert "did not rise" in render(ended.text)
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


def outage(bench: Bench) -> None:
    """The broker is lost and comes back; the relays do not answer."""
    bench.mute = {Relay.VALVE, Relay.PUMP}
    bench.take(bench.machine.link(bench.t_ns, up=False))
    bench.look(EVACUATED, 30.0)
    bench.take(bench.machine.link(bench.t_ns, up=True))


def held() -> Bench:
    bench = Bench()
    bench.start()
    bench.to_hold()
    return bench


def test_a_hold_over_an_outage_goes_on_once_the_valve_confirms_again() -> None:
    bench = held()
    outage(bench)
    assert bench.machine.step is Step.HOLDING
    assert bench.alarms() == []
    assert not bench.machine.is_safe
    assert bench.switches()[-2:] == [replace(CLOSE, again=True), replace(PUMP_OFF, again=True)]
    bench.says(Relay.VALVE, on=False, retained=True)  # confirms nothing
    assert bench.machine.known(Relay.VALVE) is None
    bench.says(Relay.VALVE, on=False)
    bench.says(Relay.PUMP, on=False)
    assert bench.machine.is_safe
    bench.look(EVACUATED, 60.0)
    bench.take(bench.machine.hold_ended(bench.t_ns, PASSED))
    assert bench.ended() == Ended(Outcome.PASS, as_written("Tight."))


@pytest.mark.parametrize("retained", [True, False])
def test_a_valve_that_says_open_after_an_outage_ends_the_hold(*, retained: bool) -> None:
    bench = held()
    outage(bench)
    bench.says(Relay.VALVE, on=True, retained=retained)
    assert any(isinstance(order, EndHold) for order in bench.orders)
    assert bench.alarms() == ["wire_fault"]
    bench.mute.clear()
    bench.look(EVACUATED, 30.0)
    bench.look(EVACUATED, 30.0)
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.FAULT
    assert "valve open" in render(ended.text)


def test_a_valve_that_does_not_confirm_after_an_outage_ends_the_hold_inconclusive() -> None:
    bench = held()
    outage(bench)
    for _ in range(5):  # it is asked again for a minute: relays may find the broker later
        bench.look(EVACUATED, FIGURES.answer_s + 1.0)
        assert bench.switches()[-1] == replace(CLOSE, again=True)
        assert bench.machine.step is Step.HOLDING
    bench.look(EVACUATED, FIGURES.answer_s + 1.0)
    assert any(isinstance(order, EndHold) for order in bench.orders)
    assert bench.alarms() == ["wire_fault"]
    for _ in range(3):
        bench.look(EVACUATED, FIGURES.answer_s + 1.0)
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.INCONCLUSIVE
    assert "may be open" in render(ended.text)


@pytest.mark.parametrize("back", [False, True])
def test_no_pass_is_accepted_while_the_valve_is_in_doubt(*, back: bool) -> None:
    bench = held()
    bench.mute = {Relay.VALVE, Relay.PUMP}
    bench.take(bench.machine.link(bench.t_ns, up=False))
    if back:
        bench.take(bench.machine.link(bench.t_ns, up=True))
    bench.take(bench.machine.hold_ended(bench.t_ns, PASSED))
    bench.mute.clear()
    bench.take(bench.machine.link(bench.t_ns, up=True))
    bench.look(EVACUATED, 11.0)
    bench.look(EVACUATED, 11.0)
    ended = bench.ended()
    assert ended is not None
    assert ended.outcome is Outcome.INCONCLUSIVE
    assert "has not confirmed since the broker was away" in render(ended.text)


def test_an_idle_bay_forgets_what_its_relays_said_when_the_broker_is_lost() -> None:
    bench = Bench()
    bench.take(bench.machine.link(bench.t_ns, up=False))
    assert bench.machine.known(Relay.VALVE) is None
    assert bench.machine.why_not_pressure() is not None
    bench.take(bench.machine.link(bench.t_ns, up=True))
    assert bench.switches() == [replace(CLOSE, again=True), replace(PUMP_OFF, again=True)]
    assert bench.machine.is_safe
    bench.says(Relay.VALVE, on=True)
    bench.look(EMPTY, LATE_S)
    bench.orders.clear()
    outage(bench)  # what a person switched on is left alone, and not known any more
    assert bench.switches() == [replace(PUMP_OFF, again=True)]
    assert bench.machine.known(Relay.VALVE) is None
    bench.says(Relay.VALVE, on=True, retained=True)
    assert bench.machine.known(Relay.VALVE) is True


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


PRESSED: Sight = (gauge("low_side", 1_200_000.0), off_scale())


def test_pressure_behind_a_valve_opened_by_hand_is_an_alarm_each_time() -> None:
    bench = Bench()
    for nth in (1, 2):
        bench.look(PRESSED, LATE_S + 1.0)
        assert len(bench.alarms()) == nth - 1  # behind a valve that is confirmed closed
        bench.says(Relay.VALVE, on=True)
        bench.look(PRESSED)
        assert bench.alarms() == ["wire_pressure"] * nth
        bench.says(Relay.VALVE, on=False)


def test_pressure_behind_a_valve_that_never_answered_is_an_alarm_after_its_time() -> None:
    bench = Bench()
    bench.mute = {Relay.VALVE}
    bench.take(bench.machine.make_safe(bench.t_ns, None))
    bench.machine._wires[Relay.VALVE].known = None  # as when a service starts
    bench.look(PRESSED, FIGURES.answer_s - 1.0)
    assert bench.alarms() == []
    bench.look(PRESSED, 2.0)
    assert bench.alarms() == ["wire_pressure"]


def test_no_nitrogen_unless_valve_and_pump_are_confirmed_off() -> None:
    bench = Bench()
    assert bench.machine.why_not_pressure() is None
    for relay in Relay:
        bench.says(relay, on=True)
        why = bench.machine.why_not_pressure()
        assert why is not None
        assert "switch it off by hand first" in render(why)
        bench.says(relay, on=False)
        assert bench.machine.why_not_pressure() is None
    bench.mute = {Relay.VALVE}
    bench.machine._wires[Relay.VALVE].known = None  # as when a service starts
    bench.take(bench.machine.make_safe(bench.t_ns, None))
    assert "being shut" in told(bench.machine.why_not_pressure())
    bench.look(EMPTY, 11.0)
    assert bench.machine.step is Step.IDLE
    assert "has not confirmed that it is closed" in told(bench.machine.why_not_pressure())


def test_a_restart_shuts_everything_and_says_what_was_interrupted() -> None:
    bench = Bench()
    bench.take(bench.machine.make_safe(bench.t_ns, as_written("The service was started anew.")))
    assert bench.switches() == [CLOSE, PUMP_OFF]
    assert bench.ended() == Ended(Outcome.INTERRUPTED, as_written("The service was started anew."))


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
    assert words in render(why)
    with pytest.raises(ValueError, match=re.escape(words)):
        Bench().machine.start(0, FIGURES, sight)


def test_one_vacuum_gauge_within_its_range_is_enough_to_watch_by() -> None:
    silent = gauge("low_side", 0.0, fresh=False)
    assert why_blind((silent, gauge("vacuum", 90.0 - ROOM_PA))) is None
    assert why_blind((silent, off_scale())) is not None
