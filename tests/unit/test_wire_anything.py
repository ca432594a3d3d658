"""Whatever comes in whatever order: what an unattended evacuation never does."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from holdwatch_procedures.evacuation.interlock import Glimpse, Sight
from holdwatch_procedures.evacuation.machine import Unattended
from holdwatch_procedures.evacuation.orders import (
    BeginHold,
    HoldEnd,
    Order,
    Outcome,
    Relay,
    Step,
    Switch,
)
from holdwatch_procedures.wording import as_written

if TYPE_CHECKING:
    from collections.abc import Iterable

from wire_bench import EMPTY, EVACUATED, FAILED, FIGURES, MOIST, PASSED, off_scale

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
        held, shut = self.machine.step is Step.HOLDING, self.said[Relay.VALVE] is False
        self.take(self.machine.hold_ended(self.t_ns, end))
        ended = self.machine._ending or self.machine.last
        if held and ended is not None and ended.outcome is Outcome.PASS:
            assert shut, "passed although the valve is not known to have stayed closed"

    @rule(up=st.booleans())
    def the_broker_goes_or_comes(self, *, up: bool) -> None:
        if self.machine.linked and not up:
            self.said = {Relay.VALVE: None, Relay.PUMP: None}  # they may be switched unheard
        self.take(self.machine.link(self.t_ns, up=up))

    @rule()
    def somebody_stops_it(self) -> None:
        self.take(self.machine.stop(self.t_ns, as_written("Stopped.")))

    @invariant()
    def a_valve_is_commanded_open_only_while_an_evacuation_pumps(self) -> None:
        if self.commanded[Relay.VALVE]:
            assert self.machine.step in {Step.OPENING, Step.PUMPING}

    @invariant()
    def what_counts_as_safe_was_said_by_the_relays(self) -> None:
        if self.machine.is_safe:
            assert self.said == {Relay.VALVE: False, Relay.PUMP: False}

    @invariant()
    def a_hold_runs_only_behind_a_valve_that_nothing_speaks_against(self) -> None:
        if self.machine.step is Step.HOLDING:
            assert self.said[Relay.VALVE] is not True


Anything.TestCase.settings = settings(
    max_examples=50,
    stateful_step_count=40,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
TestAnything = Anything.TestCase
