"""The charge balance: what went missing between a charge and the recovery after it, a year."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from holdwatch_procedures.vehicles.charge_pairs import MOST_G, YEAR_DAYS, Allowances, Pair
from holdwatch_procedures.vehicles.error_sums import chi_square_limit, half_width, rectangular_u
from holdwatch_procedures.vehicles.record import StoryError
from holdwatch_procedures.vehicles.vehicle import LAW_G_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Sequence

CONFIDENCE: Final = 0.95
NOTICED_SHARE_LOST: Final = 0.30
"""Share of the charge whose loss is noticed as poor cooling. Common practice, no source: a unit
that leaks slowly cools as before until a good part of its charge is gone."""
_FARTHEST_YEARS: Final = 100.0


@dataclass(frozen=True, slots=True)
class OneMoreWeighing:
    """What a further charge and recovery would tell, if the loss is as estimated.

    Attributes:
        after_days: Half-width of the interval then, g a year, by days until the weighing.
        days_to_tell_leak: Days until the interval leaves 0; None where it never would.
        days_to_tell_law: Days until it leaves the law's figure; None likewise.
    """

    after_days: dict[int, float]
    days_to_tell_leak: float | None
    days_to_tell_law: float | None


@dataclass(frozen=True, slots=True)
class Fit:
    """A rate, g a year, with its two errors: a normal one and a common rectangular one.

    Attributes:
        value: The rate with the middle of what may have stayed taken off.
        least: The same with the least of it taken off: the most that can have leaked, but for the
            weighings' errors.
        sigma: Standard deviation of the weighings' errors.
        reach: Half the width of what may have stayed, as a rate.
        chi_square: How far the visits disagree.
    """

    value: float
    least: float
    sigma: float
    reach: float
    chi_square: float

    @property
    def half_width(self) -> float:
        """Half-width of the 95 % interval."""
        return half_width(self.sigma, self.reach, CONFIDENCE)

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval.

        No more can have stayed than is missing, since a leak is never negative: where less is
        missing than may have stayed, the allowance ends there.
        """
        reach = min(self.reach, max(0.5 * self.least, 0.0))
        return self.least - reach + half_width(self.sigma, reach, CONFIDENCE)


