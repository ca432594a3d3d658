"""Units convert exactly, refuse what is ambiguous, and read well."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from holdwatch_physics.reading import SI_UNIT, Quantity
from holdwatch_physics.units import (
    UnitError,
    absolute_pa,
    gauge_pa,
    parse_unit,
    show,
)

if TYPE_CHECKING:
    from collections.abc import Callable

STEMS = ("Pa", "kPa", "bar", "mbar", "psi", "inHg", "mmHg", "Torr", "micron")
WORDS = [stem + kind for stem in STEMS for kind in "ga"] + ["Pa", "Torr", "micron"]
WORDS += ["degC", "degF", "K"]
values = st.floats(-1e9, 1e9)

# NIST SP 811, appendix B.8 (rows read second-hand), to the digits printed there.
SP811 = [
    ("psia", 6.894757e3),
    ("bara", 1e5),
    ("mbara", 1e2),
    ("Torr", 1.333224e2),
    ("mmHga", 1.333224e2),
    ("inHga", 3.386389e3),
]


@pytest.mark.parametrize(("word", "pascal"), SP811)
def test_pressure_units_are_those_of_sp811(word: str, pascal: float) -> None:
    assert float(f"{parse_unit(word).to_si(1.0):.6e}") == pascal


def test_exact_definitions() -> None:
    # Arithmetic from defining constants: pound, inch, standard gravity, atmosphere.
    assert parse_unit("psia").factor == pytest.approx(6894.757293168, rel=1e-12)
    assert parse_unit("Torr").factor == 101325.0 / 760.0
    assert parse_unit("inHga").factor == pytest.approx(25.4 * 133.322387415, rel=1e-12)
    ratio = parse_unit("mmHga").factor / parse_unit("Torr").factor
    assert ratio - 1.0 == pytest.approx(1.4247e-7, abs=1e-10)


def test_microns_of_a_vacuum_hold() -> None:
    # Micron as a thousandth of a torr: common practice, no source; the values are arithmetic.
    micron = parse_unit("micron")
    assert micron.to_si(500.0) == pytest.approx(66.6612, abs=1e-4)
    assert micron.to_si(1500.0) == pytest.approx(199.9836, abs=1e-4)
    assert micron.from_si(270.0) == pytest.approx(2025.17, abs=0.01)


def test_the_standard_atmosphere_in_other_units() -> None:
    assert parse_unit("inHga").from_si(101325.0) == pytest.approx(29.92126, abs=1e-5)
    assert parse_unit("psia").from_si(101325.0) == pytest.approx(14.695949, abs=1e-6)


def test_temperatures() -> None:
    # Fixed by definition: 0 °C = 32 °F = 273.15 K, −40 °C = −40 °F.
    assert parse_unit("degC").to_si(0.0) == 273.15
    assert parse_unit("degF").to_si(32.0) == pytest.approx(273.15, abs=1e-12)
    assert parse_unit("degF").from_si(233.15) == pytest.approx(-40.0, abs=1e-11)
    assert parse_unit("degF").delta_to_si(9.0) == pytest.approx(5.0, abs=1e-12)


@given(st.sampled_from(WORDS), values)
def test_conversion_there_and_back(word: str, x: float) -> None:
    unit = parse_unit(word)
    assert unit.from_si(unit.to_si(x)) == pytest.approx(x, rel=1e-12, abs=1e-9)
    assert unit.delta_from_si(unit.delta_to_si(x)) == pytest.approx(x, rel=1e-12)


@given(st.sampled_from(WORDS), values, values)
def test_a_difference_is_the_difference_of_two_values(word: str, a: float, b: float) -> None:
    unit = parse_unit(word)
    apart = unit.to_si(a) - unit.to_si(b)
    scale = abs(unit.to_si(a)) + abs(unit.to_si(b)) + 1.0
    assert unit.delta_to_si(a - b) == pytest.approx(apart, abs=1e-12 * scale)


@given(st.sampled_from(sorted(SI_UNIT.values())), st.floats(allow_nan=False))
@example("Pag", -0.0)
def test_si_words_change_no_bit(word: str, x: float) -> None:
    unit = parse_unit(word)
    assert repr(unit.to_si(x)) == repr(x)
    assert repr(unit.from_si(x)) == repr(x)


@pytest.mark.parametrize("quantity", list(Quantity))
def test_the_store_s_own_unit_words_parse_to_their_quantity(quantity: Quantity) -> None:
    assert parse_unit(SI_UNIT[quantity]).quantity is quantity


def test_gauge_and_absolute_by_letter() -> None:
    for stem in STEMS:
        assert parse_unit(stem + "g").quantity is Quantity.PRESSURE_GAUGE
        assert parse_unit(stem + "a").quantity is Quantity.PRESSURE_ABSOLUTE
    for bare in ("Pa", "Torr", "micron"):
        assert parse_unit(bare).quantity is Quantity.PRESSURE_ABSOLUTE


@pytest.mark.parametrize("bare", ["kPa", "bar", "mbar", "psi", "inHg", "mmHg"])
def test_other_bare_pressures_are_refused_with_the_mend(bare: str) -> None:
    with pytest.raises(UnitError, match=f"write {bare}g or {bare}a"):
        parse_unit(bare)


@pytest.mark.parametrize(
    ("word", "mend"),
    [("KPAG", "write kPag"), ("torr", "write Torr"), ("°C", "degC"), ("MPag", "kPa"), ("", "degC")],
)
def test_unknown_words_name_what_to_write(word: str, mend: str) -> None:
    with pytest.raises(UnitError, match=mend):
        parse_unit(word)


def test_gauge_plus_barometer() -> None:
    # A gauge at −5 kPa up a mountain of 79.5 kPa stands at 74.5 kPa, not at 96.3.
    p = absolute_pa(-5000.0, Quantity.PRESSURE_GAUGE, 79500.0)
    assert p == 74500.0
    assert gauge_pa(p, Quantity.PRESSURE_ABSOLUTE, 79500.0) == -5000.0


@pytest.mark.parametrize(
    ("measured", "convert"),
    [(Quantity.PRESSURE_GAUGE, gauge_pa), (Quantity.PRESSURE_ABSOLUTE, absolute_pa)],
)
def test_a_pressure_measured_as_it_is_wanted_stays_as_it_is(
    measured: Quantity, convert: Callable[[float, Quantity, float], float]
) -> None:
    assert convert(1234.5, measured, 101325.0) == 1234.5


def test_a_reading_below_zero_absolute_is_not_clipped() -> None:
    assert absolute_pa(-101345.0, Quantity.PRESSURE_GAUGE, 101325.0) == -20.0


@pytest.mark.parametrize(
    ("si", "word", "u", "shown"),
    [
        (1_500_000.0, "kPag", None, ("1500.0", "kPa (gauge)")),
        (101_325.0, "kPaa", None, ("101.3", "kPa (absolute)")),
        (66.6612, "micron", None, ("500", "micron")),
        (296.2, "degC", None, ("23.1", "°C")),
        (255.372, "degF", None, ("0.0", "°F")),
        (268.15, "degC", None, ("−5.0", "°C")),
        (1_234_567.0, "kPag", 25_000.0, ("1230", "kPa (gauge)")),
        (1_234_567.0, "kPag", 15.0, ("1234.567", "kPa (gauge)")),
        (1_234_567.0, "kPag", 0.0, ("1234.6", "kPa (gauge)")),
        (math.nan, "K", None, ("—", "K")),
        (293.15, "K", 0.04, ("293.15", "K")),
    ],
)
def test_shown_values(si: float, word: str, u: float | None, shown: tuple[str, str]) -> None:
    assert show(si, parse_unit(word), u) == shown


@given(st.sampled_from(WORDS), st.floats(-1e7, 1e7), st.floats(1e-3, 1e6))
def test_what_is_shown_lies_within_the_uncertainty(word: str, si: float, u: float) -> None:
    unit = parse_unit(word)
    text, _ = show(si, unit, u)
    back = float(text.replace("−", "-"))
    assert abs(back - unit.from_si(si)) <= 0.5 * unit.delta_from_si(u) + 1e-6
