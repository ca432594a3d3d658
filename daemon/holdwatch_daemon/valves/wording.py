"""How an unattended evacuation stands, in words and figures for people."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_daemon.messages import Evacuation
from holdwatch_procedures.evacuation import Relay, Step
from holdwatch_procedures.wording import NOTHING, Say, render, said, sentences

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation import Sight, Unattended

_SENTENCES = {
    Step.STARTING_PUMP: Say("evacuation.step.starting_pump"),
    Step.OPENING: Say("evacuation.step.opening"),
    Step.CLOSING: Say("evacuation.step.closing"),
    Step.ISOLATING: Say("evacuation.step.isolating"),
    Step.STOPPING_PUMP: Say("evacuation.step.stopping_pump"),
    Step.STARTING_HOLD: Say("evacuation.step.starting_hold"),
    Step.HOLDING: Say("evacuation.step.holding"),
    Step.SHUTTING: Say("evacuation.step.shutting"),
    Step.SHUTTING_PUMP: Say("evacuation.step.shutting_pump"),
}
_VALVE = {True: "open", False: "closed", None: "unknown"}
_PUMP = {True: "on", False: "off", None: "unknown"}


def evacuation_message(machine: Unattended, sight: Sight, now_ns: int) -> Evacuation:
    """Return how an evacuation stands.

    Args:
        machine: The evacuation.
        sight: What the gauges show.
        now_ns: Monotonic time now.
    """
    figures, runs = machine.figures, machine.runs
    at_target = None if machine.pump_down is None else machine.pump_down.at_target_since_ns
    pumps = machine.step is Step.PUMPING
    not_ready = None
    if not machine.evacuates:
        not_ready = machine.why_not_start(sight, figures.most_above_room_pa)
    sentence = _sentence(machine, now_ns)
    return Evacuation.model_validate(
        {
            "step": str(machine.step),
            "sentence": render(sentence),
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
            "not_ready": None if not_ready is None else render(not_ready),
            "said": said(sentence=sentence, not_ready=not_ready),
        }
    )


def _sentence(machine: Unattended, now_ns: int) -> Say:
    if not machine.tells:
        return NOTHING if machine.last is None else machine.last.text
    if machine.step is not Step.PUMPING:
        return _SENTENCES[machine.step]
    figures, again = machine.figures, NOTHING
    if machine.pump_downs > 1:
        again = Say("evacuation.nth", nth=Say(f"evacuation.time_{machine.pump_downs}"))
    told = Say("evacuation.pumping", again=again, lasted_s=(now_ns - machine.since_ns) / 1e9)
    at_target = None if machine.pump_down is None else machine.pump_down.at_target_since_ns
    if at_target is None:
        waits = Say("evacuation.waits_for", target_pa=figures.target_pa, held_s=figures.held_s)
        return sentences(told, waits)
    reached = Say(
        "evacuation.at_target",
        target_pa=figures.target_pa,
        so_far_s=(now_ns - at_target) / 1e9,
        held_s=figures.held_s,
    )
    return sentences(told, reached)
