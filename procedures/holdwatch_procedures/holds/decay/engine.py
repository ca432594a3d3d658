"""Judges the amount of gas in a pressure-decay hold: blocks in, the leak with its bounds out.

The slope comes from the bank of filters; what is considered and not learned (`doubts`) widens its
bounds, and the largest of it becomes advice.
"""

from __future__ import annotations

import math
from collections import defaultdict, deque
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from itertools import pairwise
from statistics import NormalDist, median
from typing import TYPE_CHECKING

from holdwatch_procedures.holds.confidence import half_width, smallest_limit
from holdwatch_procedures.holds.decay.bank import Bank, Posterior
from holdwatch_procedures.holds.decay.setup import Barometer, DecaySetup
from holdwatch_procedures.holds.decay.signal import COLUMNS, GasSignal, Row
from holdwatch_procedures.holds.estimates import BLOCK_S, Block, Cause, Estimate
from holdwatch_procedures.holds.resolution import Dither, rounding_doubt
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Sequence


FIRST_LOOK = 30
"""Usable blocks after the floor before there is an estimate."""

EARLY = 90
"""Usable blocks from which the noise is taken; when they are full the hold is replayed."""

LOST_S = 300.0
"""After this long without a usable block nothing may be decided, s."""

USABLE_SHARE = 0.8
"""Share of the blocks since the floor that must be usable before anything is decided; a gauge
that speaks more seldom than once a block promises as many as its interval allows."""

SETTLED_SHARE = 0.1
"""Transients below this share of the criterion have settled."""

READINGS_A_BLOCK = 10
"""Readings that a block averages over at one a second, for forecasts and where nobody counted."""

Z95 = 1.959964
_ENDS = 6

Z_SHARE = 2.33
"""How often a bound carries what is considered, near enough for choosing advice."""

BAROMETER_PA_PER_S = 60.0 / 3600.0
BAROMETER_MOST_PA = 500.0
"""A room's pressure that nobody measures: 60 Pa an hour, up to 500 Pa (standard uncertainty)."""


WALK_SLOPE = 1.1
"""A random walk of σ an hour moves a straight line's slope by √(6/5)·σ/√(T·hour)."""


NATURAL_STILL_S = 3600.0
"""A thermometer whose steps are known may show one value for so long and still be believed."""


@dataclass(frozen=True, slots=True)
class Quantisation:
    """What the instruments themselves leave unsaid, as standard uncertainties of a change.

    Attributes:
        gauge_pa: By rounding of the gauge, Pa.
        clamp_k: By rounding of the thermometer, K.
        still_s: How long the thermometer showed one value without being known to be alive, s.
    """

    gauge_pa: float = 0.0
    clamp_k: float = 0.0
    still_s: float = 0.0


NO_ROUNDING = Quantisation()
"""Instruments that leave nothing unsaid."""


class Doubt(StrEnum):
    """What is considered and not learned, by what would lessen it."""

    CLAMP = "clamp"
    LAG = "lag"
    GAUGE = "gauge"
    BAROMETER = "barometer"
    BLIND = "blind"
    COARSE_GAUGE = "coarse gauge"
    COARSE_CLAMP = "coarse clamp"
    STILL_CLAMP = "still clamp"


def doubts(
    setup: DecaySetup,
    posterior: Posterior,
    t_s: float,
    pa_per_k: float,
    quantisation: Quantisation = NO_ROUNDING,
) -> dict[Doubt, float]:
    """Return the standard uncertainty by each thing considered but the scale, Pa/s.

    Args:
        setup: What was declared and what is considered.
        posterior: What the bank knows.
        t_s: Time since the bank's start, s.
        pa_per_k: Pressure that one kelvin makes, Pa/K.
        quantisation: What the instruments' steps leave unsaid.
    """
    gain, lag, slow_lag, gauge = posterior.sensitivity.tolist()
    considered = setup.considered
    found = {
        Doubt.CLAMP: math.hypot(considered.gain, setup.kappa_u / setup.kappa) * abs(gain),
        Doubt.LAG: math.hypot(considered.lag * lag, considered.slow_lag * slow_lag),
        Doubt.GAUGE: setup.tempco_pa_per_k * abs(gauge),
    }
    if t_s > 0.0 and setup.barometer is Barometer.CONSTANT:
        found[Doubt.BAROMETER] = min(BAROMETER_PA_PER_S * t_s, BAROMETER_MOST_PA) / t_s
    if t_s > 0.0:
        found[Doubt.COARSE_GAUGE] = quantisation.gauge_pa / t_s
        blind = not setup.thermometer
        drift_k = considered.unseen_drift_k(t_s if blind else min(quantisation.still_s, t_s))
        found[Doubt.BLIND if blind else Doubt.STILL_CLAMP] = pa_per_k * drift_k / t_s
        wander_k = WALK_SLOPE * setup.clamp_wander_k_per_h * math.sqrt(t_s / 3600.0)
        clamp_k = 0.0 if blind else math.hypot(quantisation.clamp_k, wander_k)
        found[Doubt.COARSE_CLAMP] = pa_per_k * clamp_k / t_s
    return found


