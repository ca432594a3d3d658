"""What a stretch shows, in the figures that progress and verdict tell."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.scale import unknown_leak
from holdwatch_procedures.holds.verdict import Outcome, Progress

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Estimate
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.segment import Stretch
    from holdwatch_procedures.holds.verdict import Leak, Phase
    from holdwatch_procedures.wording import Say


def ready_estimate(stretch: Stretch | None) -> Estimate | None:
    """The newest estimate, where it may decide."""
    if stretch is None or stretch.estimate is None or not stretch.estimate.ready:
        return None
    return stretch.estimate


def leak_of(recipe: Recipe, stretch: Stretch | None) -> Leak:
    """The leak: the engine's where it is ready, else that of the plain regression."""
    if stretch is None or stretch.scale is None:
        return unknown_leak(recipe)
    estimate = ready_estimate(stretch)
    if estimate is not None:
        return stretch.scale.leak(estimate)
    slope = stretch.plain.slope
    if slope is None:
        return stretch.scale.plain_leak(None)
    # The regression is of mol/m³ over time; a gas under pressure loses, a vacuum gains.
    sign = 1.0 if recipe.is_vacuum else -1.0
    amount = sign * slope * recipe.volume_m3
    return stretch.scale.plain_leak(amount / stretch.scale.mol_per_pa)


def own_slope(stretch: Stretch | None) -> tuple[float, float, float] | None:
    """Slope and bounds of this hold alone, without earlier holds of the same system, Pa/s."""
    own = stretch.own if stretch is not None else None
    return (own.slope, own.low, own.high) if own is not None and own.ready else None


def limit_of(stretch: Stretch | None) -> float | None:
    """The criterion in g a year; None while it is not known."""
    return stretch.scale.limit_grams if stretch is not None and stretch.scale else None


def settled_at(stretch: Stretch | None) -> float | None:
    """When the gas had settled, seconds of the hold's clock; None while it has not."""
    if stretch is None or stretch.settled_at_s is None:
        return None
    return stretch.start_s + stretch.settled_at_s


def smallest_visible(stretch: Stretch | None, outcome: Outcome | None = None) -> float | None:
    """The smallest leak that could have been seen by now, g a year."""
    estimate = ready_estimate(stretch)
    if estimate is None or stretch is None or stretch.scale is None:
        return None
    visible = estimate.smallest_visible
    if outcome is Outcome.PASS:
        # What has been ruled out has been seen, whatever the forecast for the noise says.
        visible = min(visible, max(estimate.high, 0.0))
    return stretch.scale.grams(visible) if math.isfinite(visible) else None


def progress_of(
    stretch: Stretch | None,
    leak: Leak,
    *,
    phase: Phase,
    elapsed_s: float,
    since_mark_s: float | None,
    sentence: Say,
    left: tuple[float | None, float],
    pressure_pa: float | None,
) -> Progress:
    """How a hold stands; ``pressure_pa`` is told while there is no stretch, ``left`` its end."""
    estimate = stretch.estimate if stretch is not None else None
    scale = stretch.scale if stretch is not None else None
    return Progress(
        phase=phase,
        elapsed_s=elapsed_s,
        since_mark_s=since_mark_s,
        sentence=sentence,
        leak=leak if scale is not None else None,
        smallest_visible_g_per_year=smallest_visible(stretch),
        criterion_g_per_year=limit_of(stretch),
        pressure_change_raw_pa=stretch.raw_change_pa if stretch is not None else None,
        pressure_change_compensated_pa=estimate.compensated_pa if estimate is not None else None,
        earliest_end_s=left[0],
        latest_end_s=left[1],
        pressure_pa=stretch.pressure_pa if stretch is not None else pressure_pa,
        temperature_k=stretch.temperature_k if stretch is not None else None,
    )
