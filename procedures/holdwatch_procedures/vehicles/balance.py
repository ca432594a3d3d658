"""Computes the charge balance: what went missing between charges and recoveries, g a year.

Weights as people write them (``600@2025-05-04``) or as pairs, their allowances, the fit with its
uncertainty, and the sentence that says it.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Final

from holdwatch_procedures.vehicles.validation import VehicleError
from holdwatch_procedures.vehicles.vehicle import LAW_G_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Sequence


YEAR_DAYS: Final = 365.25
DAY_S: Final = 86400.0
MOST_G: Final = 1e6
"""No unit here takes more, g; a larger figure is a slip of the unit."""
DEFAULT_TOLERANCE_G: Final = 5.0
"""Limit of error of a weighing where none is stated, g (a shop scale; no source)."""
DEFAULT_UNRECOVERED_G: Final = (0.0, 30.0)
"""What stays in oil and hoses when a unit is recovered, g. Common practice, no source: a few
percent of a mobile charge."""
RAN_OUT_SHARE: Final = 0.05
"""Recovered share of the charge at and below which the unit is taken to have run empty: about
what its volume holds as gas at the room's pressure."""
CONFIDENCE: Final = 0.95
NOTICED_SHARE_LOST: Final = 0.30
"""Share of the charge whose loss is noticed as poor cooling. Common practice, no source: a unit
that leaks slowly cools as before until a good part of its charge is gone."""
_FARTHEST_YEARS: Final = 100.0
_SMALL_SHARE: Final = 1e-5
_STEPS: Final = 60
"""Halvings of the bracket: to the last digits of a float."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A charge and the recovery after it; times with their zone, masses in g.

    ``top_ups_g`` were added in between: they went in as the charge did, each over the scale.
    """

    charged_g: float
    charged_at: datetime
    recovered_g: float
    recovered_at: datetime
    top_ups_g: tuple[float, ...] = ()

    @property
    def days(self) -> float:
        """Time between them, days."""
        return (self.recovered_at - self.charged_at).total_seconds() / DAY_S

    @property
    def years(self) -> float:
        """Time between them in years of 365.25 days."""
        return self.days / YEAR_DAYS

    @property
    def put_in_g(self) -> float:
        """Everything that was put in, g."""
        return self.charged_g + sum(self.top_ups_g)

    @property
    def weighings(self) -> int:
        """How many times the scale was read."""
        return 2 + len(self.top_ups_g)

    @property
    def ran_out(self) -> bool:
        """Whether so little came out that the unit was empty before: the loss is a least one."""
        return self.recovered_g <= RAN_OUT_SHARE * self.put_in_g


@dataclass(frozen=True, slots=True)
class Allowances:
    """What stands between the scale and the leak.

    Attributes:
        tolerance_g: Limit of error of each weighing, rectangular, g.
        unrecovered_g: Least and most that stays in oil and hoses at a recovery, g. One-sided: it
            can only make a unit look leakier than it is. The same oil and hoses stand in every
            visit, so it is taken as one unknown common to all of them.
        hose_loss_g: Lost at the hoses over one charge and recovery, g, known.
    """

    tolerance_g: float = DEFAULT_TOLERANCE_G
    unrecovered_g: tuple[float, float] = DEFAULT_UNRECOVERED_G
    hose_loss_g: float = 0.0

    def __post_init__(self) -> None:
        """Refuse figures that cannot be.

        Raises:
            VehicleError: A negative figure, or the limits of ``unrecovered_g`` the wrong way round.
        """
        low, high = self.unrecovered_g
        figures = (self.tolerance_g, low, high, self.hose_loss_g)
        if not all(0.0 <= figure <= MOST_G for figure in figures):
            raise VehicleError(
                "tolerance, unrecovered and hose loss must be 0 g or more, at most 1,000 kg"
            )
        if low > high:
            raise VehicleError(f"unrecovered {low:g}:{high:g} g: write the lower figure first")

    @property
    def middle_g(self) -> float:
        """Middle of what may have stayed, g."""
        return 0.5 * sum(self.unrecovered_g)

    @property
    def reach_g(self) -> float:
        """Half the width of what may have stayed, g."""
        return 0.5 * (self.unrecovered_g[1] - self.unrecovered_g[0])


def rectangular_u(half_width: float) -> float:
    """Standard uncertainty of an error that is anywhere within ±a: a/√3 (GUM 4.3.7).

    >>> round(rectangular_u(15.0), 4)
    8.6603
    """
    return half_width / math.sqrt(3.0)


