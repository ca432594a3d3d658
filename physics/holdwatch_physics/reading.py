"""Defines readings: channel, quality, quantity, what can be one, calibration, roles in a bay."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import Final, NamedTuple

__all__ = [
    "POSSIBLE",
    "SI_UNIT",
    "Calibration",
    "Channel",
    "ProbeNotice",
    "Quality",
    "Quantity",
    "Reading",
    "Role",
    "impossible",
    "role_of",
]


class Quality(StrEnum):
    """How far a reading may be believed; only ``GOOD`` readings can earn a pass."""

    GOOD = "good"
    SUSPECT = "suspect"  # stuck, noisy, late or out of step with its neighbours
    SATURATED = "saturated"  # at the end of the device's range
    STALE = "stale"  # older than the device's own interval allows


class Quantity(StrEnum):
    """What a value measures; gauge and absolute pressure are different quantities."""

    PRESSURE_GAUGE = "pressure_gauge"  # Pa above the surrounding air
    PRESSURE_ABSOLUTE = "pressure_absolute"  # Pa
    TEMPERATURE = "temperature"  # K


SI_UNIT: dict[Quantity, str] = {
    Quantity.PRESSURE_GAUGE: "Pag",
    Quantity.PRESSURE_ABSOLUTE: "Paa",
    Quantity.TEMPERATURE: "K",
}
"""The unit word that a trace and the store carry for each quantity."""


class Role(StrEnum):
    """What a channel means in a bay."""

    LOW_SIDE = "low_side"
    HIGH_SIDE = "high_side"
    VACUUM = "vacuum"
    PIPE_TEMPERATURE = "pipe_temperature"
    AMBIENT_TEMPERATURE = "ambient_temperature"
    BAROMETER = "barometer"

    @property
    def is_pressure(self) -> bool:
        """Whether channels of this role measure pressure."""
        return self not in {Role.PIPE_TEMPERATURE, Role.AMBIENT_TEMPERATURE}


@lru_cache(maxsize=1024)  # asked of every reading, of a handful of names
def role_of(name: str) -> Role | None:
    """Return the role that a channel name states, or None where the name is free.

    ``pipe_temperature.2`` is the second place of ``pipe_temperature``.

    >>> role_of("pipe_temperature.2")
    <Role.PIPE_TEMPERATURE: 'pipe_temperature'>
    >>> role_of("my gauge") is None
    True
    """
    head, dot, place = name.partition(".")
    if dot and not place.isdigit():
        return None
    try:
        return Role(head)
    except ValueError:
        return None


class Channel(NamedTuple):
    """One quantity of one probe: what a reading is of.

    Its text ``<probe>/<quantity>`` is what a reading carries and what configuration, store and
    messages say.

    Attributes:
        probe: The probe's name.
        quantity: ``pressure``, ``temperature``, or a further one, ``pressure.2``; empty where a
            text names no more than a probe.

    >>> Channel.parse("clamp-2/temperature.2")
    Channel(probe='clamp-2', quantity='temperature.2')
    >>> str(Channel("gauge-1", "pressure"))
    'gauge-1/pressure'
    """

    probe: str
    quantity: str

    @staticmethod
    @lru_cache(maxsize=4096)  # asked of many readings, of a shop's few channels
    def parse(text: str) -> Channel:
        """Return the channel that a text names."""
        probe, _, quantity = text.partition("/")
        return Channel(probe, quantity)

    @property
    def kind(self) -> str:
        """The quantity without its place: ``temperature`` of ``temperature.2``."""
        return self.quantity.partition(".")[0]

    def __str__(self) -> str:
        return f"{self.probe}/{self.quantity}" if self.quantity else self.probe


class Reading(NamedTuple):
    """One value of one channel, in SI, with both of its times.

    A tuple, because making one is a third of the work that a frozen data class is, and every
    value that comes in makes one.

    Attributes:
        channel: ``<probe>/<quantity name>``, for example ``BM-bay1-gauge/pressure``.
        quantity: What the value measures.
        utc_ns: Wall-clock time, nanoseconds since 1970 UTC; for people.
        mono_ns: Monotonic time, nanoseconds from an arbitrary origin; for durations.
        value: Pa for either kind of pressure, K for temperature.
        quality: How far the value may be believed.
    """

    channel: str
    quantity: Quantity
    utc_ns: int
    mono_ns: int
    value: float
    quality: Quality = Quality.GOOD


@dataclass(frozen=True, slots=True)
class Calibration:
    """The line from what a device says to what is recorded: value = said · scale + add.

    Attributes:
        scale: Without a unit.
        add: Pa or K.
    """

    scale: float = 1.0
    add: float = 0.0

    def apply(self, said: float) -> float:
        """Return the recorded value of what the device said, both in Pa or K."""
        return said * self.scale + self.add

    def undo(self, value: float) -> float:
        """Return what the device said for a recorded value, both in Pa or K."""
        return (value - self.add) / self.scale


@dataclass(frozen=True, slots=True)
class ProbeNotice:
    """What a probe or its link says of itself, beside its readings.

    Attributes:
        probe: The probe's name.
        kind: ``connected``, ``lost``, ``battery``, ``signal``, ``malformed`` or ``refused``.
        utc_ns: Wall-clock time, nanoseconds since 1970 UTC.
        mono_ns: Monotonic time, nanoseconds.
        detail: One sentence for a person; empty where the kind says it all.
        value: Percent for ``battery``, dBm for ``signal``; otherwise None.
    """

    probe: str
    kind: str
    utc_ns: int
    mono_ns: int
    detail: str = ""
    value: float | None = None


POSSIBLE: Final[dict[Quantity, tuple[float, float]]] = {
    Quantity.TEMPERATURE: (150.0, 500.0),
    # An absolute gauge near its zero may read a little below it, and a gauge in a full vacuum
    # stands one atmosphere below the room.
    Quantity.PRESSURE_ABSOLUTE: (-5_000.0, 5.0e7),
    Quantity.PRESSURE_GAUGE: (-1.2e5, 5.0e7),
}
"""Lowest and highest value, SI: −123 to 227 °C, and up to 500 bar; wide of any air conditioning:
full nitrogen cylinders hold 200 to 300 bar (common practice, no source)."""


def impossible(quantity: Quantity, value: float) -> str:
    """Return why a value cannot have been measured, or nothing where it can.

    >>> impossible(Quantity.TEMPERATURE, 294.0)
    ''
    >>> impossible(Quantity.TEMPERATURE, 5000.0)
    '5000 K is outside 150 to 500 K'
    """
    low, high = POSSIBLE[quantity]
    if math.isfinite(value) and low <= value <= high:
        return ""
    unit = SI_UNIT[quantity]
    return f"{value:g} {unit} is outside {low:g} to {high:g} {unit}"
