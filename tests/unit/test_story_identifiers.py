"""Vehicles by their names: VIN check digits, lookups, units and what they refuse."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwatch_procedures.vehicles.validation import VehicleError, load_row
from holdwatch_procedures.vehicles.vehicle import (
    Vehicle,
    VinCheck,
    check_vin,
    find_unit,
    normalise,
    vin_check_digit,
    volume_classes,
)

# Worked example printed with all its products (sum 351, remainder 10, X) in an open textbook on
# vehicle numbers and in three public calculators; the standard itself was not read.
WORKED = "1M8GDM9AXKP042788"
LETTERS = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"


def unit(**given: object) -> Vehicle:
    row = {"fleet_number": "BM-01", "refrigerant": "r134a", **given}
    return load_row(Vehicle, row, where="unit")


def test_the_worked_example_gets_its_x() -> None:
    assert vin_check_digit(WORKED) == "X"
    assert check_vin(WORKED) == (WORKED, VinCheck.MATCHES)


def test_seventeen_ones_check_to_one() -> None:
    # Printed beside the worked example as the number to try by hand: the weights add up to 89.
    assert 89 % 11 == 1
    assert check_vin("1" * 17)[1] is VinCheck.MATCHES


@settings(deadline=None)
@given(
    st.text(LETTERS, min_size=17, max_size=17), st.integers(0, 16), st.sampled_from("0123456789")
)
def test_a_misread_digit_is_always_found(vin: str, at: int, digit: str) -> None:
    """Weights share no factor with 11, so one changed digit changes the remainder."""
    right = "1" + vin[1:8] + "0" + vin[9:]
    right = right[:8] + vin_check_digit(right) + right[9:]
    wrong = right[:at] + digit + right[at + 1 :]
    if at in (0, 8) or not right[at].isdigit() or wrong == right:
        return
    with pytest.raises(VehicleError, match="misread"):
        check_vin(wrong)


def test_outside_north_america_position_nine_is_no_evidence() -> None:
    foreign = "W" + WORKED[1:8] + "Z" + WORKED[9:]
    assert check_vin(foreign)[1] is VinCheck.NOT_USED


@pytest.mark.parametrize(
    ("vin", "says"),
    [("1M8GDM9AXKP04278", "16 characters"), ("1M8GDM9AXKPO42788", "holds O"), ("", "0 characters")],
)
def test_an_impossible_vin_says_what_is_wrong(vin: str, says: str) -> None:
    with pytest.raises(VehicleError, match=says):
        check_vin(vin)


def test_a_unit_answers_to_any_of_its_names() -> None:
    van = unit(plate="LIB 204", vin="1m8gdm9a-xkp-042788")
    other = unit(fleet_number="BM-02")
    for word in ("bm01", "BM 01", "lib204", WORKED.lower()):
        assert find_unit([other, van], word) is van
    assert find_unit([other, van], "BM-03") is None
    with pytest.raises(VehicleError, match="names 2 units"):
        find_unit([van, unit(plate="other")], "BM-01")


def test_a_unit_reads_back_from_its_own_json() -> None:
    van = unit(
        vin=WORKED,
        oil={"kind": "PAG", "grade": "46", "amount_ml": 150},
        evaporators=2,
        nameplate_charge_g=900,
        volume=volume_classes().volume("van-two-evaporators").model_dump(),
    )
    assert load_row(Vehicle, van.model_dump(mode="json"), where="again") == van
    assert van.law_g_per_year == 60.0  # Directive 2006/40/EC, two evaporators
    assert not van.is_flammable
    assert unit(refrigerant="R1234yf").is_flammable


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ({"fleet_number": "", "plate": " - "}, "at least one of `fleet_number`"),
        ({"refrigerant": "R999"}, "unknown refrigerant"),
        ({"evaporators": 3}, "`evaporators`"),
        ({"vin": "1M8GDM9A1KP042788"}, "check digit"),
        ({"colour": "red"}, "unknown key `colour`"),
        ({"nameplate_charge_g": -1}, "nameplate_charge_g"),
        ({"max_pressure_kpa_g": float("nan")}, "max_pressure_kpa_g"),
    ],
)
def test_a_wrong_unit_is_refused_by_its_key(wrong: dict[str, object], says: str) -> None:
    with pytest.raises(VehicleError, match=says):
        unit(**wrong)


def test_a_class_says_that_it_is_one_and_how_unsure() -> None:
    table = volume_classes()
    volume = table.volume("van-one-evaporator")
    assert volume.how == "class"
    assert volume.relative_u >= 0.1
    assert "no source" in volume.source
    with pytest.raises(VehicleError, match="write one of"):
        table.volume("tram")
    with pytest.raises(VehicleError, match="not TOML"):
        volume_classes("[[class")


def test_identifiers_compare_without_dashes_and_case() -> None:
    assert normalise(" bm-0 1.") == "BM01"
