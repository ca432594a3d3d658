"""The shop around the system: its air temperature and the barometer."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np


class Weather(Protocol):
    """Anything that says how warm the shop is and where the barometer stands."""

    @property
    def ambient_k(self) -> float:
        """Temperature of the shop's air."""
        ...

    @property
    def barometer_pa(self) -> float:
        """Absolute pressure of the air."""
        ...

    def step(self, dt_s: float) -> None:
        """Move on in time."""
        ...


@dataclass(frozen=True, slots=True)
class WeatherSpec:
    """How a made-up shop's air behaves.

    Attributes:
        mean_c: Temperature at the start, apart from what wanders.
        ramp_k_per_h: Steady warming or cooling.
        swing_k: Half the height of a sine, for heating that cycles or for a day.
        swing_period_s: Its period.
        wander_k: Standard deviation of a random wander (Ornstein–Uhlenbeck).
        wander_s: Its correlation time.
        doors_per_h: How often the gate opens, on average.
        door_k: How much colder the air then is at once.
        door_s: Time constant with which the air recovers.
        barometer_pa: Pressure at the start.
        barometer_ramp_pa_per_h: Its steady change.
        barometer_wander_pa: Standard deviation of its random wander.
        barometer_wander_s: Correlation time of that.
    """

    mean_c: float = 20.0
    ramp_k_per_h: float = 0.2
    swing_k: float = 0.15
    swing_period_s: float = 2400.0
    wander_k: float = 0.10
    wander_s: float = 1200.0
    doors_per_h: float = 0.3
    door_k: float = 0.8
    door_s: float = 400.0
    barometer_pa: float = 100_600.0
    barometer_ramp_pa_per_h: float = -20.0
    barometer_wander_pa: float = 40.0
    barometer_wander_s: float = 10_000.0


@dataclass(slots=True)
class ShopWeather:
    """Weather made up from a specification and one random generator."""

    spec: WeatherSpec
    rng: np.random.Generator
    _t_s: float = 0.0
    _wander: float = 0.0
    _door: float = 0.0
    _pressure: float = 0.0
    _phase: float = field(init=False)

    def __post_init__(self) -> None:
        """Draw the sine's phase."""
        self._phase = float(self.rng.uniform(0.0, 2.0 * math.pi))

    @property
    def ambient_k(self) -> float:
        """Temperature of the shop's air."""
        s = self.spec
        angle = 2.0 * math.pi * self._t_s / s.swing_period_s + self._phase
        swing = s.swing_k * (math.sin(angle) - math.sin(self._phase))
        ramp = s.ramp_k_per_h * self._t_s / 3600.0
        return 273.15 + s.mean_c + ramp + swing + self._wander + self._door

    @property
    def barometer_pa(self) -> float:
        """Absolute pressure of the air."""
        ramp = self.spec.barometer_ramp_pa_per_h * self._t_s / 3600.0
        return self.spec.barometer_pa + ramp + self._pressure

    def step(self, dt_s: float) -> None:
        """Move on in time."""
        s = self.spec
        self._t_s += dt_s
        keep = math.exp(-dt_s / s.wander_s)
        kick = s.wander_k * math.sqrt(1.0 - keep * keep)
        self._wander = keep * self._wander + kick * float(self.rng.standard_normal())
        keep = math.exp(-dt_s / s.barometer_wander_s)
        kick = s.barometer_wander_pa * math.sqrt(1.0 - keep * keep)
        self._pressure = keep * self._pressure + kick * float(self.rng.standard_normal())
        self._door *= math.exp(-dt_s / s.door_s)
        if float(self.rng.random()) < s.doors_per_h * dt_s / 3600.0:
            self._door -= s.door_k


class RecordedWeather:
    """Weather played back from a measured series, linear between its points.

    Args:
        times_s: Rising times from the start.
        ambient_k: Air temperature at those times.
        barometer_pa: Barometer at those times.
    """

    def __init__(
        self, times_s: Sequence[float], ambient_k: Sequence[float], barometer_pa: Sequence[float]
    ) -> None:
        """Check that the series fit together.

        Raises:
            ValueError: Lengths differ, fewer than two points, or times that do not rise.
        """
        if not len(times_s) == len(ambient_k) == len(barometer_pa) >= 2:
            raise ValueError(
                "recorded weather needs three series of one length, two points or more"
            )
        if any(b <= a for a, b in itertools.pairwise(times_s)):
            raise ValueError("recorded weather needs times that rise from point to point")
        self._times = times_s
        self._ambient = ambient_k
        self._barometer = barometer_pa
        self._t_s = float(times_s[0])
        self._k = 0

    def step(self, dt_s: float) -> None:
        """Move on in time; after the last point the weather stands still."""
        self._t_s = min(self._t_s + dt_s, float(self._times[-1]))
        while self._k < len(self._times) - 2 and self._times[self._k + 1] <= self._t_s:
            self._k += 1

    def _between(self, series: Sequence[float]) -> float:
        a, b = self._times[self._k], self._times[self._k + 1]
        share = (self._t_s - a) / (b - a)
        return float(series[self._k] + share * (series[self._k + 1] - series[self._k]))

    @property
    def ambient_k(self) -> float:
        """Temperature of the shop's air."""
        return self._between(self._ambient)

    @property
    def barometer_pa(self) -> float:
        """Absolute pressure of the air."""
        return self._between(self._barometer)