@lru_cache(maxsize=64)
def quantile(share: float) -> float:
    """Return the standard normal quantile of a share."""
    return NormalDist().inv_cdf(share)


def advice(setup: DecaySetup, found: dict[Doubt, float], half_width: float) -> tuple[Say, ...]:
    """Return what would help most: a sentence for a doubt that makes half of the bound alone."""
    worst = max(found, key=found.__getitem__)
    if 2.0 * Z_SHARE * found[worst] < half_width:
        return ()
    key = f"decay.doubt.{worst}"
    if worst in {Doubt.STILL_CLAMP, Doubt.BLIND}:
        return (Say(key, drift_k=setup.considered.blind_k_per_h),)
    return (Say(key),)


def visible(setup: DecaySetup, posterior: Posterior, considered: float) -> float:
    """Return the smallest limit that a tight system could have passed by now, Pa/s.

    Args:
        setup: What was declared.
        posterior: What the bank knows.
        considered: Standard uncertainty of all that is considered, Pa/s.
    """
    return smallest_limit(
        posterior.variance,
        considered,
        setup.false_pass,
        quantile(1.0 - setup.false_pass),
        setup.spread,
    )


class QuantisationWatch:
    """Counts, over the blocks that an engine judges, how far rounding averages out.

    Blocks without resolutions (nobody counted) leave nothing unsaid.
    """

    def __init__(self) -> None:
        self._gauge = Dither()
        self._gauge_step: float | None = None
        self._clamps: defaultdict[str, Dither] = defaultdict(Dither)
        self._clamp_step: dict[str, float] = {}
        self._still_s = self._longest_still_s = 0.0

    def push(self, block: Block) -> None:
        """Take one block."""
        resolution = block.pressure_resolution
        if resolution is not None:
            self._gauge.push(resolution)
            self._gauge_step = resolution.step
        fresh = [clamp for clamp in block.clamps if clamp.resolution is not None]
        moves = 0
        for clamp in fresh:
            if clamp.resolution is not None:
                self._clamps[clamp.role].push(clamp.resolution)
                self._clamp_step[clamp.role] = clamp.resolution.step or 0.0
                moves += clamp.resolution.moves
        if block.clamps:
            self._still_s = 0.0 if moves else self._still_s + BLOCK_S
            self._longest_still_s = max(self._longest_still_s, self._still_s)

    @property
    def coarse_gauge(self) -> float:
        """Share of the minutes in which the gauge's rounding did not average out."""
        return self._gauge.coarse_share

    @property
    def quantisation(self) -> Quantisation:
        """What the instruments leave unsaid so far; of several clamps, the coarsest counts."""
        clamps = [
            rounding_doubt(self._clamp_step[role], dither.coarse_share)
            for role, dither in self._clamps.items()
        ]
        known = any(self._clamp_step.values())
        still_s = self._longest_still_s
        return Quantisation(
            gauge_pa=rounding_doubt(self._gauge_step, self.coarse_gauge),
            clamp_k=max(clamps, default=0.0),
            still_s=still_s if not known or still_s >= NATURAL_STILL_S else 0.0,
        )


def scatter_variance(
    levels: list[float],
    resolution_pa: float | None,
    readings: float = READINGS_A_BLOCK,
    coarse_share: float = 0.0,
) -> float:
    """Return the white-noise variance of blocks from their differences, Pa².

    Half the square of 1.4826 times the median absolute deviation of successive differences,
    with a floor of 1 Pa² and from the resolution: uniform, averaged over the block's readings
    but for the share of the time in which no noise shook them over the steps.
    """
    rounding = (resolution_pa or 0.0) ** 2 / 12.0
    share = coarse_share + (1.0 - coarse_share) / max(readings, 1.0)
    floor = max(1.0, rounding * share)
    steps = [after - before for before, after in pairwise(levels)]
    if not steps:
        return floor
    middle = median(steps)
    mad = median([abs(step - middle) for step in steps])
    return max(0.5 * (1.4826 * mad) ** 2, floor)


def _mean(values: Sequence[float]) -> float:
    return math.fsum(values) / len(values)


