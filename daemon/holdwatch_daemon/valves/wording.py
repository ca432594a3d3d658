"""How an unattended evacuation stands, in words and figures for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_daemon.messages import Evacuation
from holdwatch_physics.units import parse_unit, show
from holdwatch_procedures.evacuation.orders import Relay, Step
from holdwatch_procedures.wording import duration_text

if TYPE_CHECKING:
    from holdwatch_daemon.settings.shop import ShowConfig
    from holdwatch_procedures.evacuation.interlock import Sight
    from holdwatch_procedures.evacuation.machine import Unattended

_SENTENCES = {
    Step.STARTING_PUMP: "Starting the pump; waits until its relay confirms.",
    Step.OPENING: "Opening the valve; waits until its relay confirms.",
    Step.CLOSING: "Closing the valve; waits until its relay confirms.",
    Step.ISOLATING: "The valve is closed; waits until the pressure shows it.",
    Step.STOPPING_PUMP: "Stopping the pump; waits until its relay confirms.",
    Step.STARTING_HOLD: "Isolated; the hold begins.",
    Step.HOLDING: "Holding the vacuum.",
    Step.SHUTTING: "Closing the valve for safety; waits until its relay confirms.",
    Step.SHUTTING_PUMP: "Stopping the pump for safety; waits until its relay confirms.",
}
_ORDINALS = (
    *("", "first", "second", "third", "fourth", "fifth"),
    *("sixth", "seventh", "eighth", "ninth", "tenth"),
)
_VALVE = {True: "open", False: "closed", None: "unknown"}
_PUMP = {True: "on", False: "off", None: "unknown"}


def evacuation_message(
    machine: Unattended, sight: Sight, now_ns: int, units: ShowConfig
) -> Evacuation:
    """Return how an evacuation stands.

    Args:
        machine: The evacuation.
        sight: What the gauges show.
        now_ns: Monotonic time now.
        units: The units that people read.
    """
    figures, runs = machine.figures, machine.runs
    at_target = None if machine.pump_down is None else machine.pump_down.at_target_since_ns
    pumps = machine.step is Step.PUMPING
    not_ready = None
    if not machine.evacuates:
        not_ready = machine.why_not_start(sight, figures.most_above_room_pa)
    return Evacuation.model_validate(
        {
            "step": str(machine.step),
            "sentence": _sentence(machine, now_ns, units),
            "step_s": round((now_ns - machine.since_ns) / 1e9, 1) if runs else None,
            "pump_down": machine.pump_downs,
            "most_pump_downs": figures.most_pump_downs,
            "target_pa": figures.target_pa,
            "held_s": figures.held_s,
            "at_target_s": (now_ns - at_target) / 1e9 if pumps and at_target is not None else None,
            "valve": _VALVE[machine.known(Relay.VALVE)],
            "pump": _PUMP[machine.known(Relay.PUMP)],
            "linked": machine.linked,
            "holds": list(machine.holds),
            "outcome": None if machine.last is None else str(machine.last.outcome),
            "not_ready": not_ready,
        }
    )


def _sentence(machine: Unattended, now_ns: int, units: ShowConfig) -> str:
    if not machine.tells:
        return "" if machine.last is None else machine.last.text
    if machine.step is not Step.PUMPING:
        return _SENTENCES[machine.step]
    figures = machine.figures
    text, unit = show(figures.target_pa, parse_unit(units.vacuum))
    lasted = duration_text((now_ns - machine.since_ns) / 1e9)
    nth = f" for the {_ORDINALS[machine.pump_downs]} time" if machine.pump_downs > 1 else ""
    told = f"Pumping down{nth}, {lasted}."
    at_target = None if machine.pump_down is None else machine.pump_down.at_target_since_ns
    if at_target is None:
        return f"{told} Waits for {text} {unit} held {duration_text(figures.held_s)}."
    held = duration_text((now_ns - at_target) / 1e9)
    return f"{told} At {text} {unit} or below for {held} of {duration_text(figures.held_s)}."
