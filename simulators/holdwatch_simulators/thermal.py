"""Heat: the gas, the thin pipe that clamps sit on, the heavy parts, and the shop around them."""

from __future__ import annotations

import math
from dataclasses import dataclass

from holdwatch_simulators.fluid_data import CV_DIATOMIC


@dataclass(frozen=True, slots=True)
class ThermalSpec:
    """Sizes of the heat model; the defaults are a van's system of about 2.5 L.

    The gas is coupled to both walls, a clamp only to the pipe: this is why a clamp never
    quite tells the gas temperature.

    Attributes:
        pipe_j_per_k: Heat capacity of pipes and heat exchangers.
        heavy_j_per_k: Heat capacity of the compressor and other heavy parts.
        gas_pipe_w_per_k: Coupling of gas and pipe; with 1 mol of gas 100 s of lag.
        gas_heavy_w_per_k: Coupling of gas and heavy parts.
        pipe_ambient_w_per_k: Coupling of pipe and shop air.
        heavy_ambient_w_per_k: Coupling of heavy parts and shop air.
        pipe_heavy_w_per_k: Conduction between the two walls.
        expansion_per_k: Linear expansion of the walls (copper 17e-6, aluminium 23e-6).
    """

    pipe_j_per_k: float = 3000.0
    heavy_j_per_k: float = 6000.0
    gas_pipe_w_per_k: float = 0.20
    gas_heavy_w_per_k: float = 0.06
    pipe_ambient_w_per_k: float = 5.0
    heavy_ambient_w_per_k: float = 3.5
    pipe_heavy_w_per_k: float = 0.5
    expansion_per_k: float = 20e-6


class Thermal:
    """The temperatures inside and at the wall, stepped together.

    Attributes:
        gas_k: Temperature of the gas.
        pipe_k: Temperature of the pipe, where clamps sit.
        heavy_k: Temperature of the heavy parts.
    """

    def __init__(self, spec: ThermalSpec, start_k: float) -> None:
        """Start with everything at one temperature."""
        self._spec = spec
        self.gas_k = start_k
        self.pipe_k = start_k
        self.heavy_k = start_k
        self._start_k = start_k

    @property
    def coldest_wall_k(self) -> float:
        """Temperature of the colder of the two walls."""
        return min(self.pipe_k, self.heavy_k)

    @property
    def volume_factor(self) -> float:
        """Inner volume over the volume at the start temperature."""
        share = self._spec.gas_pipe_w_per_k
        share /= share + self._spec.gas_heavy_w_per_k
        mean_k = share * self.pipe_k + (1.0 - share) * self.heavy_k
        return 1.0 + 3.0 * self._spec.expansion_per_k * (mean_k - self._start_k)

    def step(self, dt_s: float, gas_mol: float, ambient_k: float) -> None:
        """Let heat flow for a while; the gas relaxes exactly, the walls by one step.

        Gas hardly holds heat in a vacuum, so an explicit step would be unstable there.
        """
        spec = self._spec
        coupling = spec.gas_pipe_w_per_k + spec.gas_heavy_w_per_k
        share = spec.gas_pipe_w_per_k / coupling
        target_k = share * self.pipe_k + (1.0 - share) * self.heavy_k
        capacity = max(gas_mol * CV_DIATOMIC, 1e-9)
        new_gas_k = target_k + (self.gas_k - target_k) * math.exp(-coupling * dt_s / capacity)
        to_walls_j = capacity * (self.gas_k - new_gas_k)
        self.gas_k = new_gas_k
        between_w = spec.pipe_heavy_w_per_k * (self.pipe_k - self.heavy_k)
        pipe_w = spec.pipe_ambient_w_per_k * (ambient_k - self.pipe_k) - between_w
        heavy_w = spec.heavy_ambient_w_per_k * (ambient_k - self.heavy_k) + between_w
        self.pipe_k += (pipe_w * dt_s + share * to_walls_j) / spec.pipe_j_per_k
        self.heavy_k += (heavy_w * dt_s + (1.0 - share) * to_walls_j) / spec.heavy_j_per_k
