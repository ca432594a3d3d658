"""What the pressure-decay engine must be told before a hold, and what it only considers."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from holdwatch_procedures.holds.confidence import MIXTURE_SPREAD
from holdwatch_procedures.holds.decay.bank import BankSpec


class Barometer(StrEnum):
    """Where the pressure of the room comes into a gauge's reading."""

    MEASURED = "measured"  # a barometer channel is added in, block by block
    CONSTANT = "constant"  # a vented gauge with no barometer beside it
    NOT_NEEDED = "not needed"  # a sealed or absolute gauge does not feel the room


SEEING = BankSpec(
    transient_s=(250.0, 600.0, 3000.0),
    transient_sd_k=(0.5, 0.5, 0.15),
)
"""The bank beside a pipe thermometer; the slow transient is the compressor's mass."""

BLIND = BankSpec(
    hidden_sd_k=(0.25, 0.5, 1.0, 2.0, 4.0),
    hidden_weight=(0.15, 0.25, 0.30, 0.20, 0.10),
    hidden_time_s=(2000.0, 8000.0, 30000.0),
    transient_s=(250.0, 600.0, 3000.0),
    transient_sd_k=(1.0, 2.0, 1.0),
)
"""The bank without a thermometer: swings of the whole gas by 0.25 to 4 K, over half an hour
to a working day, and up to a few kelvin of charging heat that nothing measures."""


@dataclass(frozen=True, slots=True)
class Considered:
    """Standard uncertainties that one hold cannot learn and must not pretend to.

    Attributes:
        gain: Share by which a clamp under- or overstates the gas's temperature changes.
        lag: Weight of a 600 s lag between clamp and gas.
        slow_lag: Weight of a 3600 s lag: the share of the gas beside a compressor or other mass.
        scale: Relative uncertainty of the slope itself.
        tails: Factor on the random half-width below the estimate, which a fail needs. The
            bank's posterior is a mixture; the exact sequence over it reaches 7 to 20 % further
            than that of one normal law of the same variance (measured on 80 simulated holds).
            Above the estimate `least_slope` does the same service.
        least_slope: A slope further below zero than this share of its own standard uncertainty
            earns no more: gas does not come into being.
        blind_k_per_h: Drift of the gas that nobody measures where no thermometer is bound, K/h.
        blind_most_k: How far it goes at most in one hold, K.
    """

    gain: float = 0.06
    lag: float = 0.15
    slow_lag: float = 0.15
    scale: float = 0.03
    tails: float = 1.1
    least_slope: float = 0.5
    blind_k_per_h: float = 1.0
    blind_most_k: float = 3.0

    def unseen_drift_k(self, unseen_s: float) -> float:
        """Return how far the gas may drift while nobody measures it, K (standard uncertainty)."""
        return min(self.blind_k_per_h * unseen_s / 3600.0, self.blind_most_k)


@dataclass(frozen=True, slots=True)
class DecaySetup:
    """What the engine must know of a hold before its first block.

    Attributes:
        limit_pa_per_s: The criterion as loss of temperature-normalised pressure, Pa/s, > 0.
        false_pass: Allowed share of passes among leaks at or above the criterion.
        false_fail: Allowed share of fails among leaks at or below it.
        resolution_pa: Step of the gauge's readings, Pa; None where unknown.
        noise_pa: Scatter of single readings, Pa; None where unknown. Used by forecasts.
        gauge_wander_pa_per_h: Standard deviation of the gauge's wander over an hour, Pa,
            taken as a random walk.
        tempco_pa_per_k: Standard uncertainty of the gauge's own temperature effect, Pa/K.
        kappa: κ in p ∝ T^κ for a sealed amount of gas in its vessel.
        kappa_u: Standard uncertainty of κ.
        volume_u: Relative standard uncertainty of the volume; 0 where the criterion is a
            pressure change.
        barometer: How the room's pressure enters.
        thermometer: Whether a pipe thermometer is bound.
        considered: What is considered and not learned.
        clamp_wander_k_per_h: Standard deviation of a clamp's wander over an hour, K, taken as a
            random walk.
        start_k: Temperature to which pressures are normalised, K; None takes the hold's own.
        spread: Standard deviation of the confidence sequence's mixture over the limit.
        bank: What the bank holds possible; None takes the default for the thermometer.
    """

    limit_pa_per_s: float
    false_pass: float = 0.01
    false_fail: float = 0.01
    resolution_pa: float | None = None
    noise_pa: float | None = None
    gauge_wander_pa_per_h: float = 0.0
    tempco_pa_per_k: float = 0.0
    kappa: float = 1.0
    kappa_u: float = 0.0
    volume_u: float = 0.0
    barometer: Barometer = Barometer.MEASURED
    thermometer: bool = True
    considered: Considered = field(default_factory=Considered)
    clamp_wander_k_per_h: float = 0.0
    start_k: float | None = None
    spread: float = MIXTURE_SPREAD
    bank: BankSpec | None = None

    def __post_init__(self) -> None:
        if not self.limit_pa_per_s > 0.0:
            raise ValueError(f"limit_pa_per_s must be above 0, not {self.limit_pa_per_s!r}")
        for name in ("false_pass", "false_fail"):
            if not 0.0 < getattr(self, name) < 0.5:
                raise ValueError(f"{name} must be between 0 and 0.5, not {getattr(self, name)!r}")

    @property
    def bank_spec(self) -> BankSpec:
        """The bank's grid and priors."""
        if self.bank is not None:
            return self.bank
        return SEEING if self.thermometer else BLIND
