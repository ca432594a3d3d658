"""Judges how much of a vacuum's rise no desorption can explain, with bounds at every look.

Model, after the first minute: p(t) = a + L·t + Σ A_i (1 − exp(−t/τ_i)), L ≥ 0, A_i ≥ 0, 36 τ_i
from 25 s to 40 min, a + ΣA at most about the vapour pressure at the coldest wall.

Passive release into a closed volume (desorption, diffusion out of oil or rubber, several
communicating rooms) has a rate that is a positive mixture of exponentials, so the sum covers it
for every τ of the grid; the leak is what stays straight. The interval comes from the profile of
χ² over L, a convex problem.

Water may follow the wall's vapour pressure ψ fully (a puddle) or not at all (a film that the wall
holds): L is uncertain by f·ΣA·dψ/dt with f anywhere from 0 to 1. f is allowed for, not learnt: a
straight line always fits a straight drift better than a noisy thermometer does, so a fit that may
choose calls puddles leaks (23 % of them at 1 K/h when it was tried), and imposing f = 1 misjudges
films (10 % of them at 0.8 of the limit).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_physics.water import vapour_pressure_pa
from holdwatch_procedures.holds.estimates import BLOCK_S, Block, Cause, Estimate
from holdwatch_procedures.holds.vacuum.nnls import Fit, RowCompressor, SlopeProfile
from holdwatch_procedures.holds.vacuum.noise import BlockNoise
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.holds.vacuum.nnls import FloatArray
    from holdwatch_procedures.holds.vacuum.setup import VacuumSetup


TAU_S = np.geomspace(25.0, 2400.0, 36)
FALL_TAU_S = np.array([75.0, 220.0, 600.0, 1500.0])
SKIP_S = 60.0
READY_S = 480.0
LEAST_BLOCKS = 24
HOUR = 3600.0
FIRST_LOOK = 12
NEAR_TOP = 0.97
UNEVEN_U = 0.25  # share of the wall's swing that its mean slope does not tell
BLIND_U = 0.5
# A random walk moves the slope of a straight line by √(6/5)·σ/√T; beside exponentials the slope
# comes from about the last third, where it moves it by some three times as much (measured).
WANDER_U = 3.3
WALLS_K = (200.0, 350.0)
HOT_BAY_K = 313.15  # taken for the cap where no temperature is known at all
FALL_CHI2 = 25.0

# Columns of the compressed table: intercept, desorption, falls, slope (per hour), data.
RISES = list(range(1, 1 + TAU_S.size))
FALLS = list(range(RISES[-1] + 1, RISES[-1] + 1 + FALL_TAU_S.size))
SLOPE = FALLS[-1] + 1
WIDTH = SLOPE + 2
JUST_RISES = np.array(RISES)
RISES_AND_FALLS = np.array(RISES + FALLS)

CLEAR_WATER_PA = 100.0
CLEAR_RELEASE_PA = 5.0
NEAR_WATER = 0.5
ALWAYS = 3.46  # square root of the rise of χ² that holds at every look, at 1 %
SLOW_RELEASE = Say("vacuum.slow_release")


@dataclass(frozen=True, slots=True)
class Unseen:
    """What no data of one hold can show of its slope, Pa/s.

    Attributes:
        follows: Slope that water following the wall would add; true is 0 to 1 times it.
        water: Standard uncertainty for the rest of the water's drift.
        rounding: Standard uncertainty from readings that noise does not shake.
        total: Standard uncertainty of all but ``follows``.
    """

    follows: float
    water: float
    rounding: float
    total: float


def causes(
    *,
    low: float,
    limit: float,
    start_pa: float,
    desorption_pa: tuple[float, float],
    water_pa: float,
) -> tuple[Cause, ...]:
    """Name what the data shows: a straight part, and a decaying part with its likely source.

    Args:
        low: Deciding lower bound of the leak, Pa/s.
        limit: The criterion, Pa/s.
        start_pa: Pressure at the start, Pa.
        desorption_pa: Least and most desorption that the deciding bounds allow, Pa.
        water_pa: Vapour pressure of water at the coldest wall, Pa.

    Clearly more than 100 Pa is called moisture; where even the most of it stays below half the
    vapour pressure of water it is called outgassing (refrigerant out of oil) as well, because
    drying moisture and refrigerant look alike there.
    """
    least, most = desorption_pa
    found = [Cause.LEAK] if low > 0.1 * limit else []
    if least > CLEAR_WATER_PA:
        found.append(Cause.MOISTURE)
    if least > CLEAR_RELEASE_PA and start_pa + most < NEAR_WATER * water_pa:
        found.append(Cause.OUTGASSING)
    return tuple(found)


def notes(
    setup: VacuumSetup,
    low: float,
    unseen: Unseen,
    span_s: float,
    *,
    fallen: bool,
    thermometer: bool,
) -> Iterator[Say]:
    """Give the sentences that belong into the reasons of a verdict."""
    limit = setup.limit_pa_per_s
    if low > limit:
        yield SLOW_RELEASE
    if fallen:
        yield Say("vacuum.fell_in_part")
    if abs(unseen.follows) + ALWAYS * unseen.water > 0.3 * limit:
        yield Say("vacuum.water_drifts" if thermometer else "vacuum.water_unseen")
    coarse = setup.resolution_pa or 0.0
    if coarse >= 1.0 or ALWAYS * unseen.rounding > 0.25 * limit:
        least = 120.0 * coarse / span_s
        yield Say("vacuum.coarse_gauge", resolution_pa=coarse, least_pa_per_min=least)


@dataclass(frozen=True, slots=True)
class _Interval:
    low: float
    high: float
    low_fit: Fit
    high_fit: Fit


class VacuumEngine:
    """Judges one standing vacuum, block by block; pure, with a cost that does not grow.

    Feed every block since isolation to ``push``; after a spoiling event make a new engine.
    """

    def __init__(self, setup: VacuumSetup) -> None:
        self._setup = setup
        self._table = RowCompressor(WIDTH)
        self._steps = RowCompressor(WIDTH)
        self._last: tuple[int, FloatArray] | None = None
        self._noise = BlockNoise(setup)
        self._first_s: float | None = None  # middle of the first block seen
        self._origin_s = 0.0  # middle of the first block used
        self._first_pa = 0.0
        self._last_pa = 0.0
        self._level_sum = 0.0
        self._wall_k: float | None = None
        self._wall_n = 0
        self._pipe_seen = False
        self._over = False
        self._ends: dict[str, tuple[float | None, float | None]] = {}
        self._in_use: dict[bool, dict[bool, list[int]]] = {}
        self._blind_s = 0.0
        self._coldest_k = math.inf
        self._psi_first = 0.0
        self._psi_sums = np.zeros(5)
        self._psi_low = 1.0
        self._psi_high = 1.0
        self._wall_low = math.inf
        self._wall_high = -math.inf
        self._cap_pa = 0.0
        self._water_pa = math.inf

    def push(self, block: Block) -> Estimate | None:
        """Take one block; return what is known after it, None while that is nothing.

        Blocks without pressure, above the gauge's range or in the first minute change nothing
        but the clock and the wall temperature.
        """
        return self.look(block.t_s) if self.take(block) else None

    def take(self, block: Block) -> bool:
        """Take one block without looking; return whether there is enough to look at."""
        if self._first_s is None:
            self._first_s = block.t_s
        self._watch_wall(block)
        pressure = block.pressure_pa
        top = self._setup.range_top_pa
        if top is not None and pressure is not None and pressure >= NEAR_TOP * top:
            self._over = True  # some readings of this block may have been cut off
        if pressure is None or self._over or block.t_s - self._first_s < SKIP_S:
            return False
        self._add(block, pressure)
        return self._table.rows >= FIRST_LOOK

    def _watch_wall(self, block: Block) -> None:
        # Once a pipe has been measured the room no longer stands in for it: a change of channel
        # would look like a change of temperature.
        self._pipe_seen = self._pipe_seen or block.pipe_k is not None
        measured = block.pipe_k
        if measured is None and not self._pipe_seen:
            measured = block.coldest_k if block.coldest_k is not None else block.ambient_k
        if block.coldest_k is not None and self._table.rows == 0:
            self._coldest_k = min(self._coldest_k, block.coldest_k)
        if measured is None or not WALLS_K[0] < measured < WALLS_K[1]:
            self._blind_s += BLOCK_S
            return
        self._wall_n += 1
        weight = max(1.0 / self._wall_n, 1.0 / 15.0)
        self._wall_k = (
            measured if self._wall_k is None else self._wall_k + weight * (measured - self._wall_k)
        )

    def _follow_wall(self, t_s: float) -> None:
        """Take ψ, the vapour pressure of water at the wall over its first value, at a time."""
        if self._wall_k is None:
            return
        now = vapour_pressure_pa(self._wall_k)
        if self._psi_first == 0.0:
            self._psi_first = now
        psi = now / self._psi_first
        self._psi_low, self._psi_high = min(self._psi_low, psi), max(self._psi_high, psi)
        self._wall_low = min(self._wall_low, self._wall_k)
        self._wall_high = max(self._wall_high, self._wall_k)
        hours = t_s / HOUR
        self._psi_sums += (1.0, hours, hours * hours, psi - 1.0, hours * (psi - 1.0))

    def _psi_slope(self) -> float:
        """Return the regression of ψ on time, 1/s."""
        n, t, tt, psi, t_psi = self._psi_sums
        spread = n * tt - t * t
        return float((n * t_psi - t * psi) / spread) / HOUR if spread > 0.0 else 0.0

    def _add(self, block: Block, pressure: float) -> None:
        if self._table.rows == 0:
            self._origin_s = block.t_s
            self._first_pa = pressure
            self._cap_pa = self._cap()
        t = block.t_s - self._origin_s
        self._follow_wall(t)
        self._noise.push(block, pressure)
        sd = self._noise.expected_sd_pa
        self._level_sum += pressure
        self._last_pa = pressure

        row = np.empty(WIDTH)
        row[0] = 1.0
        row[RISES[0] : FALLS[0]] = -np.expm1(-t / TAU_S)
        row[FALLS[0] : SLOPE] = np.expm1(-t / FALL_TAU_S)
        row[SLOPE] = t / HOUR
        row[-1] = pressure - self._first_pa
        row /= sd
        self._table.push(row)
        if self._last is not None and self._last[0] == block.index - 1:
            self._steps.push(row - self._last[1])
        self._last = (block.index, row)

    def _cap(self) -> float:
        """Return the highest pressure that the wall's water and some other gas can reach, Pa."""
        wall = self._setup.coldest_wall_k
        if wall is None and WALLS_K[0] < self._coldest_k < WALLS_K[1]:
            wall = self._coldest_k
        if wall is None:
            wall = self._wall_k or HOT_BAY_K
        self._water_pa = vapour_pressure_pa(wall)
        return 1.1 * vapour_pressure_pa(wall + 1.0) + 150.0

    def _profile(self, *, fallen: bool) -> SlopeProfile:
        atoms = RISES_AND_FALLS if fallen else JUST_RISES
        return SlopeProfile(
            self._table.factor,
            atoms,
            len(RISES),
            SLOPE,
            self._cap_pa - self._first_pa,
            self._in_use.get(fallen),
        )

    def look(self, t_s: float, *, expected: bool = False) -> Estimate:
        """Judge what has been taken.

        Args:
            t_s: Middle of the newest block, seconds from isolation.
            expected: Take the scatter from the declaration instead of the data: a forecast.
        """
        noise = 1.0 if expected else self._noise.factor**2
        profile = self._profile(fallen=False)
        best = profile.best()
        fallen = False
        self._in_use[False] = profile.in_use
        if not expected and best.chi2 > FALL_CHI2 * noise:  # else no fit is so much better
            widened = self._profile(fallen=True)
            wide = widened.best()
            self._in_use[True] = widened.in_use
            fallen = best.chi2 - wide.chi2 > FALL_CHI2 * noise
            if fallen:
                profile, best = widened, wide
        scale = noise if expected else noise * self._misfit(best, noise, fallen=fallen)
        return self._estimate(t_s, profile, best, scale, fallen=fallen)

    def _misfit(self, best: Fit, noise: float, *, fallen: bool) -> float:
        """Return by how much residuals exceed white noise of the measured size (≥ 1)."""
        rows = self._table.rows
        ratio = max(best.chi2 / noise / max(rows - 4, 1), 1.0)
        coefficients = np.zeros(WIDTH)
        coefficients[0] = best.intercept
        coefficients[RISES[0] : SLOPE if fallen else FALLS[0]] = best.amplitudes
        coefficients[SLOPE] = best.slope
        coefficients[-1] = -1.0
        squares = self._table.squared_norm(coefficients)
        if self._steps.rows < 8 or squares <= 0.0:
            return ratio
        each = squares / rows
        change = self._steps.squared_norm(coefficients) / self._steps.rows
        correlation = min(max(1.0 - change / (2.0 * each), 0.0), 0.97)
        return ratio * (1.0 + correlation) / (1.0 - correlation)

    def _unseen(self, best: Fit, span_s: float) -> Unseen:
        """Return the standard uncertainty of the slope that this hold's data can't show, Pa/s."""
        setup = self._setup
        amplitude = float(best.amplitudes[: len(RISES)].sum())
        mean = self._level_sum / self._table.rows
        swing = self._psi_high - self._psi_low
        # Where no thermometer sees the wall it may drift by one kelvin an hour.
        blind = 0.065 * min(self._blind_s, span_s) / HOUR
        water = amplitude * (UNEVEN_U * swing + BLIND_U * blind) / span_s
        follows = amplitude * self._psi_slope()
        scale = 2.0 * setup.scale_share * max(mean, 0.0) / span_s
        drift = WANDER_U * setup.gauge_drift_pa / math.sqrt(HOUR * span_s)
        rounding = 0.0
        if not self._noise.dithered:
            rounding = (setup.resolution_pa or 0.0) / (math.sqrt(3.0) * span_s)
        gas = 0.0
        if self._wall_high > self._wall_low:
            gas = 0.5 * max(mean, 0.0) * (self._wall_high / self._wall_low - 1.0) / span_s
        return Unseen(follows, water, rounding, math.hypot(water, scale, drift, rounding, gas))

    def _interval(
        self, profile: SlopeProfile, best: Fit, rises: tuple[float, float], name: str
    ) -> _Interval:
        """Return the profile's interval for a rise of χ² on each side, Pa/s."""
        near = self._ends.get(name, (None, None))
        low_fit = profile.bound(best, rises[0], -1, near[0])
        high_fit = profile.bound(best, rises[1], +1, near[1])
        self._ends[name] = (low_fit.slope, high_fit.slope)
        return _Interval(low_fit.slope / HOUR, high_fit.slope / HOUR, low_fit, high_fit)

    def _estimate(
        self,
        t_s: float,
        profile: SlopeProfile,
        best: Fit,
        scale: float,
        *,
        fallen: bool,
    ) -> Estimate:
        setup = self._setup
        span_s = t_s - self._origin_s
        unseen = self._unseen(best, span_s)
        rises = (_threshold(setup.false_fail), _threshold(setup.false_pass))
        deciding = self._interval(profile, best, (rises[0] * scale, rises[1] * scale), "deciding")
        middle = best.slope / HOUR
        low, high = self._widen(
            middle, deciding, unseen, (math.sqrt(rises[0]), math.sqrt(rises[1]))
        )
        ordinary = self._interval(profile, best, (3.8415 * scale, 3.8415 * scale), "ordinary")
        low95, high95 = self._widen(middle, ordinary, unseen, (1.96, 1.96))
        ready = (
            self._first_s is not None
            and t_s + BLOCK_S - self._first_s >= READY_S
            and self._table.rows >= LEAST_BLOCKS
        )
        return Estimate(
            t_s=t_s + BLOCK_S / 2,
            slope=min(max(middle - 0.5 * unseen.follows, low95), high95),
            low=low,
            high=high,
            low95=low95,
            high95=high95,
            smallest_visible=high - middle,
            compensated_pa=self._last_pa - self._first_pa,
            ready=ready,
            causes=causes(
                low=low,
                limit=setup.limit_pa_per_s,
                start_pa=self._first_pa,
                desorption_pa=(_desorption(deciding.high_fit), _desorption(deciding.low_fit)),
                water_pa=self._water_pa,
            ),
            notes=tuple(
                notes(
                    setup,
                    low,
                    unseen,
                    span_s,
                    fallen=fallen,
                    thermometer=self._wall_k is not None,
                )
            ),
        )

    def _widen(
        self, middle: float, interval: _Interval, unseen: Unseen, z: tuple[float, float]
    ) -> tuple[float, float]:
        """Add what the data can't show: spreads in quadrature, the water's drift by its bounds.

        The uncertain volume counts at the end that it moves.
        """
        u = self._setup.volume_rel_u
        below = math.hypot(middle - interval.low, z[0] * unseen.total, z[0] * u * middle)
        above = math.hypot(interval.high - middle, z[1] * unseen.total, z[1] * u * interval.high)
        low = middle - below - max(unseen.follows, 0.0)
        return max(low, 0.0), middle + above + max(-unseen.follows, 0.0)


def _desorption(fit: Fit) -> float:
    """Return ΣA of a fit less its falls, Pa: what was given off for certain."""
    rises, falls = fit.amplitudes[: len(RISES)], fit.amplitudes[len(RISES) :]
    return max(float(rises.sum() - falls.sum()), 0.0)


def _threshold(alpha: float) -> float:
    """Return the rise of χ² that bounds at every look with error rate alpha (12 at 1 %)."""
    return 4.18 - 2.0 * math.log(2.0 * alpha)
