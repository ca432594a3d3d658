"""Superheat and subcooling: signs, blends, impossible temperatures."""

from __future__ import annotations

import math

import pytest

from holdwatch_physics.fluids import Fluids
from holdwatch_physics.refrigeration import LineTemperatureError, subcooling_k, superheat_k


def test_superheat_of_r134a_from_a_printed_pressure() -> None:
    # Mechanical Engineers' Handbook vol. 4, table 14: R-134a boils at −10.18 °C at 2 bar.
    dew = Fluids.load().saturation_temperature_k("R134a", 2e5)[1]
    assert superheat_k(line_k=273.15 - 4.18, dew_k=dew) == pytest.approx(6.0, abs=0.15)


def test_a_gliding_blend_uses_dew_for_superheat_and_bubble_for_subcooling() -> None:
    # R-407C glides by 5 to 7 K: the wrong end of it would look like flooding or flash gas.
    bubble, dew = Fluids.load().saturation_temperature_k("R407C", 6e5)
    assert 5.0 < dew - bubble < 7.0
    assert superheat_k(line_k=dew + 3.0, dew_k=dew) == pytest.approx(3.0)
    assert subcooling_k(bubble_k=bubble, line_k=bubble - 3.0) == pytest.approx(3.0)


def test_an_impossible_sign_is_shown_not_hidden() -> None:
    assert superheat_k(line_k=270.0, dew_k=272.0) == -2.0
    assert subcooling_k(bubble_k=310.0, line_k=312.0) == -2.0


@pytest.mark.parametrize("t_k", [0.0, -3.0, math.nan, math.inf])
def test_impossible_temperatures_are_refused_by_name(t_k: float) -> None:
    with pytest.raises(LineTemperatureError, match="line temperature"):
        superheat_k(t_k, 280.0)
    with pytest.raises(LineTemperatureError, match="bubble temperature"):
        subcooling_k(t_k, 280.0)
