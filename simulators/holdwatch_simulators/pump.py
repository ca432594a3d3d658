"""The vacuum pump and the hose that it pulls through."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PumpSpec:
    """A two-stage rotary vane pump with a check valve, behind a hose.

    Attributes:
        speed_m3_per_s: Pumping speed at the inlet; 1.2e-3 is about 4 m³/h.
        ultimate_pa: Pressure that it cannot go below.
        hose_m3_per_s: Conductance of hose and valve core at low pressure.
        hose_m3_per_s_per_pa: What viscous flow adds to it for each pascal.
    """

    speed_m3_per_s: float = 1.2e-3
    ultimate_pa: float = 4.0
    hose_m3_per_s: float = 0.15e-3
    hose_m3_per_s_per_pa: float = 1.0e-5

    def effective_speed(self, p_pa: float) -> float:
        """Return the volume flow (m³/s) drawn from the system at this pressure (Pa)."""
        hose = self.hose_m3_per_s + self.hose_m3_per_s_per_pa * p_pa
        return self.speed_m3_per_s * hose / (self.speed_m3_per_s + hose)
