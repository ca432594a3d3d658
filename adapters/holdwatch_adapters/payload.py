"""What every decoder of payloads gives back, and how it refuses."""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple, Protocol

from holdwatch_physics.reading import Quantity

Kind = Literal["pressure", "temperature", "battery"]
"""The quantities that holdwatch reads off a device."""

PRESSURE_MAX_PA: Final = 5.0e7
"""Above 500 bar no probe of this trade speaks the truth: full nitrogen cylinders hold 200 to
300 bar (common practice, no source). A device whose sensor is gone often sends all ones."""
GAUGE_MIN_PA: Final = -1.2e5
"""A gauge on a full vacuum reads the room's pressure below zero; no room has more than this."""
ABSOLUTE_MIN_PA: Final = -5.0e3
"""An absolute gauge near its zero may read a little below it, by its own error."""
TEMPERATURE_MAX_K: Final = 5.0e3
"""Hotter than any flame (rule of ours): only a broken payload says so."""


class PayloadError(ValueError):
    """A payload is not what its format says; the message is one sentence for a person."""


class EncryptedError(PayloadError):
    """A payload is encrypted and no key is known for its sender."""


class RefusedError(PayloadError):
    """A payload reads well but its sender is not believed: wrong key, replay, impostor."""


class Decoded(NamedTuple):
    """One value out of a payload.

    Attributes:
        kind: What it measures. Whether a pressure is absolute or gauge is not on the air:
            the probe's declaration says it.
        value_si: Pa, K, or percent of charge for ``battery``.
    """

    kind: Kind
    value_si: float


class Reader(Protocol):
    """Reads the values of one characteristic."""

    @property
    def kind(self) -> Kind:
        """What the characteristic measures."""
        ...

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value, or None where the device says that it is not known.

        Raises:
            PayloadError: The payload is not what it should be, or its value cannot exist.
        """
        ...


def checked(kind: Kind, value_si: float) -> Decoded:
    """Return the value, or refuse what cannot exist.

    Raises:
        PayloadError: The value is below absolute zero, outside ``GAUGE_MIN_PA`` to
            ``PRESSURE_MAX_PA``, not finite, or a charge above 100 percent.
    """
    _check(kind, value_si)
    return Decoded(kind, value_si)


def _check(kind: Kind, value_si: float) -> None:
    if not math.isfinite(value_si):
        raise PayloadError(f"a {kind} of {value_si} is not a number")
    if kind == "temperature" and not 0.0 <= value_si <= TEMPERATURE_MAX_K:
        side = "below absolute zero" if value_si < 0.0 else "hotter than any flame"
        raise PayloadError(f"a temperature of {value_si - 273.15:g} °C is {side}")
    if kind == "pressure" and not GAUGE_MIN_PA <= value_si <= PRESSURE_MAX_PA:
        raise PayloadError(
            f"a pressure of {value_si:g} Pa is outside {GAUGE_MIN_PA:g} to {PRESSURE_MAX_PA:g} "
            "Pa: is the probe's sensor broken or unplugged?"
        )
    if kind == "battery" and not 0.0 <= value_si <= 100.0:
        raise PayloadError(f"a battery charge of {value_si:g} % is outside 0 to 100 %")


def check_quantity(quantity: Quantity, value_si: float) -> None:
    """Refuse a value that its quantity cannot have.

    Raises:
        PayloadError: See ``checked``; also an absolute pressure below ``ABSOLUTE_MIN_PA``.
    """
    if quantity is Quantity.TEMPERATURE:
        _check("temperature", value_si)
        return
    _check("pressure", value_si)
    if quantity is Quantity.PRESSURE_ABSOLUTE and value_si < ABSOLUTE_MIN_PA:
        raise PayloadError(
            f"an absolute pressure of {value_si:g} Pa is below zero: does the probe measure "
            "gauge pressure? Then its pressure_reference is vented or sealed"
        )
