"""The equations of state themselves, for the states that no table holds; loaded when first asked.

The only module that knows CoolProp.
"""

from __future__ import annotations

import importlib
import math
import threading
from typing import TYPE_CHECKING, Any

from holdwatch_physics.substances import Fluid, FluidError

if TYPE_CHECKING:
    from collections.abc import Callable


class Equations:
    """Properties from CoolProp, by fluid and state.

    Its import takes 3 to 4 s and 80 MB and holds the interpreter's lock, so that it stops an
    event loop even from a thread: it happens at the first question, or in :meth:`load`.

    The library's states are mutable and cached here, so one lock guards every call. Pressures
    are absolute, Pa; temperatures K; densities mol/m³. Every method raises :class:`FluidError`
    where the library finds no such state; the caller has checked the range.
    """

    def __init__(self) -> None:
        """Remember nothing yet."""
        self._library: Any = None
        self._states: dict[str, Any] = {}
        self._lock = threading.RLock()

    def load(self) -> None:
        """Import the library now, once."""
        with self._lock:
            if self._library is None:
                self._library = importlib.import_module("CoolProp")

    def state(self, it: Fluid) -> Any:
        """Return the library's own state of a fluid, to read its constants."""
        with self._lock:
            self.load()
            state = self._states.get(it.key)
            if state is None:
                state = self._library.AbstractState("HEOS", it.key)
                self._states[it.key] = state
            return state

    def saturation_pressures(self, it: Fluid, t_k: float) -> tuple[float, float]:
        """Return the (bubble, dew) pressure at a temperature."""
        return (
            self._read(it, "QT_INPUTS", 0.0, t_k, lambda s: s.p()),
            self._read(it, "QT_INPUTS", 1.0, t_k, lambda s: s.p()),
        )

    def saturation_densities(self, it: Fluid, t_k: float) -> tuple[float, float]:
        """Return the molar density of the (boiling liquid, dry vapour)."""
        return (
            self._read(it, "QT_INPUTS", 0.0, t_k, lambda s: s.rhomolar()),
            self._read(it, "QT_INPUTS", 1.0, t_k, lambda s: s.rhomolar()),
        )

    def saturation_temperatures(self, it: Fluid, p_pa: float) -> tuple[float, float]:
        """Return the (bubble, dew) temperature at a pressure."""
        return (
            self._read(it, "PQ_INPUTS", p_pa, 0.0, lambda s: s.T()),
            self._read(it, "PQ_INPUTS", p_pa, 1.0, lambda s: s.T()),
        )

    def density(self, it: Fluid, p_pa: float, t_k: float) -> float:
        """Return the molar density of the gas."""
        return self._gas(it, "PT_INPUTS", p_pa, t_k, lambda s: s.rhomolar())

    def pressure(self, it: Fluid, rho: float, t_k: float) -> float:
        """Return the pressure of the gas at a density."""
        return self._gas(it, "DmolarT_INPUTS", rho, t_k, lambda s: s.p())

    def pressure_slope(self, it: Fluid, rho: float, t_k: float) -> float:
        """Return (∂p/∂ρ) of the gas at constant temperature, J/mol."""
        return self._slope(it, rho, t_k, "iDmolar", "iT")

    def pressure_slope_t(self, it: Fluid, rho: float, t_k: float) -> float:
        """Return (∂p/∂T) of the gas at constant density, Pa/K."""
        return self._slope(it, rho, t_k, "iT", "iDmolar")

    def viscosity(self, it: Fluid, rho: float, t_k: float) -> float:
        """Return the viscosity of the gas at a density, Pa·s."""
        return self._gas(it, "DmolarT_INPUTS", rho, t_k, lambda s: s.viscosity())

    def _slope(self, it: Fluid, rho: float, t_k: float, over: str, constant: str) -> float:
        def read(state: Any) -> float:
            lib = self._library
            slope: float = state.first_partial_deriv(
                lib.iP, getattr(lib, over), getattr(lib, constant)
            )
            return slope

        return self._gas(it, "DmolarT_INPUTS", rho, t_k, read)

    def _gas(self, it: Fluid, pair: str, a: float, b: float, read: Callable[[Any], float]) -> float:
        """Read a property of the gas; the second of the pair is the temperature.

        Naming the phase keeps the solver from refusing pressures within 1e-4 % of saturation
        and from taking a pseudo-pure blend for a liquid between its dew and bubble pressure.
        """
        return self._read(it, pair, a, b, read, as_gas=b < it.critical_k)

    def _read(
        self,
        it: Fluid,
        pair: str,
        a: float,
        b: float,
        read: Callable[[Any], float],
        *,
        as_gas: bool = False,
    ) -> float:
        """Move a state and read it, with the library's errors made ours."""
        with self._lock:
            state = self.state(it)
            lib = self._library
            try:
                if as_gas:
                    state.specify_phase(lib.iphase_gas)
                state.update(getattr(lib, pair), a, b)
                value = float(read(state))
            except ValueError as error:
                raise FluidError(f"{it.name} cannot be computed at this state: {error}") from error
            finally:
                if as_gas:
                    state.unspecify_phase()
        if not math.isfinite(value):
            raise FluidError(f"{it.name} cannot be computed at this state: no finite value")
        return value
