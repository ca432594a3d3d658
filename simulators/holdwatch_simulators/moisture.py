"""What the inside gives off in a vacuum: water, ice, adsorbed water, refrigerant from oil."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from holdwatch_simulators.fluid_data import WATER_KG_PER_MOL, water_vapour_pressure

_ICE_POINT_K: Final = 273.15
_MELTING: Final = 6010.0  # J/mol
_BOILING: Final = 45_050.0  # J/mol near 0 °C
_LIQUID_HEAT: Final = 75.4  # J/(mol·K)
_ICE_HEAT: Final = 37.8  # J/(mol·K)


@dataclass(frozen=True, slots=True)
class MoistureSpec:
    """Water in the system, and refrigerant dissolved in its oil.

    Attributes:
        liquid_g: Free water, lying at the coldest wall.
        evaporation_s: Time constant with which free water fills the volume with vapour.
        wall_w_per_k: Heat path from the wall into the water; a small one lets it freeze.
        adsorbed_g: Water held by walls, desiccant and oil.
        adsorbed_s: Time constant with which that is given off.
        oil_pa: Pressure that refrigerant left in the oil would add to an isolated volume.
        oil_s: Time constant of its release.
        oil_law: ``exponential``, or ``sqrt``: what is out grows with √t until all is out.
    """

    liquid_g: float = 0.0
    evaporation_s: float = 300.0
    wall_w_per_k: float = 0.5
    adsorbed_g: float = 0.0
    adsorbed_s: float = 900.0
    oil_pa: float = 0.0
    oil_s: float = 600.0
    oil_law: Literal["exponential", "sqrt"] = "exponential"


class FreeWater:
    """Water or ice with its own temperature, cooled by what boils off it.

    Kept by enthalpy, so that freezing and melting take their heat.

    Attributes:
        mol: Amount left.
    """

    def __init__(self, spec: MoistureSpec, start_k: float) -> None:
        """Start liquid, at the wall's temperature."""
        self._spec = spec
        self.mol = spec.liquid_g / 1000.0 / WATER_KG_PER_MOL
        self._enthalpy = self._enthalpy_at(start_k)  # J/mol above liquid at 0 °C

    @staticmethod
    def _enthalpy_at(t_k: float) -> float:
        if t_k >= _ICE_POINT_K:
            return _LIQUID_HEAT * (t_k - _ICE_POINT_K)
        return _ICE_HEAT * (t_k - _ICE_POINT_K) - _MELTING

    @property
    def t_k(self) -> float:
        """Temperature of the water."""
        if self._enthalpy >= 0.0:
            return _ICE_POINT_K + self._enthalpy / _LIQUID_HEAT
        if self._enthalpy >= -_MELTING:
            return _ICE_POINT_K
        return _ICE_POINT_K + (self._enthalpy + _MELTING) / _ICE_HEAT

    @property
    def frozen(self) -> float:
        """Share that is ice."""
        return min(1.0, max(0.0, -self._enthalpy / _MELTING))

    def exchange(self, dt_s: float, vapour_mol: float, mol_per_pa: float, wall_k: float) -> float:
        """Boil off (positive, mol) or take up vapour for a while.

        Args:
            dt_s: Length of the step, s.
            vapour_mol: Water vapour in the volume now.
            mol_per_pa: V/(RT), what one pascal of vapour amounts to.
            wall_k: Temperature of the wall that the water lies on.
        """
        if self.mol <= 0.0:
            self._enthalpy = self._enthalpy_at(wall_k)
        moved = water_vapour_pressure(self.t_k) * mol_per_pa - vapour_mol
        moved *= 1.0 - math.exp(-dt_s / self._spec.evaporation_s)
        moved = min(moved, self.mol)
        if self.mol <= 0.0 and moved >= 0.0:
            return 0.0
        self.mol -= moved
        if self.mol <= 1e-12:
            return moved
        self._enthalpy -= moved * _BOILING / self.mol  # boiling cools it, condensing warms it
        self._warm(dt_s, wall_k)
        return moved

    def _warm(self, dt_s: float, wall_k: float) -> None:
        rate = self._spec.wall_w_per_k / (self.mol * _LIQUID_HEAT)
        share = 1.0 - math.exp(-rate * dt_s)
        heat = _LIQUID_HEAT * share * (wall_k - self.t_k)
        limit = self._enthalpy_at(wall_k)
        new = self._enthalpy + heat
        # A step may cross the melting point, but never overshoot the wall.
        self._enthalpy = (
            min(new, max(limit, self._enthalpy))
            if heat > 0
            else max(new, min(limit, self._enthalpy))
        )


class Outgassing:
    """Adsorbed water and dissolved refrigerant, given off once the pressure is low.

    Attributes:
        adsorbed_mol: Water still held.
        oil_mol: Refrigerant still dissolved.
    """

    _LOW_PA: Final = 5000.0  # above this, gas in the way keeps nearly all of it in place

    def __init__(self, spec: MoistureSpec, mol_per_pa: float) -> None:
        """Start full."""
        self._spec = spec
        self.adsorbed_mol = spec.adsorbed_g / 1000.0 / WATER_KG_PER_MOL
        self._oil_start = spec.oil_pa * mol_per_pa
        self.oil_mol = self._oil_start
        self._exposed_s = 0.0

    def release(
        self, dt_s: float, p_pa: float, vapour_pa: float, wall_k: float
    ) -> tuple[float, float]:
        """Return (mol of water, mol of refrigerant) given off in this step."""
        if p_pa > self._LOW_PA:
            return 0.0, 0.0
        water = 0.0
        if self.adsorbed_mol > 0.0:
            drive = max(0.0, 1.0 - vapour_pa / water_vapour_pressure(wall_k))
            water = self.adsorbed_mol * (1.0 - math.exp(-drive * dt_s / self._spec.adsorbed_s))
            self.adsorbed_mol -= water
        before = self.oil_mol
        if before > 0.0:
            self._exposed_s += dt_s
            left = self._exposed_s / self._spec.oil_s
            if self._spec.oil_law == "sqrt":
                self.oil_mol = self._oil_start * max(0.0, 1.0 - math.sqrt(left))
            else:
                self.oil_mol = self._oil_start * math.exp(-left)
        return water, before - self.oil_mol
