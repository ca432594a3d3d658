"""Gauges and thermometers with the faults of real ones: truth goes in, what they say comes out."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np

__all__ = [
    "AirThermometer",
    "Barometer",
    "Blemishes",
    "Gauge",
    "GaugeModel",
    "PipeClamp",
    "Reference",
    "ThermometerModel",
    "Truth",
]

Reference = Literal["vented", "sealed", "absolute"]


@dataclass(frozen=True, slots=True)
class Blemishes:
    """What every probe may suffer from; the zeros mean none of it.

    Attributes:
        interval_s: Time between two values.
        noise: White noise, standard deviation, in the probe's SI unit.
        noise_share: The same, as a share of the value (vacuum gauges).
        slow_noise: Standard deviation of correlated noise.
        slow_noise_s: Its correlation time.
        drift_per_h: Random walk, standard deviation after an hour.
        offset: Added to the value.
        scale: Multiplies the value.
        resolution: Values are rounded to multiples of this.
        dropout: Probability that a value is missing.
        dropout_s: Mean length of a longer silence, which starts ``silences_per_h`` often.
        silences_per_h: Longer silences an hour.
        stuck_from_s: From here on the value repeats, or None.
        shift_at_s: From here on ``shift`` is added, as when a gauge is zeroed; or None.
        shift: See there.
        battery_percent: At the start.
        battery_percent_per_h: How fast it runs down; at 0 the probe is silent.
    """

    interval_s: float = 1.0
    noise: float = 0.0
    noise_share: float = 0.0
    slow_noise: float = 0.0
    slow_noise_s: float = 60.0
    drift_per_h: float = 0.0
    offset: float = 0.0
    scale: float = 1.0
    resolution: float = 0.0
    dropout: float = 0.0
    dropout_s: float = 60.0
    silences_per_h: float = 0.0
    stuck_from_s: float | None = None
    shift_at_s: float | None = None
    shift: float = 0.0
    battery_percent: float = 90.0
    battery_percent_per_h: float = 0.05


@dataclass(frozen=True, slots=True)
class GaugeModel:
    """A pressure gauge.

    Attributes:
        low_pa: Lower end of its range, in its own reference; it says no less.
        high_pa: Upper end; it says no more.
        reference: ``vented`` reads above the shop's air, ``sealed`` above a fixed pressure,
            ``absolute`` above nothing.
        sealed_pa: The fixed pressure of a sealed gauge.
        tempco_share_of_span_per_k: Zero shift for each kelvin away from ``calibrated_k``.
        calibrated_k: Temperature at which the zero is right.
        body_s: Time constant with which its body follows the shop's air.
        blemishes: Noise, resolution, dropouts, battery.
    """

    low_pa: float = 0.0
    high_pa: float = 3.5e6
    reference: Reference = "vented"
    sealed_pa: float = 101_325.0
    tempco_share_of_span_per_k: float = 0.0
    calibrated_k: float = 293.15
    body_s: float = 600.0
    blemishes: Blemishes = Blemishes()


@dataclass(frozen=True, slots=True)
class ThermometerModel:
    """A thermometer, on a pipe or in the air.

    Attributes:
        low_k: Lower end of its range.
        high_k: Upper end of its range.
        ambient_share: How much of the air's temperature a clamp mixes in.
        lag_s: Its time constant.
        fallen_from_s: From here on it hangs in the air, or None.
        blemishes: Noise, resolution, dropouts, battery.
    """

    low_k: float = 233.15
    high_k: float = 398.15
    ambient_share: float = 0.05
    lag_s: float = 10.0
    fallen_from_s: float | None = None
    blemishes: Blemishes = Blemishes()


@dataclass(frozen=True, slots=True)
class Truth:
    """What a probe may see of the plant at one moment, in SI."""

    t_s: float
    pressure_pa: float
    barometer_pa: float
    pipe_k: float
    ambient_k: float


class _Blemished:
    """The random state that noise, drift, silences and a battery need."""

    def __init__(self, blemishes: Blemishes, rng: np.random.Generator) -> None:
        self._b = blemishes
        self._rng = rng
        self._slow = 0.0
        self._drift = 0.0
        self._silent_until_s = -1.0
        self._last: float | None = None
        self._last_s: float | None = None

    def battery_percent(self, t_s: float) -> float:
        """Charge left, 0 to 100."""
        b = self._b
        return min(100.0, max(0.0, b.battery_percent - b.battery_percent_per_h * t_s / 3600.0))

    def spoil(self, true_value: float, t_s: float, low: float, high: float) -> float | None:
        """Return what the device says of a true value, or None when it says nothing."""
        b = self._b
        elapsed = b.interval_s if self._last_s is None else max(0.0, t_s - self._last_s)
        self._last_s = t_s
        value = true_value * b.scale + b.offset + self._noise(true_value, elapsed)
        if b.shift_at_s is not None and t_s >= b.shift_at_s:
            value += b.shift
        if b.resolution > 0.0:
            value = round(value / b.resolution) * b.resolution
        value = min(high, max(low, value))
        if b.stuck_from_s is not None and t_s >= b.stuck_from_s and self._last is not None:
            value = self._last
        self._last = value
        if self.battery_percent(t_s) <= 0.0 or self._silent(t_s, elapsed):
            return None
        return value

    def _noise(self, true_value: float, elapsed: float) -> float:
        b = self._b
        total = 0.0
        white = math.hypot(b.noise, b.noise_share * true_value)
        if white > 0.0:
            total += white * float(self._rng.standard_normal())
        if b.slow_noise > 0.0:
            keep = math.exp(-elapsed / b.slow_noise_s)
            kick = b.slow_noise * math.sqrt(1.0 - keep * keep)
            self._slow = keep * self._slow + kick * float(self._rng.standard_normal())
            total += self._slow
        if b.drift_per_h > 0.0:
            kick = b.drift_per_h * math.sqrt(elapsed / 3600.0)
            self._drift += kick * float(self._rng.standard_normal())
            total += self._drift
        return total

    def _silent(self, t_s: float, elapsed: float) -> bool:
        b = self._b
        if b.silences_per_h > 0.0 and t_s >= self._silent_until_s:
            starts = float(self._rng.random()) < b.silences_per_h * elapsed / 3600.0
            if starts:
                self._silent_until_s = t_s + float(self._rng.exponential(b.dropout_s))
        if t_s < self._silent_until_s:
            return True
        return b.dropout > 0.0 and float(self._rng.random()) < b.dropout


class Gauge(_Blemished):
    """A running pressure gauge."""

    def __init__(self, model: GaugeModel, rng: np.random.Generator) -> None:
        """Start with its body at the shop's temperature."""
        super().__init__(model.blemishes, rng)
        self.model = model
        self._body_k: float | None = None
        self._body_s = 0.0

    def read(self, truth: Truth) -> float | None:
        """Return what it says, Pa in its own reference, or None."""
        return self._read(truth.pressure_pa, truth)

    def _read(self, absolute_pa: float, truth: Truth) -> float | None:
        m = self.model
        if self._body_k is None:
            self._body_k = truth.ambient_k
        share = 1.0 - math.exp(-(truth.t_s - self._body_s) / m.body_s)
        self._body_k += share * (truth.ambient_k - self._body_k)
        self._body_s = truth.t_s
        value = absolute_pa
        if m.reference == "vented":
            value -= truth.barometer_pa
        elif m.reference == "sealed":
            value -= m.sealed_pa
        warmth = self._body_k - m.calibrated_k
        value += m.tempco_share_of_span_per_k * (m.high_pa - m.low_pa) * warmth
        return self.spoil(value, truth.t_s, m.low_pa, m.high_pa)


