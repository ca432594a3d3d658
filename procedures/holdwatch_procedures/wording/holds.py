"""What a hold says, in a technician's words."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.leaving import GAIN_EXPONENT
from holdwatch_procedures.holds.recipe import MICRON_PA
from holdwatch_procedures.holds.verdict import Outcome, Phase

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdwatch_procedures.holds.estimates import Estimate
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.scale import Scale
    from holdwatch_procedures.holds.segment import Stretch
    from holdwatch_procedures.holds.vacuum.rise import RiseLook
    from holdwatch_procedures.holds.verdict import Verdict

PULLS_AGAIN = "The pump pulls again: what looked like an isolation was a burst of gas."
SETTLED = "Settled: the heat of charging no longer matters; the leak is being judged."
NO_THERMOMETER = (
    "No pipe thermometer was read: the temperature of the gas had to be guessed wide. One clamp "
    "on a pipe of the unit narrows the interval several times."
)
NO_BAROMETER = (
    "No barometer was read beside a vented gauge: an allowance for the room's pressure widens "
    "the interval. A barometer channel takes it away."
)
ASSUMED_SEA_LEVEL = (
    "Neither a barometer nor an altitude was given: standard pressure at sea level, 101.325 kPa, "
    "was taken."
)


def grams(value: float, *, up: bool = False) -> str:
    """A leak with its unit, to two or three digits; ``up`` never rounds below the value.

    >>> grams(417.3), grams(417.3, up=True), grams(18340.0), grams(6.28)
    ('420 g', '420 g', '18 kg', '6.3 g')
    """
    if not math.isfinite(value):
        return "an unknown amount"
    unit, number = ("kg", value / 1e3) if abs(value) >= 1e4 else ("g", value)
    if number == 0.0:
        return f"0 {unit}"
    step = 10.0 ** (math.floor(math.log10(abs(number))) - 1)
    rounded = (math.ceil if up else round)(number / step) * step
    decimals = max(0, -math.floor(math.log10(step)))
    return f"{rounded:.{decimals}f} {unit}"


def minutes(seconds: float) -> str:
    """A duration for people.

    >>> minutes(1500), minutes(30000)
    ('25 min', '8 h 20 min')
    """
    whole = max(0, round(seconds / 60.0))
    hours, rest = divmod(whole, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def started_by_mark(recipe: Recipe) -> str:
    """What is said when a mark starts the clock."""
    if recipe.is_vacuum:
        return "Isolated, as said: the rise is being watched."
    return "Valve closed, as said: the gas is settling after charging."


def restarted(why: str) -> str:
    """What is said when a spoiling event restarts the judging."""
    return f"{why} The judging starts anew from here."


def overpressure_alarm(role: str, gauge_pa: float, most_pa: float) -> str:
    """The alarm for too much pressure."""
    return (
        f"Over-pressure on {role.replace('_', ' ')}: {gauge_pa / 1e3:.0f} kPa (gauge), the unit's "
        f"highest allowed pressure is {most_pa / 1e3:g} kPa. Close the bottle, keep clear, relieve "
        "slowly."
    )


def progress(recipe: Recipe, phase: Phase, stretch: Stretch | None, verdict: Verdict | None) -> str:
    """One sentence on what the hold is doing now."""
    if verdict is not None:
        return verdict.sentence
    if phase is Phase.EVACUATING:
        return "Evacuating; waiting for the vacuum to be isolated."
    if phase is Phase.WAITING:
        return "Waiting for pressure and for the charging valve to be closed."
    estimate = stretch.estimate if stretch is not None else None
    if phase is Phase.SETTLING or stretch is None or stretch.scale is None:
        return "Settling: the gas is still finding its temperature after charging."
    if estimate is None or not estimate.ready or not math.isfinite(estimate.smallest_visible):
        return "Holding; no leak can be told apart from the noise yet."
    visible = grams(stretch.scale.grams(estimate.smallest_visible), up=True)
    held = minutes(estimate.t_s)
    return (
        f"Holding, {held}. Leaks above {visible} of {recipe.refrigerant} a year "
        "would have shown by now."
    )


def verdict(
    recipe: Recipe, outcome: Outcome, stretch: Stretch | None, causes: tuple[Cause, ...]
) -> str:
    """The verdict in one sentence."""
    estimate = stretch.estimate if stretch is not None else None
    scale = stretch.scale if stretch is not None else None
    change = recipe.criterion.is_change
    if outcome is Outcome.PASS and estimate is not None and scale is not None:
        if change:
            return (
                f"Tight by the criterion: the pressure changes less than {recipe.criterion.text}."
            )
        high = grams(scale.grams(max(estimate.high, 0.0)), up=True)
        return f"Tight: leaks of more than {high} of {recipe.refrigerant} a year would have shown."
    if outcome is Outcome.FAIL and estimate is not None and scale is not None:
        named = " and ".join(str(cause) for cause in causes) or "leak"
        if change:
            return f"Fails the criterion of {recipe.criterion.text}: {named}."
        size = grams(scale.grams(estimate.slope))
        low, high = (grams(scale.grams(max(x, 0.0))) for x in (estimate.low, estimate.high))
        return (
            f"Leaks: about {size} of {recipe.refrigerant} a year (between {low} and {high}), "
            f"more than the {recipe.criterion.text} allowed."
        )
    named = ", ".join(str(cause) for cause in causes)
    return f"Inconclusive: {named}."


def causes(
    recipe: Recipe,
    outcome: Outcome,
    found: Iterable[Cause],
    estimate: Estimate | None,
    *,
    spoilt: bool = False,
) -> tuple[Cause, ...]:
    """What was found, each word once.

    A fail is a leak, but where any rise of a vacuum fails: there it is what the data shows, and
    a leak where it shows nothing else; in its first minutes nothing can tell. An undecided hold
    without a cause was too short, unless it was ``spoilt`` in a way that has no word.
    """
    failed = outcome is Outcome.FAIL
    any_rise = recipe.is_vacuum and recipe.criterion.is_change
    seen = (*found, *(estimate.causes if estimate is not None else ()))
    named = [Cause.LEAK] if failed and not any_rise else []
    named += [cause for cause in seen if cause is not Cause.LEAK or failed]
    if not named and failed and estimate is not None:
        named = [Cause.LEAK]
    if outcome is Outcome.INCONCLUSIVE and not named and not spoilt:
        named = [Cause.TOO_SHORT]
    return tuple(dict.fromkeys(named))


def reasons(
    recipe: Recipe,
    outcome: Outcome,
    stretch: Stretch | None,
    spoilt: Mapping[str, float],
    named: tuple[Cause, ...],
    *,
    marked: bool,
) -> tuple[str, ...]:
    """Why the verdict is what it is, what would settle it, and what it assumes.

    ``spoilt`` holds what spoiled the hold, with the minute of the hold at which it happened;
    ``named`` the causes, and ``marked`` whether the clock was ever started.
    """
    told = [f"At {at_min:.1f} min: {text}" for text, at_min in spoilt.items()]
    if stretch is None or stretch.scale is None:
        told.append(_no_start(recipe, marked=marked))
    else:
        told += _judged(recipe, outcome, stretch, named)
    return tuple(dict.fromkeys(told))


def _judged(
    recipe: Recipe, outcome: Outcome, stretch: Stretch, named: tuple[Cause, ...]
) -> Iterator[str]:
    """The reasons of a hold that has been judged."""
    estimate = stretch.estimate
    if stretch.entry_remark:
        yield stretch.entry_remark
    if stretch.rise is not None:
        yield _rise(recipe, stretch.rise)
    elif outcome is Outcome.INCONCLUSIVE:
        yield from _undecided(recipe, stretch, estimate, named)
    elif estimate is not None:
        yield _bounds(recipe, outcome, stretch, estimate)
    if estimate is not None:
        yield from estimate.notes
    yield from _assumptions(recipe, stretch)


def _rise(recipe: Recipe, rise: RiseLook) -> str:
    unit, factor = "micron", MICRON_PA
    if recipe.criterion.max_change_kpa is not None:
        unit, factor = "kPa", 1e3
    low, now, high = (value / factor for value in (rise.low_pa, rise.rise_pa, rise.high_pa))
    after = f"{minutes(rise.t_s)} after isolation"
    if not all(map(math.isfinite, (low, now, high))):
        return f"The pressure {after} was not measured; the criterion is {recipe.criterion.text}."
    return (
        f"The pressure had risen by {now:.3g} {unit} (between {low:.3g} and {high:.3g}) {after}; "
        f"the criterion is {recipe.criterion.text}."
    )


def _no_start(recipe: Recipe, *, marked: bool) -> str:
    if marked:
        return "No usable pressure reading came after the start."
    if recipe.is_vacuum:
        return (
            f"The vacuum was never isolated at or below {recipe.vacuum_figures.target_micron:g} "
            "micron: reach the target, valve the pump off, or say `isolated`."
        )
    if recipe.start == "auto":
        return "No usable pressure reading came."
    return (
        "The clock never started: nobody said that the charging valve was closed (on the screen, "
        "or with the command say_isolated)."
    )


LOST = {
    Cause.THERMOMETER: (
        "The pipe thermometer has been silent: without it the gas cannot be told from its warmth. "
        "Check its clamp, battery and link, and hold again."
    ),
    Cause.GAP: "The gauge has been silent: check its battery and link, and hold again.",
}
NOT_SETTLED_BY_TIME = (Cause.OVERPRESSURE, Cause.SATURATED)
LONGEST_ADVICE_S = 24 * 3600.0
"""Beyond a day a longer hold is no advice: what limits it then does not average out."""


def _undecided(
    recipe: Recipe, stretch: Stretch, estimate: Estimate | None, named: tuple[Cause, ...]
) -> Iterator[str]:
    scale = stretch.scale
    if scale is None or any(cause in named for cause in NOT_SETTLED_BY_TIME):
        return
    if stretch.lost is not None:
        yield LOST[stretch.lost]
    if estimate is None or not estimate.ready:
        least = "9 minutes" if recipe.is_vacuum else "16 minutes"
        yield (
            "The hold was too short, or too much of its data was missing, for any bound on the "
            f"leak: hold for at least {least} after the start."
        )
        return
    low, high = (_shown(recipe, scale, x) for x in (estimate.low, estimate.high))
    limit = _shown(recipe, scale, scale.limit_slope)
    yield f"The leak lies between {low} and {high}; the criterion of {limit} lies between the two."
    yield _settling(recipe, estimate, scale)
    if Cause.MOISTURE in estimate.causes or Cause.OUTGASSING in estimate.causes:
        yield "Dry the system (pump longer, warm the cold parts) and hold again."


def _settling(recipe: Recipe, estimate: Estimate, scale: Scale) -> str:
    """What would settle an undecided hold."""
    other = "a finer gauge" if recipe.is_vacuum else "a higher test pressure within the limit"
    ratio = max(estimate.smallest_visible / scale.limit_slope, 1.5)
    more_s = estimate.t_s * ratio**GAIN_EXPONENT if math.isfinite(ratio) else math.inf
    if more_s > LONGEST_ADVICE_S:
        return f"Time alone will not settle it: a steadier temperature, or {other}, would."
    return (
        f"What would settle it: a hold of about {minutes(more_s)} undisturbed, a steadier "
        f"temperature, or {other}."
    )


def _shown(recipe: Recipe, scale: Scale, slope: float, *, up: bool = False) -> str:
    """A slope as the criterion speaks: a pressure change in its time, or grams a year."""
    criterion = recipe.criterion
    if not criterion.is_change:
        return f"{grams(scale.grams(slope), up=up)} of {recipe.refrigerant} a year"
    change = slope * criterion.within_s / 1e3
    return f"{change:.3g} kPa in {criterion.within_min:g} min"


def _bounds(recipe: Recipe, outcome: Outcome, stretch: Stretch, estimate: Estimate) -> str:
    scale = stretch.scale
    if scale is None:
        return ""
    passed = outcome is Outcome.PASS
    bound, limit = max(estimate.high if passed else estimate.low, 0.0), scale.limit_slope
    side, against = ("below", "under") if passed else ("above", "over")
    shown = _shown(recipe, scale, bound, up=passed)
    if bound > 0.95 * limit if passed else bound < 1.05 * limit:
        shown = f"just the criterion ({100.0 * bound / limit:.0f} % of it)"
    percent = 100.0 * scale.confidence
    return (
        f"The leak is {side} {shown}, {against} the criterion of "
        f"{_shown(recipe, scale, limit)} ({percent:g} % confidence, valid at every look)."
    )


def _assumptions(recipe: Recipe, stretch: Stretch) -> Iterator[str]:
    if (
        recipe.barometer_kpa is None
        and recipe.altitude_m is None
        and not stretch.barometer_measured
    ):
        yield ASSUMED_SEA_LEVEL
    if recipe.is_vacuum:
        return
    if not stretch.thermometer_seen:
        yield NO_THERMOMETER
    if stretch.needs_barometer:
        yield NO_BAROMETER
