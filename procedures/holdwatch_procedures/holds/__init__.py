"""Holds as pure state machines: readings and marks in, events and a verdict out."""

from __future__ import annotations

from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.events import (
    AlarmRaised,
    CurvePoint,
    Decided,
    HoldEvent,
    Noted,
    PhaseChanged,
    Restarted,
    curve_of,
)
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.judge import Row, UnusableTraceError, judge, judge_columns
from holdwatch_procedures.holds.order import MARK_WORD, WAIT_NS, Mark, Readings
from holdwatch_procedures.holds.overpressure import is_over_pressure, tells_pressure
from holdwatch_procedures.holds.plan import Conditions, Plan, plan
from holdwatch_procedures.holds.recipe import MICRON_PA, Recipe, RecipeError, load_recipe
from holdwatch_procedures.holds.scale import charge_density, unknown_leak
from holdwatch_procedures.holds.verdict import Figure, Outcome, Phase, Progress, Verdict

__all__ = [
    "MARK_WORD",
    "MICRON_PA",
    "WAIT_NS",
    "AlarmRaised",
    "Cause",
    "Conditions",
    "CurvePoint",
    "Decided",
    "Figure",
    "Hold",
    "HoldEvent",
    "Mark",
    "Noted",
    "Outcome",
    "Phase",
    "PhaseChanged",
    "Plan",
    "Progress",
    "Readings",
    "Recipe",
    "RecipeError",
    "Restarted",
    "Row",
    "UnusableTraceError",
    "Verdict",
    "charge_density",
    "conclude",
    "curve_of",
    "is_over_pressure",
    "judge",
    "judge_columns",
    "load_recipe",
    "plan",
    "tells_pressure",
    "unknown_leak",
]
