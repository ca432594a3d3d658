"""The standard atmosphere against the printed tables."""

from __future__ import annotations

import math

import pytest

from holdwatch_physics.atmosphere import AltitudeError, standard_pressure


# ISO 2533 / U.S. Standard Atmosphere 1976, geopotential altitude (formula values).
@pytest.mark.parametrize(
    ("altitude_m", "pascal"),
    [
        (-500.0, 107477.5),
        (0.0, 101325.0),
        (500.0, 95460.8),
        (1000.0, 89874.6),
        (1500.0, 84556.0),
        (2000.0, 79495.2),
        (3000.0, 70108.5),
        (11000.0, 22632.06),
    ],
)
def test_standard_pressure(altitude_m: float, pascal: float) -> None:
    assert standard_pressure(altitude_m) == pytest.approx(pascal, abs=0.5)


@pytest.mark.parametrize("altitude_m", [-2001.0, 11001.0, math.nan])
def test_outside_the_layer_is_refused_with_the_range(altitude_m: float) -> None:
    with pytest.raises(AltitudeError, match="-2000 to 11000 m"):
        standard_pressure(altitude_m)
