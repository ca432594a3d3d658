"""Chooses what a hold says: how it goes, its verdict, and the reasons for it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.estimates import Cause
from holdwatch_procedures.holds.verdict import Outcome, Phase
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from holdwatch_procedures.holds.estimates import Estimate
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.scale import Scale
    from holdwatch_procedures.holds.segment import Segment
    from holdwatch_procedures.holds.vacuum.rise import RiseLook
    from holdwatch_procedures.holds.verdict import Verdict

LOST = {
    Cause.THERMOMETER: Say("reason.thermometer_lost"),
    Cause.GAP: Say("reason.gauge_lost"),
}
NOT_SETTLED_BY_TIME = (Cause.OVERPRESSURE, Cause.SATURATED)
LEAST_S = {True: 9 * 60.0, False: 16 * 60.0}
"""Before this no bound can be given, s, under vacuum (True) and under pressure (False)."""
LONGEST_ADVICE_S = 24 * 3600.0
"""Beyond a day a longer hold is no advice: what limits it then does not average out."""


def started_by_mark(recipe: Recipe) -> Say:
    """What is said when a mark starts the clock."""
    return Say("hold.isolated_as_said" if recipe.is_vacuum else "hold.closed_as_said")


def progress(recipe: Recipe, phase: Phase, segment: Segment | None, verdict: Verdict | None) -> Say:
    """One sentence on what the hold is doing now."""
    if verdict is not None:
        return verdict.sentence
    if phase is Phase.EVACUATING:
        return Say("hold.evacuating")
    if phase is Phase.WAITING:
        return Say("hold.waiting")
    estimate = segment.estimate if segment is not None else None
    if phase is Phase.SETTLING or segment is None or segment.scale is None:
        return Say("hold.settling")
    if estimate is None or not estimate.ready or not math.isfinite(estimate.smallest_visible):
        return Say("hold.nothing_visible")
    return Say(
        "hold.visible",
        held_s=estimate.t_s,
        visible_g_per_year=segment.scale.grams(estimate.smallest_visible),
        refrigerant=recipe.refrigerant,
    )


def verdict(
    recipe: Recipe, outcome: Outcome, segment: Segment | None, causes: tuple[Cause, ...]
) -> Say:
    """The verdict in one sentence."""
    estimate = segment.estimate if segment is not None else None
    scale = segment.scale if segment is not None else None
    criterion = recipe.criterion
    if outcome is Outcome.PASS and estimate is not None and scale is not None:
        if criterion.is_change:
            return Say("verdict.tight_by_change", criterion=criterion.say)
        high = scale.grams(max(estimate.high, 0.0))
        return Say("verdict.tight", high_g_per_year=high, refrigerant=recipe.refrigerant)
    if outcome is Outcome.FAIL and estimate is not None and scale is not None:
        if criterion.is_change:
            named = _named(causes or (Cause.LEAK,))
            return Say("verdict.fails_change", criterion=criterion.say, causes=named)
        return Say(
            "verdict.leaks",
            leak_g_per_year=scale.grams(estimate.slope),
            low_g_per_year=scale.grams(max(estimate.low, 0.0)),
            high_g_per_year=scale.grams(max(estimate.high, 0.0)),
            refrigerant=recipe.refrigerant,
            criterion=criterion.say,
        )
    return Say("verdict.inconclusive", causes=_named(causes))


def _named(causes: tuple[Cause, ...]) -> tuple[Say, ...]:
    return tuple(Say(f"cause.{cause}") for cause in causes)


def causes(
    recipe: Recipe,
    outcome: Outcome,
    found: Iterable[Cause],
    estimate: Estimate | None,
    *,
    barred: bool = False,
) -> tuple[Cause, ...]:
    """What was found, each word once.

    A fail is a leak, but where any rise of a vacuum fails: there it is what the data shows, and
    a leak where it shows nothing else; in its first minutes nothing can tell. An undecided hold
    without a cause was too short, unless it was ``barred`` from deciding in a way that has no word.
    """
    failed = outcome is Outcome.FAIL
    any_rise = recipe.is_vacuum and recipe.criterion.is_change
    seen = (*found, *(estimate.causes if estimate is not None else ()))
    named = [Cause.LEAK] if failed and not any_rise else []
    named += [cause for cause in seen if cause is not Cause.LEAK or failed]
    if not named and failed and estimate is not None:
        named = [Cause.LEAK]
    if outcome is Outcome.INCONCLUSIVE and not named and not barred:
        named = [Cause.TOO_SHORT]
    return tuple(dict.fromkeys(named))


def reasons(
    recipe: Recipe,
    outcome: Outcome,
    segment: Segment | None,
    found: Mapping[Say, float],
    named: tuple[Cause, ...],
    *,
    marked: bool,
) -> tuple[Say, ...]:
    """Why the verdict is what it is, what would settle it, and what it assumes.

    ``found`` holds what disturbed the hold, with the minute of the hold at which it happened;
    ``named`` the causes, and ``marked`` whether the clock was ever started.
    """
    told = [Say("reason.at", at_s=60.0 * at_min, what=what) for what, at_min in found.items()]
    if segment is None or segment.scale is None:
        told.append(_no_start(recipe, marked=marked))
    else:
        told += _judged(recipe, outcome, segment, named)
    return tuple(dict.fromkeys(told))


def _judged(
    recipe: Recipe, outcome: Outcome, segment: Segment, named: tuple[Cause, ...]
) -> Iterator[Say]:
    """The reasons of a hold that has been judged."""
    estimate = segment.estimate
    if segment.entry_remark is not None:
        yield segment.entry_remark
    if segment.rise is not None:
        yield _rise(recipe, segment.rise)
    elif outcome is Outcome.INCONCLUSIVE:
        yield from _undecided(recipe, segment, estimate, named)
    elif estimate is not None and segment.scale is not None:
        yield _bounds(recipe, outcome, segment.scale, estimate)
    if estimate is not None:
        yield from estimate.notes
    yield from _assumptions(recipe, segment)


def _rise(recipe: Recipe, rise: RiseLook) -> Say:
    criterion = recipe.criterion
    if not all(map(math.isfinite, (rise.low_pa, rise.rise_pa, rise.high_pa))):
        return Say("reason.rise_not_measured", after_s=rise.t_s, criterion=criterion.say)
    return Say(
        "reason.risen" if criterion.max_change_kpa is None else "reason.risen_kpa",
        rise_pa=rise.rise_pa,
        low_pa=rise.low_pa,
        high_pa=rise.high_pa,
        after_s=rise.t_s,
        criterion=criterion.say,
    )


def _no_start(recipe: Recipe, *, marked: bool) -> Say:
    if marked:
        return Say("reason.nothing_after_start")
    if recipe.is_vacuum:
        return Say("reason.never_isolated", target_pa=recipe.target_pa)
    if recipe.start == "auto":
        return Say("reason.nothing")
    return Say("reason.never_started")


def _undecided(
    recipe: Recipe, segment: Segment, estimate: Estimate | None, named: tuple[Cause, ...]
) -> Iterator[Say]:
    scale = segment.scale
    if scale is None or any(cause in named for cause in NOT_SETTLED_BY_TIME):
        return
    if segment.lost is not None:
        yield LOST[segment.lost]
    if estimate is None or not estimate.ready:
        yield Say("reason.too_short", least_s=LEAST_S[recipe.is_vacuum])
        return
    yield Say(
        "reason.straddles",
        low=_shown(recipe, scale, estimate.low),
        high=_shown(recipe, scale, estimate.high),
        limit=_shown(recipe, scale, scale.limit_slope),
    )
    yield _settling(recipe, estimate, scale)
    if Cause.MOISTURE in estimate.causes or Cause.OUTGASSING in estimate.causes:
        yield Say("reason.dry_and_hold")


def _settling(recipe: Recipe, estimate: Estimate, scale: Scale) -> Say:
    """What would settle an undecided hold."""
    other = Say("reason.finer_gauge" if recipe.is_vacuum else "reason.higher_pressure")
    more_s = estimate.time_to_see_s(scale.limit_slope, least_ratio=1.5)
    if more_s > LONGEST_ADVICE_S:
        return Say("reason.time_will_not_settle", other=other)
    return Say("reason.what_would_settle", more_s=more_s, other=other)


def _shown(recipe: Recipe, scale: Scale, slope: float, *, up: bool = False) -> Say:
    """A slope as the criterion speaks: a pressure change in its time, or grams a year."""
    criterion = recipe.criterion
    if criterion.is_change:
        return Say("leak.change", change_pa=slope * criterion.within_s, within_s=criterion.within_s)
    return Say(
        "leak.rate_at_most" if up else "leak.rate",
        leak_g_per_year=scale.grams(slope),
        refrigerant=recipe.refrigerant,
    )


def _bounds(recipe: Recipe, outcome: Outcome, scale: Scale, estimate: Estimate) -> Say:
    passed = outcome is Outcome.PASS
    bound, limit = max(estimate.high if passed else estimate.low, 0.0), scale.limit_slope
    shown = _shown(recipe, scale, bound, up=passed)
    if bound > 0.95 * limit if passed else bound < 1.05 * limit:
        shown = Say("leak.just_the_criterion", share=bound / limit)
    return Say(
        "reason.below" if passed else "reason.above",
        bound=shown,
        limit=_shown(recipe, scale, limit),
        confidence=scale.confidence,
    )


def _assumptions(recipe: Recipe, segment: Segment) -> Iterator[Say]:
    if (
        recipe.barometer_kpa is None
        and recipe.altitude_m is None
        and not segment.barometer_measured
    ):
        yield Say("reason.sea_level")
    if recipe.is_vacuum:
        return
    if not segment.thermometer_seen:
        yield Say("reason.no_thermometer")
    if segment.needs_barometer:
        yield Say("reason.no_barometer")
