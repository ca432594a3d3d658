"""A recipe's figures as the engines want them, with the allowances for what was not declared."""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import TYPE_CHECKING

from holdwatch_physics.fluids import wall_exponent
from holdwatch_physics.reading import Role, role_of
from holdwatch_procedures.holds.blocks import specs_by_role
from holdwatch_procedures.holds.decay.disturbances import DecayWatch
from holdwatch_procedures.holds.decay.gross import GrossLeak
from holdwatch_procedures.holds.decay.setup import Barometer, DecaySetup
from holdwatch_procedures.holds.vacuum.disturbances import VacuumWatch
from holdwatch_procedures.holds.vacuum.rise import RiseWatch
from holdwatch_procedures.holds.vacuum.setup import VacuumSetup

if TYPE_CHECKING:
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.recipe import ChannelSpec, Recipe
    from holdwatch_procedures.holds.scale import Scale

TEMPCO_SHARE_PER_K = 2e-4
"""Temperature effect of a gauge that declares none, share of its span per kelvin, standard
uncertainty: within the 0.01 to 0.05 % that is common (common practice, no source)."""
SPAN_OVER_PRESSURE = 2.0
"""Span taken for a gauge that declares none, as a multiple of the pressure under test."""


def flow_uncertainty(recipe: Recipe, scale: Scale) -> float:
    """Relative standard uncertainty of the flow behind a slope.

    The volume always counts; the viscosities count where the criterion is in grams of the
    refrigerant. A pressure-change criterion needs neither.
    """
    criterion = recipe.criterion
    if criterion.is_change:
        return 0.0
    if criterion.kind == "leak_pa_m3_per_s":
        return recipe.volume_uncertainty
    return math.hypot(recipe.volume_uncertainty, scale.restatement.relative_uncertainty())


def decay_setup(
    recipe: Recipe,
    fluids: Fluids,
    scale: Scale,
    *,
    role: str,
    start_pa: float,
    thermometer: bool,
    barometer_measured: bool,
) -> DecaySetup:
    """Return what the pressure-decay engine must know of this hold."""
    spec = specs_by_role(recipe).get(role)
    wall, wall_u = wall_exponent(recipe.wall_material, scale.at_k)
    return DecaySetup(
        limit_pa_per_s=scale.limit_slope,
        false_pass=recipe.limits.false_pass,
        false_fail=recipe.limits.false_fail,
        resolution_pa=None if spec is None else spec.delta_si("resolution"),
        noise_pa=None if spec is None else spec.delta_si("noise"),
        gauge_wander_pa_per_h=(spec.delta_si("drift") if spec is not None else None) or 0.0,
        tempco_pa_per_k=tempco_pa_per_k(spec, start_pa),
        kappa=fluids.temperature_exponent(recipe.gas, start_pa, scale.at_k) + wall,
        kappa_u=wall_u,
        volume_u=flow_uncertainty(recipe, scale),
        barometer=_barometer(spec, measured=barometer_measured),
        thermometer=thermometer,
        start_k=scale.at_k,
        clamp_wander_k_per_h=_clamp_wander(recipe),
    )


def _clamp_wander(recipe: Recipe) -> float:
    """Declared wander of the pipe thermometers over an hour, the largest of them, K."""
    drifts = [
        spec.delta_si("drift") or 0.0
        for name, spec in specs_by_role(recipe).items()
        if role_of(name) is Role.PIPE_TEMPERATURE
    ]
    return max(drifts, default=0.0)


def gross_leak(recipe: Recipe, fluids: Fluids, scale: Scale, start_pa: float) -> GrossLeak:
    """Return what sees a unit empty before its gas has settled."""
    wall, _ = wall_exponent(recipe.wall_material, scale.at_k)
    kappa = fluids.temperature_exponent(recipe.gas, start_pa, scale.at_k) + wall
    z_fail = NormalDist().inv_cdf(1.0 - recipe.limits.false_fail)
    return GrossLeak(kappa, flow_uncertainty(recipe, scale), z_fail)


def tempco_pa_per_k(spec: ChannelSpec | None, start_pa: float) -> float:
    """Standard uncertainty of a gauge's own temperature effect, Pa/K.

    A declared coefficient is the largest that the gauge may have, either way: rectangular, so
    that its standard uncertainty is a/√3 (JCGM 100, 4.3.7).
    """
    ends = None if spec is None else spec.range_si()
    span = ends[1] - ends[0] if ends is not None else SPAN_OVER_PRESSURE * start_pa
    share = TEMPCO_SHARE_PER_K
    if spec is not None and spec.tempco_percent_of_span_per_k is not None:
        share = spec.tempco_percent_of_span_per_k / 100.0 / math.sqrt(3.0)
    return share * span


def _barometer(spec: ChannelSpec | None, *, measured: bool) -> Barometer:
    if spec is not None and spec.reference != "vented":
        return Barometer.NOT_NEEDED
    return Barometer.MEASURED if measured else Barometer.CONSTANT


def vacuum_setup(recipe: Recipe, scale: Scale, *, role: str) -> VacuumSetup:
    """Return what the standing-vacuum engine must know of this hold."""
    spec = specs_by_role(recipe).get(role)
    ends = None if spec is None else spec.range_si()
    # Bounds of several holds together fail as often as the single ones in sum.
    holds = 1 + len(recipe.earlier_holds)
    return VacuumSetup(
        limit_pa_per_s=scale.limit_slope,
        false_pass=recipe.limits.false_pass / holds,
        false_fail=recipe.limits.false_fail / holds,
        resolution_pa=None if spec is None else spec.delta_si("resolution"),
        noise_floor_pa=None if spec is None else spec.delta_si("noise"),
        range_top_pa=None if ends is None else ends[1],
        volume_rel_u=flow_uncertainty(recipe, scale),
        coldest_wall_k=recipe.coldest_wall_k,
        gauge_drift_pa=(spec.delta_si("drift") if spec is not None else None) or 0.0,
    )


def decay_watch(recipe: Recipe, role: str) -> DecayWatch:
    """Return the watch for what disturbances a pressure decay."""
    specs = specs_by_role(recipe)
    spec = specs.get(role)
    return DecayWatch(
        None if spec is None else spec.delta_si("resolution"),
        None if spec is None else spec.delta_si("noise"),
        recipe.limits.max_gap_min * 60.0,
        vented=spec is None or spec.reference == "vented",
        clamps={
            name: (clamp.delta_si("resolution"), clamp.delta_si("noise"))
            for name, clamp in specs.items()
            if role_of(name) is Role.PIPE_TEMPERATURE
        },
    )


def vacuum_watch(recipe: Recipe, setup: VacuumSetup) -> VacuumWatch:
    """Return the watch for what disturbances a standing vacuum."""
    return VacuumWatch(setup, max_gap_s=recipe.limits.max_gap_min * 60.0)


def rise_watch(recipe: Recipe, setup: VacuumSetup) -> RiseWatch | None:
    """Return the judge of a rise within a time, or None where the criterion is a leak rate."""
    criterion = recipe.criterion
    if not criterion.is_change:
        return None
    return RiseWatch(setup, limit_pa=criterion.change_pa, within_s=criterion.within_s)