def normal_cdf(z: float) -> float:
    """Share of a standard normal below z."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def _below(z: float) -> float:
    """Integral of the normal's share below, z·Φ(z) + φ(z)."""
    return z * normal_cdf(z) + math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)


def half_width(sigma: float, reach: float, confidence: float) -> float:
    """Half-width of the interval that holds a normal error plus a rectangular one.

    With ``reach`` 0 it is the GUM's k·u (k = 1.960 at 95 %); with ``sigma`` 0 the rectangle's own
    share. Between them it is exact, where k·√(σ² + a²/3) would be too wide by up to a fifth and
    could let a wider one-sided allowance raise the upper bound.

    Args:
        sigma: Standard deviation of the normal error.
        reach: Half-width of the rectangular error.
        confidence: Share to be held, between 0 and 1.

    >>> round(half_width(1.0, 0.0, 0.95), 4), half_width(0.0, 10.0, 0.95)
    (1.96, 9.5)
    """
    if sigma <= 0.0:
        return confidence * reach
    share = 0.5 * (1.0 + confidence)
    plain = reach < _SMALL_SHARE * sigma
    low, high = 0.0, reach + 10.0 * sigma
    for _ in range(_STEPS):
        middle = 0.5 * (low + high)
        if plain:
            held = normal_cdf(middle / sigma)
        else:
            held = (_below((middle + reach) / sigma) - _below((middle - reach) / sigma)) * (
                sigma / (2.0 * reach)
            )
        low, high = (middle, high) if held < share else (low, middle)
    return 0.5 * (low + high)


def chi_square_limit(degrees: int, z: float = 2.326) -> float:
    """Chi-square exceeded with the chance of a normal above z (1 % by default).

    Wilson and Hilferty's cube approximation, within 2 % from one degree of freedom on (against
    scipy, beside the tests).
    """
    share = 2.0 / (9.0 * degrees)
    return float(degrees * (1.0 - share + z * math.sqrt(share)) ** 3)


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
        VehicleError: No pair, a recovery before its charge, an impossible mass, overlapping pairs.
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
        raise VehicleError("a balance needs at least one charge and the recovery after it")
    for pair in pairs:
        masses = (pair.charged_g, pair.recovered_g, *pair.top_ups_g)
        if not all(0.0 <= grams <= MOST_G for grams in masses):
            raise VehicleError("a weighed mass must be 0 g or more, at most 1,000 kg")
        if not pair.put_in_g > 0.0:
            raise VehicleError("a charged mass must be above 0 g")
        if not pair.recovered_at > pair.charged_at:
            raise VehicleError(
                f"recovered on {_day(pair.recovered_at)}, which is not after its charge on "
                f"{_day(pair.charged_at)}: each charge pairs with the recovery that followed it"
            )
    ordered = sorted(pairs, key=lambda pair: pair.charged_at)
    for before, after in pairwise(ordered):
        if after.charged_at < before.recovered_at:
            raise VehicleError(
                f"charged on {_day(after.charged_at)}, while the charge of "
                f"{_day(before.charged_at)} was still in the unit until "
                f"{_day(before.recovered_at)}: one unit cannot hold two charges"
            )
    return ordered


def _check_unit(nameplate_g: float | None, evaporators: int, share: float) -> None:
    if nameplate_g is not None and not (math.isfinite(nameplate_g) and nameplate_g > 0.0):
        raise VehicleError(f"the nameplate charge must be above 0 g, not {nameplate_g:g}")
    if evaporators not in LAW_G_PER_YEAR:
        raise VehicleError(f"evaporators must be 1 or 2, not {evaporators}")
    if not 0.0 < share < 1.0:
        raise VehicleError(
            f"the share whose loss is noticed must lie between 0 and 1, not {share:g}"
        )


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


def period_words(made: Balance) -> str:
    """Return how long a balance looked: ``720 days in 2 periods``."""
    days = f"{made.days:.0f} days"
    return days + (f" in {len(made.pairs)} periods" if len(made.pairs) > 1 else "")


