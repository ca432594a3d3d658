"""Before a hold: how long it must last to see its criterion, or what a given time can see."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from holdwatch_physics.reading import Role
from holdwatch_physics.substances import refrigerant
from holdwatch_procedures.holds.blocks import specs_by_role
from holdwatch_procedures.holds.decay.forecast import Surroundings, forecast_path
from holdwatch_procedures.holds.decay.setup import Barometer
from holdwatch_procedures.holds.recipe import RecipeError
from holdwatch_procedures.holds.scale import scale_for
from holdwatch_procedures.holds.setups import decay_setup, vacuum_setup
from holdwatch_procedures.holds.vacuum.forecast import forecast_path as vacuum_path
from holdwatch_procedures.wording import duration_text, grams_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.decay.setup import DecaySetup
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.scale import Scale

ROOM_K = 295.15
VACUUM_PA = 30.0
"""Pressure at isolation that a plan assumes, Pa."""
LONGEST_MIN = {"pressure-decay": 2880.0, "standing-vacuum": 240.0}
SHOWN_MIN = {
    "pressure-decay": (15.0, 30.0, 60.0, 240.0, 840.0),
    "standing-vacuum": (10.0, 15.0, 30.0, 60.0, 120.0),
}
"""Times that every plan shows, minutes from the mark."""
COARSE_FOR_A_VACUUM_PA = 1.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a plan assumes of the place, beside the recipe.

    Attributes:
        gauge_pa: Test pressure above the room's, Pa; None takes the highest allowed one.
        thermometer: Whether a pipe thermometer will be read.
        barometer: Whether a barometer channel will be read.
        hidden_k: Temperature swing of the gas that no thermometer sees, standard deviation, K.
        drift_k_per_h: Steady drift of the room, K/h.
        moist: Whether to plan a vacuum for a system that still gives off moisture.
    """

    gauge_pa: float | None = None
    thermometer: bool = True
    barometer: bool = True
    hidden_k: float = 0.1
    drift_k_per_h: float = 1.0
    moist: bool = False


@dataclass(frozen=True, slots=True)
class Plan:
    """A forecast of what the verdict will report.

    Attributes:
        minutes: The time that was asked for, or None.
        visible_g_per_year: Smallest leak in sight after ``minutes``; None without them or while
            nothing is in sight.
        needed_min: Minutes from the mark until the criterion is in sight; None if never within
            the longest time that is forecast.
        criterion_g_per_year: The criterion restated, g a year.
        table: (minutes, smallest visible leak in g a year or None).
        gauge_pa: Test pressure above the room's, Pa; None for a vacuum.
        advice: What would help, one sentence each.
    """

    recipe: Recipe
    conditions: Conditions
    minutes: float | None
    visible_g_per_year: float | None
    needed_min: float | None
    criterion_g_per_year: float
    table: tuple[tuple[float, float | None], ...]
    gauge_pa: float | None
    advice: tuple[str, ...]

    @property
    def sees_criterion(self) -> bool | None:
        """Whether the criterion is in sight after ``minutes``; None without them."""
        if self.minutes is None:
            return None
        return self.needed_min is not None and self.needed_min <= self.minutes

    def to_dict(self) -> dict[str, Any]:
        """The plan as a JSON object."""
        criterion = self.recipe.criterion
        conditions = self.conditions
        return {
            "procedure": self.recipe.procedure,
            "refrigerant": refrigerant(self.recipe.refrigerant).short_name,
            "minutes": self.minutes,
            "smallest_visible_g_per_year": self.visible_g_per_year,
            "sees_criterion": self.sees_criterion,
            "minutes_needed": self.needed_min,
            "criterion": {
                "kind": criterion.kind,
                "limit": criterion.limit,
                "source": criterion.source,
                "g_per_year": self.criterion_g_per_year,
            },
            "table": [
                {"minutes": minutes, "smallest_visible_g_per_year": grams}
                for minutes, grams in self.table
            ],
            "assumed": {
                "pressure_kpa_g": None if self.gauge_pa is None else self.gauge_pa / 1e3,
                "thermometer": conditions.thermometer,
                "barometer": conditions.barometer,
                "hidden_temperature_sd_k": conditions.hidden_k,
                "drift_k_per_h": conditions.drift_k_per_h,
                "moist": conditions.moist,
            },
            "advice": list(self.advice),
        }


def plan(
    recipe: Recipe, fluids: Fluids, conditions: Conditions, *, minutes: float | None = None
) -> Plan:
    """Return the forecast of a hold, by the very engines that will judge it.

    Args:
        recipe: The recipe.
        fluids: Fluid properties.
        conditions: What is assumed of the place.
        minutes: A time to ask about, counted from the mark.

    Raises:
        RecipeError: The test pressure is not above zero or above the unit's highest.
    """
    shown = SHOWN_MIN[recipe.procedure]
    sight = _sight(recipe, fluids, conditions, max(shown[-1], minutes or 0.0))
    needed = sight.needed_min
    if needed is None:
        sight = _sight(recipe, fluids, conditions, LONGEST_MIN[recipe.procedure])
        needed = sight.needed_min
    return Plan(
        recipe=recipe,
        conditions=conditions,
        minutes=minutes,
        visible_g_per_year=None if minutes is None else _at(sight.path, minutes),
        needed_min=needed,
        criterion_g_per_year=sight.criterion,
        table=tuple((t, _at(sight.path, t)) for t in shown),
        gauge_pa=sight.gauge_pa,
        advice=tuple(_advice(recipe, fluids, conditions, sight, needed, minutes)),
    )