@dataclass(frozen=True, slots=True)
class Balance:
    """The loss between visits with its 95 % interval; masses in g, rates in g a year.

    ``high`` is None when a unit came out empty: it may have leaked any faster. ``noticed`` holds
    the dates between which poor cooling will be noticed, counted from ``noticed_from``; its second
    date is None when the loss may be nothing, and it is None altogether without a nameplate or
    without any loss.
    """

    value: float
    low: float
    high: float | None
    standard_u: float
    days: float
    percent_per_year: float | None
    noticed: tuple[datetime | None, datetime | None] | None
    noticed_from: datetime
    noticed_share_lost: float
    evaporators: int
    against_law: str
    fitted: Fit
    chi_square: float | None
    notes: tuple[str, ...]
    pairs: tuple[Pair, ...]
    allowances: Allowances

    def one_more(self) -> OneMoreWeighing:
        """Forecast the interval after a recharge at the last recovery and one recovery more."""
        value, reach = self.fitted.value, self.fitted.half_width
        to_law = abs(value - LAW_G_PER_YEAR[self.evaporators])
        leak = self._days_until(value) if value > 0.0 else None
        return OneMoreWeighing(
            after_days={days: self._width_after(days) for days in (90, 180, 365)},
            days_to_tell_leak=0.0 if value > reach else leak,
            days_to_tell_law=0.0 if to_law > reach else self._days_until(to_law),
        )

    def _width_after(self, days: float) -> float:
        last = self.pairs[-1]
        end = last.recovered_at + timedelta(days=days)
        further = Pair(last.charged_g, last.recovered_at, 0.0, end)
        return _fit([*self.pairs, further], self.allowances).half_width

    def _days_until(self, distance: float) -> float | None:
        """Days until the half-width is below a distance, to a day; None for ten years or more."""
        low, high = 1.0, 3652.5
        if self._width_after(high) >= distance:
            return None
        while high - low > 1.0:
            middle = 0.5 * (low + high)
            wide = self._width_after(middle) >= distance
            low, high = (middle, high) if wide else (low, middle)
        return float(round(high))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object of the contract, with what we add to it."""
        noticed, further = self.noticed, self.one_more()
        return {
            "g_per_year": {
                "value": self.value,
                "low": self.low,
                "high": self.high,
                "confidence": CONFIDENCE,
                "standard_u": self.standard_u,
            },
            "percent_per_year": self.percent_per_year,
            "days": self.days,
            "noticed_between": None
            if noticed is None
            else [None if day is None else day.date().isoformat() for day in noticed],
            "noticed_from": self.noticed_from.date().isoformat(),
            "noticed_share_lost": self.noticed_share_lost,
            "law": {
                "evaporators": self.evaporators,
                "limit_g_per_year": LAW_G_PER_YEAR[self.evaporators],
                "loss": self.against_law,
            },
            "one_more_weighing": {
                "half_width_g_per_year_after_days": {
                    str(days): width for days, width in further.after_days.items()
                },
                "days_to_tell_leak": further.days_to_tell_leak,
                "days_to_tell_law": further.days_to_tell_law,
            },
            "assumed": {
                "scale_tolerance_g": self.allowances.tolerance_g,
                "unrecovered_g": list(self.allowances.unrecovered_g),
                "hose_loss_g": self.allowances.hose_loss_g,
            },
            "notes": list(self.notes),
        }


def balance(
    pairs: Sequence[Pair],
    allowances: Allowances | None = None,
    *,
    nameplate_g: float | None = None,
    evaporators: int = 1,
    noticed_share_lost: float = NOTICED_SHARE_LOST,
    refilled: tuple[float, datetime] | None = None,
) -> Balance:
    """Return the charge balance of one unit between visits.

    Each pair gives y = charged − recovered − hose loss = rate · time + unrecovered + weighing
    errors. The rate is the generalised least-squares one with no negative weight, the weighing
    errors independent (u = a/√3 each), what stays in the oil one unknown common to all pairs,
    anywhere between its limits. The 95 % interval holds the sum of both errors; with nothing
    unrecovered it is the GUM's ±1.96 u.

    Args:
        pairs: At least one; their times must not overlap.
        allowances: Tolerances; the defaults where None.
        nameplate_g: Charge by the plate, g.
        evaporators: 1 or 2, for the law's figure.
        noticed_share_lost: Share of the charge whose loss is noticed, between 0 and 1.
        refilled: Mass and time of the newest charge, g; where None, the nameplate's at the last
            recovery.

    Raises:
        StoryError: No pair, a recovery before its charge, an impossible mass, overlapping pairs.
    """
    allowed = allowances or Allowances()
    ordered = _checked(pairs)
    _check_unit(nameplate_g, evaporators, noticed_share_lost)
    fit = _fit(ordered, allowed)
    notes = _notes(ordered, fit)
    if _disagree(fit, len(ordered)):
        widened = math.sqrt(fit.chi_square / (len(ordered) - 1))
        fit = replace(fit, sigma=fit.sigma * widened)
    low = fit.value - fit.half_width
    ran_out = any(pair.ran_out for pair in ordered)
    high = None if ran_out else fit.high
    limit = LAW_G_PER_YEAR[evaporators]
    start = (nameplate_g or 0.0, ordered[-1].recovered_at) if refilled is None else refilled
    to_lose = None if nameplate_g is None else start[0] - nameplate_g * (1.0 - noticed_share_lost)
    return Balance(
        value=fit.value,
        low=low,
        high=high,
        standard_u=math.hypot(fit.sigma, rectangular_u(fit.reach)),
        days=sum(pair.days for pair in ordered),
        percent_per_year=None if nameplate_g is None else 100.0 * fit.value / nameplate_g,
        noticed=_noticed(start[1], to_lose, low, high),
        noticed_from=start[1],
        noticed_share_lost=noticed_share_lost,
        evaporators=evaporators,
        against_law=_against(limit, low, high),
        fitted=fit,
        chi_square=fit.chi_square if len(ordered) > 1 else None,
        notes=tuple(notes),
        pairs=tuple(ordered),
        allowances=allowed,
    )


def _checked(pairs: Sequence[Pair]) -> list[Pair]:
    """Return the pairs in the order of time, each and all of them possible."""
    if not pairs:
        raise StoryError("a balance needs at least one charge and the recovery after it")
    for pair in pairs:
        masses = (pair.charged_g, pair.recovered_g, *pair.top_ups_g)
        if not all(0.0 <= grams <= MOST_G for grams in masses):
            raise StoryError("a weighed mass must be 0 g or more, at most 1,000 kg")
        if not pair.put_in_g > 0.0:
            raise StoryError("a charged mass must be above 0 g")
        if not pair.recovered_at > pair.charged_at:
            raise StoryError(
                f"recovered on {_day(pair.recovered_at)}, which is not after its charge on "
                f"{_day(pair.charged_at)}: each charge pairs with the recovery that followed it"
            )
    ordered = sorted(pairs, key=lambda pair: pair.charged_at)
    for before, after in pairwise(ordered):
        if after.charged_at < before.recovered_at:
            raise StoryError(
                f"charged on {_day(after.charged_at)}, while the charge of "
                f"{_day(before.charged_at)} was still in the unit until "
                f"{_day(before.recovered_at)}: one unit cannot hold two charges"
            )
    return ordered


def _check_unit(nameplate_g: float | None, evaporators: int, share: float) -> None:
    if nameplate_g is not None and not (math.isfinite(nameplate_g) and nameplate_g > 0.0):
        raise StoryError(f"the nameplate charge must be above 0 g, not {nameplate_g:g}")
    if evaporators not in LAW_G_PER_YEAR:
        raise StoryError(f"evaporators must be 1 or 2, not {evaporators}")
    if not 0.0 < share < 1.0:
        raise StoryError(f"the share whose loss is noticed must lie between 0 and 1, not {share:g}")


def _fit(pairs: Sequence[Pair], allowed: Allowances) -> Fit:
    """Best rate from weights that are never negative, with both its errors."""
    times = [pair.years for pair in pairs]
    losses = [
        pair.put_in_g - pair.recovered_g - allowed.hose_loss_g - allowed.middle_g for pair in pairs
    ]
    unit = rectangular_u(allowed.tolerance_g) ** 2
    stayed = rectangular_u(allowed.reach_g) ** 2
    own = [unit * pair.weighings for pair in pairs]
    weights = _weights(times, own, stayed)
    value = sum(w * loss for w, loss in zip(weights, losses, strict=True))
    sigma = math.sqrt(sum(w * w * v for w, v in zip(weights, own, strict=True)))
    chi_square = sum(
        (loss - value * t) ** 2 / (v + stayed)
        for loss, t, v in zip(losses, times, own, strict=True)
        if v + stayed > 0.0
    )
    reach = sum(weights) * allowed.reach_g
    return Fit(value, value + reach, sigma, reach, chi_square)


def _weights(times: Sequence[float], own: Sequence[float], common: float) -> list[float]:
    """Return the weights ≥ 0 with Σ w·t = 1 that make the variance of Σ w·y least.

    Generalised least squares for one error common to all visits beside each one's own
    (Sherman–Morrison). Free weights would subtract one visit from another to be rid of the common
    error, which trusts that the oil keeps back the very same amount every time: a visit whose
    weight came out below 0 is left out instead.
    """
    floor = 1e-9 * max(common, 1.0)  # a faultless scale: visits weigh by their time alone
    variances = [max(v, floor) for v in own]
    kept = list(range(len(times)))
    while True:
        ones = sum(1.0 / variances[i] for i in kept)
        shrink = common / (1.0 + common * ones)
        pull = sum(times[i] / variances[i] for i in kept)
        raw = {i: (times[i] - shrink * pull) / variances[i] for i in kept}
        lowest = min(kept, key=lambda i: raw[i])
        if raw[lowest] >= 0.0 or len(kept) == 1:
            break
        kept.remove(lowest)
    scale = sum(raw[i] * times[i] for i in kept)
    return [raw[i] / scale if i in raw else 0.0 for i in range(len(times))]


def _disagree(fit: Fit, pairs: int) -> bool:
    return pairs > 1 and fit.chi_square > chi_square_limit(pairs - 1)


def _notes(pairs: Sequence[Pair], fit: Fit) -> list[str]:
    notes = []
    if any(pair.ran_out for pair in pairs):
        notes.append(
            "The unit came out (nearly) empty: it may have been so for long, so the loss is at "
            "least this and has no upper bound."
        )
    if fit.high < 0.0:
        notes.append(
            "More came out than went in: a weighing is wrong, a top-up was not written down, or "
            "something else is in the unit."
        )
    elif fit.value <= fit.half_width:
        notes.append("The weights are explained by scale, oil and hoses alone: no loss is shown.")
    if _disagree(fit, len(pairs)):
        notes.append(
            "The visits disagree by more than the scale allows (1 %): the leak changed, or a "
            "weighing is wrong. The interval is widened by their disagreement."
        )
    return notes


def _against(limit: float, low: float, high: float | None) -> str:
    if high is not None and high < limit:
        return "below"
    return "above" if low > limit else "cannot tell"


def _noticed(
    start: datetime, loss_g: float | None, low: float, high: float | None
) -> tuple[datetime | None, datetime | None] | None:
    """Return when ``loss_g`` is gone at the highest and at the lowest rate."""
    if loss_g is None or (high is not None and high <= 0.0):
        return None
    if loss_g <= 0.0:  # charged below the level already
        return start, start
    return _after(start, loss_g, high), _after(start, loss_g, low)


def _after(start: datetime, loss_g: float, rate: float | None) -> datetime | None:
    if rate is None or rate <= 0.0 or loss_g / rate > _FARTHEST_YEARS:
        return None
    try:
        return start + timedelta(days=loss_g / rate * YEAR_DAYS)
    except OverflowError:  # past the calendar's last year
        return None


def _day(moment: datetime) -> str:
    return moment.astimezone(UTC).date().isoformat()
