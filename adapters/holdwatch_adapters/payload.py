"""What every decoder of wireless payloads gives back, and how it refuses."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

Kind = Literal["pressure", "temperature", "battery"]
"""The quantities that holdwatch reads off the air."""

PRESSURE_MAX_PA: Final = 5.0e7
"""Above 500 bar no probe of this trade speaks the truth: full nitrogen cylinders hold 200 to
300 bar (common practice, no source). A device whose sensor is gone often sends all ones."""


class PayloadError(ValueError):
    """A payload is not what its format says; the message is one sentence for a person."""


class EncryptedError(PayloadError):
    """A payload is encrypted and no key is known for its sender."""


@dataclass(frozen=True, slots=True)
class Decoded:
    """One value out of a payload.

    Attributes:
        kind: What it measures. Whether a pressure is absolute or gauge is not on the air:
            the probe's declaration says it.
        value_si: Pa, K, or percent of charge for ``battery``.
    """

    kind: Kind
    value_si: float


def checked(kind: Kind, value_si: float) -> Decoded:
    """Return the value, or refuse what cannot exist.

    Raises:
        PayloadError: The value is below absolute zero, above ``PRESSURE_MAX_PA``, or a charge
            above 100 percent.
    """
    if kind == "temperature" and value_si < 0.0:
        raise PayloadError(f"a temperature of {value_si - 273.15:g} °C is below absolute zero")
    if kind == "pressure" and not 0.0 <= value_si <= PRESSURE_MAX_PA:
        raise PayloadError(
            f"a pressure of {value_si:g} Pa is outside 0 to {PRESSURE_MAX_PA:g} Pa: "
            "is the probe's sensor broken or unplugged?"
        )
    if kind == "battery" and not 0.0 <= value_si <= 100.0:
        raise PayloadError(f"a battery charge of {value_si:g} % is outside 0 to 100 %")
    return Decoded(kind, value_si)
