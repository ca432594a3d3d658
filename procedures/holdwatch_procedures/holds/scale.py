"""From the slope of a pressure to a leak in every unit, and from a criterion back to a slope."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_physics.leak import (
    Law,
    Restatement,
    mol_per_s_to_pa_m3_per_s,
    pa_m3_per_s_to_mol_per_s,
    restate_air_inflow,
    restate_pressure_test,
)
from holdwatch_physics.substances import refrigerant
from holdwatch_procedures.holds.recipe import RecipeError
from holdwatch_procedures.holds.verdict import Figure, Leak

if TYPE_CHECKING:
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.estimates import Estimate
    from holdwatch_procedures.holds.recipe import Recipe

AIR = "air"
NOTHING = Figure(None, None, None, None)


@dataclass(frozen=True, slots=True)
class Scale:
    """What one pascal a second means for this unit at the pressure and temperature it is held at.

    Attributes:
        mol_per_pa: Amount of gas behind one pascal in this volume: V·∂ρ/∂p, mol/Pa.
        at_k: Temperature of the gas, K.
        restatement: Test gas to grams a year of the refrigerant, by either flow law.
        limit_slope: The criterion as a slope, Pa/s.
        refrigerant: Canonical name.
        confidence: 1 − false_pass − false_fail.
    """

    mol_per_pa: float
    at_k: float
    restatement: Restatement
    limit_slope: float
    refrigerant: str
    confidence: float

    def grams(self, slope: float) -> float:
        """Leak of a slope (Pa/s), g a year of the refrigerant."""
        return self.restatement.g_per_year(slope * self.mol_per_pa)

    @property
    def limit_grams(self) -> float:
        """The criterion in g a year."""
        return self.grams(self.limit_slope)

    def leak(self, estimate: Estimate) -> Leak:
        """An engine's estimate in every unit of the contract."""
        interval = (estimate.low95, estimate.high95)
        return self._leak(Figure(estimate.slope, estimate.low, estimate.high, interval))

    def plain_leak(self, slope: float | None) -> Leak:
        """A plain slope, without bounds, in every unit of the contract."""
        return self._leak(Figure(slope, None, None, None))

    def _leak(self, slope: Figure) -> Leak:
        mol = _times(slope, self.mol_per_pa)
        flow = _times(mol, mol_per_s_to_pa_m3_per_s(1.0, self.at_k))
        grams = _times(mol, self.restatement.g_per_year(1.0))
        by_law: dict[str, float | None] = {str(law): None for law in Law}
        if mol.value is not None:
            by_law.update(self.restatement.by_law(mol.value))
        return Leak(
            mol_per_s=mol,
            pa_m3_per_s=flow,
            at_k=self.at_k,
            g_per_year=grams,
            by_law=by_law,
            refrigerant=self.refrigerant,
            law=str(Law.LAMINAR),
            confidence=self.confidence,
            restatement_u=self.restatement.relative_uncertainty(),
        )


def unknown_leak(recipe: Recipe) -> Leak:
    """The leak of a hold that never saw a usable reading: every figure None."""
    return Leak(
        mol_per_s=NOTHING,
        pa_m3_per_s=NOTHING,
        at_k=None,
        g_per_year=NOTHING,
        by_law={str(law): None for law in Law},
        refrigerant=recipe.refrigerant,
        law=str(Law.LAMINAR),
        confidence=confidence_of(recipe),
        restatement_u=None,
    )


def confidence_of(recipe: Recipe) -> float:
    """Confidence of the deciding bounds: 1 − false_pass − false_fail."""
    return 1.0 - recipe.limits.false_pass - recipe.limits.false_fail


def scale_for(
    recipe: Recipe, fluids: Fluids, pressure_pa: float, room_pa: float, gas_k: float
) -> Scale:
    """Return the scale of a hold.

    Args:
        recipe: The recipe, for volume, refrigerant and criterion.
        fluids: Fluid properties.
        pressure_pa: Absolute pressure of the gas at the start, Pa.
        room_pa: Pressure of the room, Pa.
        gas_k: Temperature of the gas at the start, K.

    Raises:
        LeakError: The refrigerant has no saturation at the reference temperature, or the
            pressure under test is not above the room's.
        FluidError: A state outside the range of the equation of state.
    """
    volume = recipe.volume_m3
    stored = (recipe.refrigerant, recipe.reference_k, charge_density(recipe))
    if recipe.is_vacuum:
        mol_per_pa = volume * fluids.density_slope(AIR, max(pressure_pa, 1.0), gas_k)
        restatement = restate_air_inflow(fluids, room_pa, pressure_pa, gas_k, *stored)
    else:
        mol_per_pa = volume * fluids.density_slope(recipe.gas, pressure_pa, gas_k)
        restatement = restate_pressure_test(
            fluids, recipe.gas, pressure_pa, room_pa, gas_k, *stored
        )
    return Scale(
        mol_per_pa=mol_per_pa,
        at_k=gas_k,
        restatement=restatement,
        limit_slope=_limit_slope(recipe, restatement, mol_per_pa, gas_k),
        refrigerant=recipe.refrigerant,
        confidence=confidence_of(recipe),
    )


def charge_density(recipe: Recipe) -> float | None:
    """Charge over volume, kg/m³, where the refrigerant cannot be saturated; otherwise None.

    Raises:
        RecipeError: It is needed and the recipe gives no charge.
    """
    if recipe.reference_k < refrigerant(recipe.refrigerant).critical_k:
        return None
    if recipe.charge_g is None:
        raise RecipeError(
            f"{recipe.refrigerant} has no saturation at {recipe.reference_temperature_c:g} °C: "
            "give `reference_temperature_c` below its critical temperature, or `charge_g`"
        )
    return recipe.charge_g / 1e3 / recipe.volume_m3


def _limit_slope(
    recipe: Recipe, restatement: Restatement, mol_per_pa: float, gas_k: float
) -> float:
    """The criterion as a slope of (compensated) pressure, Pa/s."""
    criterion = recipe.criterion
    if criterion.is_change:
        return criterion.change_pa / criterion.within_s
    if criterion.kind == "leak_pa_m3_per_s":
        return pa_m3_per_s_to_mol_per_s(criterion.limit, gas_k) / mol_per_pa
    grams = criterion.limit
    if criterion.kind == "leak_percent_per_year":
        grams = criterion.limit / 100.0 * (recipe.charge_g or 0.0)
    return restatement.mol_per_s(grams) / mol_per_pa


def _times(figure: Figure, factor: float) -> Figure:
    def scaled(value: float | None) -> float | None:
        return None if value is None else value * factor

    interval = figure.interval95
    return Figure(
        scaled(figure.value),
        scaled(figure.low),
        scaled(figure.high),
        None if interval is None else (interval[0] * factor, interval[1] * factor),
    )
