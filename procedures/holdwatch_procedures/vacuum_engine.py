"""Standing vacuum: how much of a rise no desorption can explain, and its bounds at every look.

Model, after the first minute: p(t) = a + L·t + (1 + f·(ψ(t) − 1))·Σ A_i (1 − exp(−t/τ_i)), L ≥ 0,
A_i ≥ 0, 36 τ_i from 25 s to 40 min, ψ the vapour pressure of water at the wall over its first
value, a + ΣA at most about the vapour pressure at the coldest wall. f says how far the water
follows the wall: 1 for a puddle, 0 for a film that the wall holds; its prior is 0.5 ± 0.4.

Passive release into a closed volume (desorption, diffusion out of oil or rubber, several
communicating rooms) has a rate that is a positive mixture of exponentials, so the sum covers it
for every τ of the grid; the leak is what stays straight. The interval comes from the profile of
χ² over L, a convex problem.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from holdwatch_physics.water import vapour_pressure_pa
from holdwatch_procedures.estimates import BLOCK_S, Block, Cause, Estimate
from holdwatch_procedures.vacuum_nnls import Fit, RowCompressor, SlopeProfile
from holdwatch_procedures.vacuum_noise import BlockNoise

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_procedures.vacuum_nnls import FloatArray
    from holdwatch_procedures.vacuum_setup import VacuumSetup

TAU_S = np.geomspace(25.0, 2400.0, 36)
FALL_TAU_S = np.array([75.0, 220.0, 600.0, 1500.0])
SKIP_S = 60.0
READY_S = 480.0
LEAST_BLOCKS = 24
HOUR = 3600.0
FIRST_LOOK = 12
NEAR_TOP = 0.97
LAG_U = 0.1  # share of the water's drift that a thermometer elsewhere on the wall may miss
BLIND_U = 0.5
PLAY_K = 0.06  # noise of the smoothed wall temperature that must not move the model
WALLS_K = (200.0, 350.0)
HOT_BAY_K = 313.15  # taken for the cap where no temperature is known at all
FALL_CHI2 = 25.0
CLEAR_WATER_PA = 100.0
CLEAR_RELEASE_PA = 5.0
ALWAYS = 3.46  # square root of the rise of χ² that holds at every look, at 1 %

# Columns of the compressed table: intercept, desorption, falls, the parts of desorption that
# follow the wall (fast, middle, slow), slope (per hour), data.
RISES = list(range(1, 1 + TAU_S.size))
FALLS = list(range(RISES[-1] + 1, RISES[-1] + 1 + FALL_TAU_S.size))
FOLLOWS = [FALLS[-1] + 1, FALLS[-1] + 2, FALLS[-1] + 3]
SLOPE = FOLLOWS[-1] + 1
WIDTH = SLOPE + 2
FOLLOW_TAU_S = np.array([80.0, 320.0, 1300.0])
FOLLOW_OF = np.digitize(TAU_S, [160.0, 640.0])
FOLLOW_MEAN, FOLLOW_SD = 0.5, 0.4

SLOW_RELEASE = (
    "Leak, or desorption slower than 40 minutes: pump down and hold again; "
    "a leak repeats its slope."
)


@dataclass(frozen=True, slots=True)
class _Interval:
    low: float
    high: float
    low_fit: Fit
    high_fit: Fit


@dataclass(frozen=True, slots=True)
class _Unseen:
    """Standard uncertainties of the slope that no data of one hold can show, Pa/s."""

    water: float
    rounding: float
    total: float


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
        self._steady_k: float | None = None
        self._blind_s = 0.0
        self._coldest_k = math.inf
        self._psi_first = 0.0
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

    def _psi(self) -> float:
        """Return the vapour pressure of water at the wall over its value at the start."""
        if self._wall_k is None:
            return 1.0
        steady = self._wall_k if self._steady_k is None else self._steady_k
        steady = min(max(steady, self._wall_k - PLAY_K), self._wall_k + PLAY_K)
        self._steady_k = steady
        now = vapour_pressure_pa(steady)
        if self._psi_first == 0.0:
            self._psi_first = now
        psi = now / self._psi_first
        self._psi_low, self._psi_high = min(self._psi_low, psi), max(self._psi_high, psi)
        self._wall_low = min(self._wall_low, self._wall_k)
        self._wall_high = max(self._wall_high, self._wall_k)
        return psi

    def _add(self, block: Block, pressure: float) -> None:
        if self._table.rows == 0:
            self._origin_s = block.t_s
            self._first_pa = pressure
            self._cap_pa = self._cap()
        t = block.t_s - self._origin_s
        psi = self._psi()
        self._noise.push(block, pressure)
        sd = self._noise.expected_sd_pa
        self._level_sum += pressure
        self._last_pa = pressure

        row = np.empty(WIDTH)
        row[0] = 1.0
        row[RISES] = -np.expm1(-t / TAU_S)
        row[FOLLOWS] = (psi - 1.0) * -np.expm1(-t / FOLLOW_TAU_S)
        row[FALLS] = np.expm1(-t / FALL_TAU_S)
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

    def _profile(self, shape: FloatArray | None, *, fallen: bool, noise: float) -> SlopeProfile:
        """Set up the profile: desorption, f for a given desorption where it shows, falls.

        Args:
            shape: ΣA by speed (fast, middle, slow), Pa, for the column of f; None: no such column.
            fallen: Whether falls take part.
            noise: Variance of the rows, for the weight of the prior.
        """
        factor = self._table.factor
        atoms = list(RISES)
        if shape is not None:
            column = factor[:, FOLLOWS] @ shape
            data = factor[:, -1]
            factor = np.column_stack([factor[:, :-1], column, data])
            prior = np.zeros(WIDTH + 1)
            prior[-2:] = math.sqrt(noise) / FOLLOW_SD * np.array([1.0, FOLLOW_MEAN])
            factor = np.vstack([factor, prior])
            atoms.append(WIDTH - 1)
        if fallen:
            atoms += FALLS
        return SlopeProfile(factor, atoms, len(RISES), SLOPE, self._cap_pa - self._first_pa)

    def look(self, t_s: float, *, expected: bool = False) -> Estimate:
        """Judge what has been taken.

        Args:
            t_s: Middle of the newest block, seconds from isolation.
            expected: Take the scatter from the declaration instead of the data: a forecast.
        """
        noise = 1.0 if expected else self._noise.factor**2
        plain = self._profile(None, fallen=False, noise=noise)
        best = plain.best()
        shape = self._shape(best)
        profile = plain if shape is None else self._profile(shape, fallen=False, noise=noise)
        best = best if shape is None else profile.best()
        widened = self._profile(shape, fallen=True, noise=noise)
        wide = widened.best()
        fallen = not expected and best.chi2 - wide.chi2 > FALL_CHI2 * noise
        if fallen:
            profile, best = widened, wide
        scale = noise if expected else noise * self._misfit(best, noise, shape, fallen=fallen)
        return self._estimate(t_s, profile, best, scale, fallen=fallen)

    def _shape(self, best: Fit) -> FloatArray | None:
        """Return ΣA by speed for the column of f; None where the wall's drift moves nothing."""
        amplitudes = best.amplitudes[: len(RISES)]
        shape = np.array([amplitudes[k == FOLLOW_OF].sum() for k in range(len(FOLLOWS))])
        moved = (self._psi_high - self._psi_low) * float(shape.sum())
        return shape if moved > 0.1 * self._noise.sd_pa else None

    def _misfit(self, best: Fit, noise: float, shape: FloatArray | None, *, fallen: bool) -> float:
        """Return by how much residuals exceed white noise of the measured size (≥ 1)."""
        rows = self._table.rows
        ratio = max(best.chi2 / noise / max(rows - 4, 1), 1.0)
        coefficients = np.zeros(WIDTH)
        coefficients[0] = best.intercept
        amplitudes = best.amplitudes
        coefficients[RISES] = amplitudes[: len(RISES)]
        if shape is not None:
            coefficients[FOLLOWS] = amplitudes[len(RISES)] * shape
        if fallen:
            coefficients[FALLS] = amplitudes[-len(FALLS) :]
        coefficients[SLOPE] = best.slope
        coefficients[-1] = -1.0
        squares = self._table.squared_norm(coefficients)
        if self._steps.rows < 8 or squares <= 0.0:
            return ratio
        each = squares / rows
        change = self._steps.squared_norm(coefficients) / self._steps.rows
        correlation = min(max(1.0 - change / (2.0 * each), 0.0), 0.97)
        return ratio * (1.0 + correlation) / (1.0 - correlation)

    def _consider(self, best: Fit, span_s: float) -> _Unseen:
        """Return the standard uncertainty of the slope that this hold's data can't show, Pa/s."""
        setup = self._setup
        amplitude = float(best.amplitudes[: len(RISES)].sum())
        mean = self._level_sum / self._table.rows
        swing = self._psi_high - self._psi_low
        # Where no thermometer sees the wall it may drift by one kelvin an hour.
        blind = 0.065 * min(self._blind_s, span_s) / HOUR
        water = amplitude * (LAG_U * swing + BLIND_U * blind) / span_s
        scale = 2.0 * setup.scale_share * max(mean, 0.0) / span_s
        drift = 1.1 * setup.gauge_drift_pa / math.sqrt(HOUR * span_s)
        rounding = 0.0
        if not self._noise.dithered:
            rounding = (setup.resolution_pa or 0.0) / (math.sqrt(3.0) * span_s)
        gas = 0.0
        if self._wall_high > self._wall_low:
            gas = 0.5 * max(mean, 0.0) * (self._wall_high / self._wall_low - 1.0) / span_s
        drifting = amplitude * (FOLLOW_SD * swing + BLIND_U * blind) / span_s
        return _Unseen(drifting, rounding, math.hypot(water, scale, drift, rounding, gas))

    def _interval(self, profile: SlopeProfile, best: Fit, rises: tuple[float, float]) -> _Interval:
        """Return the profile's interval for a rise of χ² on each side, Pa/s."""
        low_fit = profile.bound(best, rises[0], -1)
        high_fit = profile.bound(best, rises[1], +1)
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
        consider = self._consider(best, span_s)
        rises = (_threshold(setup.false_fail), _threshold(setup.false_pass))
        deciding = self._interval(profile, best, (rises[0] * scale, rises[1] * scale))
        middle = best.slope / HOUR
        low, high = self._widen(
            middle, deciding, consider.total, (math.sqrt(rises[0]), math.sqrt(rises[1]))
        )
        ordinary = self._interval(profile, best, (3.8415 * scale, 3.8415 * scale))
        low95, high95 = self._widen(middle, ordinary, consider.total, (1.96, 1.96))
        ready = (
            self._first_s is not None
            and t_s + BLOCK_S - self._first_s >= READY_S
            and self._table.rows >= LEAST_BLOCKS
        )
        return Estimate(
            t_s=t_s + BLOCK_S / 2,
            slope=middle,
            low=low,
            high=high,
            low95=low95,
            high95=high95,
            smallest_visible=high - middle,
            compensated_pa=self._last_pa - self._first_pa,
            ready=ready,
            causes=self._causes(low, deciding),
            notes=tuple(self._notes(low, consider, span_s, fallen=fallen)),
        )

    def _causes(self, low: float, deciding: _Interval) -> tuple[Cause, ...]:
        """Name what the data shows: a straight part, and a decaying part with its likely source."""
        causes = [Cause.LEAK] if low > 0.1 * self._setup.limit_pa_per_s else []
        least = float(deciding.high_fit.amplitudes[: len(RISES)].sum())
        most = float(deciding.low_fit.amplitudes[: len(RISES)].sum())
        near_water = self._first_pa + most >= 0.5 * self._water_pa
        if least > CLEAR_WATER_PA:
            causes.append(Cause.MOISTURE)
        if least > CLEAR_RELEASE_PA and not near_water:
            causes.append(Cause.OUTGASSING)
        return tuple(causes)

    def _notes(
        self, low: float, consider: _Unseen, span_s: float, *, fallen: bool
    ) -> Iterator[str]:
        setup = self._setup
        if low > setup.limit_pa_per_s:
            yield SLOW_RELEASE
        if fallen:
            yield (
                "The pressure fell in part (a cooling gauge, condensation, or pressure evening "
                "out between hoses and parts): the interval is widened for it."
            )
        if ALWAYS * consider.water > 0.3 * setup.limit_pa_per_s:
            if self._wall_k is None:
                yield (
                    "Much of the rise levels off like water, and no thermometer shows whether the "
                    "wall drifted: a pipe thermometer would narrow the interval."
                )
            else:
                yield (
                    "Water under a drifting wall temperature looks like a leak: dry the system, "
                    "or hold at a steady temperature."
                )
        coarse = setup.resolution_pa or 0.0
        if coarse >= 1.0 or ALWAYS * consider.rounding > 0.25 * setup.limit_pa_per_s:
            yield (
                f"The gauge resolves only {coarse:.3g} Pa: too coarse for a slow rise; in this "
                f"time nothing below {120.0 * coarse / span_s:.2g} Pa/min can show."
            )

    def _widen(
        self, middle: float, interval: _Interval, consider: float, z: tuple[float, float]
    ) -> tuple[float, float]:
        """Add what the data can't show, in quadrature; volume counts at the end it moves."""
        u = self._setup.volume_rel_u
        below = math.hypot(middle - interval.low, z[0] * consider, z[0] * u * middle)
        above = math.hypot(interval.high - middle, z[1] * consider, z[1] * u * interval.high)
        return max(middle - below, 0.0), middle + above


def _threshold(alpha: float) -> float:
    """Return the rise of χ² that bounds at every look with error rate alpha (12 at 1 %)."""
    return 4.18 - 2.0 * math.log(2.0 * alpha)