def visible_over_time(
    recipe: Recipe, fluids: Fluids, conditions: Conditions, until_min: float
) -> tuple[tuple[float, float], ...]:
    """Return the smallest visible leak as a hold goes on: (minutes, g a year), falling."""
    return _sight(recipe, fluids, conditions, until_min).path


@dataclass(frozen=True, slots=True)
class _Sight:
    """The smallest visible leak over time: (minutes, g a year), falling."""

    path: tuple[tuple[float, float], ...]
    criterion: float
    gauge_pa: float | None

    @property
    def needed_min(self) -> float | None:
        """Minutes until the criterion is in sight, or None if not on this path."""
        return next((t for t, grams in self.path if grams <= self.criterion), None)


def _sight(recipe: Recipe, fluids: Fluids, conditions: Conditions, until_min: float) -> _Sight:
    room = recipe.barometer_pa
    if recipe.is_vacuum:
        scale = scale_for(recipe, fluids, VACUUM_PA, room, recipe.coldest_wall_k or ROOM_K)
        seen = vacuum_path(
            vacuum_setup(recipe, scale, role=Role.VACUUM), until_min, moist=conditions.moist
        )
        return _Sight(_in_grams(scale, seen), scale.limit_grams, None)
    gauge = _test_pressure(recipe, conditions)
    scale = scale_for(recipe, fluids, gauge + room, room, ROOM_K)
    place = Surroundings(
        pressure_pa=gauge + room,
        hidden_k=conditions.hidden_k,
        drift_k_per_h=conditions.drift_k_per_h,
    )
    setup = _decay_setup(recipe, fluids, scale, conditions, gauge)
    sights = forecast_path(setup, place, until_min)
    path = [(sight.t_s / 60.0, sight.limit_pa_per_s) for sight in sights]
    return _Sight(_in_grams(scale, path), scale.limit_grams, gauge)


def _decay_setup(
    recipe: Recipe, fluids: Fluids, scale: Scale, conditions: Conditions, gauge_pa: float
) -> DecaySetup:
    specs = specs_by_role(recipe)
    role = next((r for r in (Role.LOW_SIDE, Role.HIGH_SIDE) if r in specs), Role.LOW_SIDE)
    setup = decay_setup(
        recipe,
        fluids,
        scale,
        role=role,
        start_pa=gauge_pa + recipe.barometer_pa,
        thermometer=conditions.thermometer,
        barometer_measured=conditions.barometer,
    )
    if setup.barometer is Barometer.NOT_NEEDED or not conditions.barometer:
        return setup
    return replace(setup, barometer=Barometer.MEASURED)


def _test_pressure(recipe: Recipe, conditions: Conditions) -> float:
    most = recipe.max_gauge_pa or 0.0
    gauge = most if conditions.gauge_pa is None else conditions.gauge_pa
    if not 0.0 < gauge <= most:
        raise RecipeError(
            f"a test pressure of {gauge / 1e3:g} kPa is not between 0 and the unit's highest "
            f"allowed {most / 1e3:g} kPa"
        )
    return gauge


def _in_grams(scale: Scale, path: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    return tuple((t, scale.grams(slope)) for t, slope in path if math.isfinite(slope))


def _at(path: tuple[tuple[float, float], ...], minutes: float) -> float | None:
    """The smallest visible leak by then, or None while there is none."""
    by_then = [grams for t, grams in path if t <= minutes + 1e-9]
    return min(by_then, default=None)


def _advice(
    recipe: Recipe,
    fluids: Fluids,
    conditions: Conditions,
    sight: _Sight,
    needed: float | None,
    minutes: float | None,
) -> Iterator[str]:
    """What would help to see the criterion, with what each would buy."""
    at = minutes or needed or SHOWN_MIN[recipe.procedure][-1]
    now = _at(sight.path, at)
    if recipe.is_vacuum:
        yield from _vacuum_advice(recipe, conditions)
        return
    better = {
        "a pipe thermometer": replace(conditions, thermometer=True),
        "a barometer channel": replace(conditions, barometer=True),
        "insulated pipes, or a better clamp (half the hidden swing)": replace(
            conditions, hidden_k=conditions.hidden_k / 2
        ),
    }
    for what, changed in better.items():
        if changed == conditions:
            continue
        then = _at(_sight(recipe, fluids, changed, at).path, at)
        if then is not None and (now is None or then < 0.95 * now):
            before = "nothing" if now is None else grams_text(now)
            after = grams_text(then)
            yield f"With {what}, {duration_text(at * 60)} would see {after} instead of {before}."
    if needed is None:
        yield (
            f"{duration_text(LONGEST_MIN[recipe.procedure] * 60)} do not see this criterion: test "
            "at a higher pressure that the unit allows, measure the volume, or use an electronic "
            "detector or bubbles for leaks this small."
        )


def _vacuum_advice(recipe: Recipe, conditions: Conditions) -> Iterator[str]:
    spec = specs_by_role(recipe).get(Role.VACUUM)
    resolution = None if spec is None else spec.delta_si("resolution")
    if resolution is not None and resolution >= COARSE_FOR_A_VACUUM_PA:
        yield (
            f"The gauge shows steps of {resolution:g} Pa: too coarse for the slope of a vacuum; "
            "use one that shows 0.1 Pa (about 1 micron) or better."
        )
    if not conditions.moist:
        yield "A moist system sees several times less: dry it first, or plan with --moist."
    yield (
        "A vacuum draws the leak's seals the other way and sees one bar of difference: prove a "
        "repair under nitrogen as well."
    )