class Barometer(Gauge):
    """An absolute gauge that hangs in the shop."""

    def read(self, truth: Truth) -> float | None:
        """Return what it says of the shop's air, Pa absolute, or None."""
        return self._read(truth.barometer_pa, truth)


class PipeClamp(_Blemished):
    """A thermometer clamped to the pipe."""

    def __init__(self, model: ThermometerModel, rng: np.random.Generator) -> None:
        """Start at the temperature of the first reading."""
        super().__init__(model.blemishes, rng)
        self.model = model
        self._sensor_k: float | None = None
        self._sensor_s = 0.0

    def read(self, truth: Truth) -> float | None:
        """Return what it says, K, or None."""
        m = self.model
        share = m.ambient_share
        if m.fallen_from_s is not None and truth.t_s >= m.fallen_from_s:
            share = 1.0
        return self._read(truth.pipe_k + share * (truth.ambient_k - truth.pipe_k), truth)

    def _read(self, place_k: float, truth: Truth) -> float | None:
        m = self.model
        if self._sensor_k is None:
            self._sensor_k = place_k
        elapsed = truth.t_s - self._sensor_s
        follow = 1.0 - math.exp(-elapsed / m.lag_s) if m.lag_s > 0.0 else 1.0
        self._sensor_k += follow * (place_k - self._sensor_k)
        self._sensor_s = truth.t_s
        return self.spoil(self._sensor_k, truth.t_s, m.low_k, m.high_k)


class AirThermometer(PipeClamp):
    """A thermometer that hangs in the shop."""

    def read(self, truth: Truth) -> float | None:
        """Return what it says of the shop's air, K, or None."""
        return self._read(truth.ambient_k, truth)