def balance_sentence(made: Balance) -> str:
    """Return what a balance says, in one sentence."""
    days = period_words(made)
    if made.high is None:
        return f"At least {made.low:.0f} g a year were lost over {days}."
    if made.low > 0.0:
        return f"Between {made.low:.0f} and {made.high:.0f} g a year were lost over {days}."
    if made.high > 0.0:
        return f"No loss is shown over {days}; one of up to {made.high:.0f} g a year may be there."
    return f"More came out than went in over {days}."


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures beside the weights, as they are given."""

    scale_tolerance_g: float
    unrecovered_g: str
    hose_loss_g: float
    nameplate_g: float | None
    evaporators: int
    noticed_share_lost: float


def balance_of_texts(
    charged: Sequence[str], recovered: Sequence[str], figures: Figures, dashes: str
) -> Balance:
    """Return the balance of weights that are written as ``GRAMS@DATE``.

    Args:
        charged: What went in.
        recovered: What came out after each, in the same order.
        figures: The figures beside them.
        dashes: What stands before a name where it is told, for example ``--`` of options.

    Raises:
        VehicleError: A weight that cannot be read or has no partner, or weights that cannot be.
    """
    return balance(
        read_pairs(charged, recovered, dashes),
        Allowances(
            figures.scale_tolerance_g,
            read_range(figures.unrecovered_g, dashes),
            figures.hose_loss_g,
        ),
        nameplate_g=figures.nameplate_g,
        evaporators=figures.evaporators,
        noticed_share_lost=figures.noticed_share_lost,
    )


def read_pairs(charged: Sequence[str], recovered: Sequence[str], dashes: str = "--") -> list[Pair]:
    """Return the n-th charge with the n-th recovery.

    Raises:
        VehicleError: A weight that has no partner, or one that cannot be read.
    """
    if not charged or len(charged) != len(recovered):
        raise VehicleError(
            f"{len(charged)} {dashes}charged and {len(recovered)} {dashes}recovered: each charge "
            f"needs the recovery that followed it, in the same order ({dashes}charged "
            f"600@2025-05-04 {dashes}recovered 540@2026-05-02)"
        )
    pairs = []
    for filled, emptied in zip(charged, recovered, strict=True):
        put_in, at = read_weight(f"{dashes}charged", filled)
        taken_out, later = read_weight(f"{dashes}recovered", emptied)
        if later < at:
            raise VehicleError(
                f"{dashes}recovered {emptied} is before its {dashes}charged {filled}: the n-th "
                "recovery pairs with the n-th charge and follows it"
            )
        pairs.append(Pair(put_in, at, taken_out, later))
    return pairs


def read_weight(option: str, text: str) -> tuple[float, datetime]:
    """Return grams and moment of ``GRAMS@DATE``; a bare date stands for its start, UTC.

    Raises:
        VehicleError: The text is no such thing.
    """
    grams, at, day = text.partition("@")
    if not at:
        raise VehicleError(f"{option} {text}: write GRAMS@DATE, for example 600@2025-05-04")
    return read_grams(option, text, grams), read_date(option, text, day)


def read_grams(option: str, whole: str, grams: str) -> float:
    """Return the number of grams; a unit behind it is refused, also the right one."""
    word = grams.strip()
    if re.fullmatch(r"[+-]?[\d.,]+\s*[^\W\d_]+\.?", word):
        raise VehicleError(f"{option} {whole}: write grams as a bare number, without a unit")
    if re.fullmatch(r"\d+,\d+", word):
        raise VehicleError(f"{option} {whole}: write the decimal point as a point, not a comma")
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0.0):
        raise VehicleError(f"{option} {whole}: {word!r} is no mass in grams, 0 or more")
    return value


def read_date(option: str, whole: str, day: str) -> datetime:
    """Return an ISO 8601 date, or date and time, as a moment; without a zone it is UTC."""
    word = day.strip()
    try:
        moment = datetime.combine(date.fromisoformat(word), time(), tzinfo=UTC)
    except ValueError:
        try:
            moment = datetime.fromisoformat(word)
        except ValueError:
            raise VehicleError(
                f"{option} {whole}: {word!r} is no date in ISO 8601, for example 2025-05-04"
            ) from None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def read_range(text: str, dashes: str = "--") -> tuple[float, float]:
    """Return the two figures of ``LOW:HIGH``, g.

    Raises:
        VehicleError: The text is no such thing.
    """
    name = f"{dashes}unrecovered{'-' if dashes else '_'}g"
    low, colon, high = text.partition(":")
    if not colon:
        raise VehicleError(f"{name} {text}: write LOW:HIGH in grams, for example 0:30")
    figures = (
        read_grams(name, text, low),
        read_grams(name, text, high),
    )
    if figures[0] > figures[1]:
        raise VehicleError(f"{name} {text}: write the lower figure first")
    return figures
