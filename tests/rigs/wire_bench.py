"""A machine that evacuates, on a bench: a clock, gauges, and relays that answer at once."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

from holdwatch_procedures.evacuation.interlock import Glimpse, Sight
from holdwatch_procedures.evacuation.machine import Unattended
from holdwatch_procedures.evacuation.orders import (
    Ended,
    Figures,
    HoldEnd,
    Order,
    RaiseAlarm,
    Relay,
    Step,
    Switch,
)
from holdwatch_procedures.wording import as_written

if TYPE_CHECKING:
    from collections.abc import Iterable

ROOM_PA = 98_000.0
FIGURES = Figures(target_pa=100.0, held_s=60.0, longest_pump_s=1800.0, isolation_s=300.0)
TIGHT, MOISTURE, LEAKS = as_written("Tight."), as_written("Moisture."), as_written("Leaks.")
PASSED = HoldEnd(passed=True, failed=False, moist=False, sentence=TIGHT, continues=True)
MOIST = HoldEnd(passed=False, failed=False, moist=True, sentence=MOISTURE, continues=True)
FAILED = HoldEnd(passed=False, failed=True, moist=False, sentence=LEAKS, continues=True)
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

    def pump_down(self, until: Step = Step.STARTING_HOLD) -> None:
        """From the open valve to the pump's stop, or to an earlier step on the way there."""
        self.read(*(40.0 + 900.0 * math.exp(-k / 10.0) for k in range(100)))
        assert self.machine.step is Step.ISOLATING
        for k in range(100):
            if self.machine.step is until:
                break
            self.read(40.0 + 0.2 * k)

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