class DecayEngine:
    """Judges the amount of gas in a pressure-decay hold, one block at a time.

    Push every block from the mark on, in order. The first ten minutes only set the scale;
    from five minutes later each block gives an `Estimate`. The cost of a block is constant.
    After a spoiling event build a new engine: a hold is restarted, never patched.

    Attributes:
        setup: What the engine was told.
        settled_at_s: End of the first block, seconds from the mark, at which the transients
            had faded to a tenth of the criterion; None until then.
    """

    def __init__(self, setup: DecaySetup) -> None:
        self.setup = setup
        self.settled_at_s: float | None = None
        self._signal = GasSignal(setup)
        self._early: list[Row] = []
        self._bank: Bank | None = None
        self._quantisation = QuantisationWatch()
        self._usable = 0
        self._promised = 0.0
        self._block_share = 1.0
        self._resolution_pa = setup.resolution_pa
        self._readings: list[int] = []
        self._first_levels: list[float] = []
        self._last_levels: deque[float] = deque(maxlen=_ENDS)
        self._last_usable_s = -math.inf
        self._visible = math.inf
        self._z_pass = NormalDist().inv_cdf(1.0 - setup.false_pass)
        self._z_fail = NormalDist().inv_cdf(1.0 - setup.false_fail)

    def push(self, block: Block) -> Estimate | None:
        """Take the next block; return the estimate after it, or None while there is none."""
        row = self._signal.push(block)
        if row is None:
            return None
        self._quantisation.push(block)
        self._count(block, row)
        if self._usable <= EARLY and (row.usable or self._usable < EARLY):
            self._early.append(row)
        if row.usable and self._usable in {FIRST_LOOK, EARLY}:
            self._replay()
        elif self._bank is not None:
            self._learn(row)
        if self._bank is None:
            return None
        return self._look(block, row, self._bank.posterior())

    def _count(self, block: Block, row: Row) -> None:
        resolution = block.pressure_resolution
        if resolution is not None:
            self._block_share = BLOCK_S / max(BLOCK_S, resolution.interval_s)
            self._resolution_pa = resolution.step
        self._promised += self._block_share
        if not row.usable:
            return
        if len(self._readings) < EARLY:
            self._readings.append(block.pressure_n)
        self._usable += 1
        self._last_usable_s = block.t_s
        level = self._signal.normalised(row)
        self._last_levels.append(level)
        if len(self._first_levels) < _ENDS:
            self._first_levels.append(level)

    def _replay(self) -> None:
        """Take the noise from the early blocks and run the bank over them from the start."""
        levels = [self._signal.normalised(row) for row in self._early if row.usable]
        coarse = self._quantisation.coarse_gauge
        noise = scatter_variance(levels, self._resolution_pa, median(self._readings), coarse)
        wander = self.setup.gauge_wander_pa_per_h**2 / 3600.0
        spec = self.setup.bank_spec
        self._bank = Bank(spec, self._signal.pa_per_k, noise, COLUMNS, wander)
        for row in self._early:
            self._learn(row)
        if self._usable >= EARLY:
            self._early = []

    def _learn(self, row: Row) -> None:
        assert self._bank is not None  # noqa: S101 (callers have built it)
        values = self._signal.values(row) if row.usable else None
        self._bank.step(row.t_s, row.clock_s, values)

    def _look(self, block: Block, row: Row, posterior: Posterior) -> Estimate:
        setup = self.setup
        limit = setup.limit_pa_per_s
        slope, variance = posterior.slope, posterior.variance
        found = doubts(
            setup, posterior, row.t_s, self._signal.pa_per_k, self._quantisation.quantisation
        )
        unlearned = math.hypot(*found.values())
        scale = math.hypot(setup.considered.scale, setup.volume_u)
        considered = math.hypot(unlearned, scale * slope)
        up = half_width(variance, limit, setup.false_pass, setup.spread)
        down = setup.considered.tails * half_width(variance, limit, setup.false_fail, setup.spread)
        spread = math.hypot(math.sqrt(variance), considered)
        end_s = block.t_s + 0.5 * BLOCK_S
        if self.settled_at_s is None and abs(posterior.transient_rate) < SETTLED_SHARE * limit:
            self.settled_at_s = end_s
        ready = (
            self.settled_at_s is not None
            and block.t_s - self._last_usable_s < LOST_S
            and self._usable >= USABLE_SHARE * self._promised
        )
        # Gas does not come into being: a slope far below zero is an error and earns no pass.
        least = max(slope, -setup.considered.least_slope * spread)
        high = least + math.hypot(up, self._z_pass * considered)
        low = slope - math.hypot(down, self._z_fail * considered)
        if ready:
            sight = visible(setup, posterior, unlearned)
            self._visible = min(self._visible, sight, high)
        return Estimate(
            t_s=end_s,
            slope=slope,
            low=low,
            high=high,
            low95=slope - Z95 * spread,
            high95=slope + Z95 * spread,
            smallest_visible=self._visible,
            compensated_pa=_mean(self._last_levels) - _mean(self._first_levels),
            ready=ready,
            causes=(Cause.LEAK,) if ready and low > limit else (),
            notes=advice(setup, found, high - least),
        )
