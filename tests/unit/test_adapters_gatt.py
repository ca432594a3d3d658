"""GATT payloads against values worked out from the Bluetooth SIG's formats.

Pressure (0x2A6D), Temperature (0x2A6E) and Battery Level (0x2A19): Bluetooth SIG, GATT
Specification Supplement; raw × M × 10^d × 2^b by hand.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_adapters.bluetooth import gatt
from holdwatch_adapters.bluetooth.gatt import BATTERY_LEVEL, PRESSURE, TEMPERATURE, decode
from holdwatch_adapters.decoding import PRESSURE_MAX_PA, Decoded, PayloadError


@pytest.mark.parametrize(
    ("uuid", "payload", "kind", "value_si"),
    [
        (PRESSURE, "02760f00", "pressure", 101_325.0),
        (PRESSURE, "9b020000", "pressure", 66.7),
        (PRESSURE, "80969800", "pressure", 1_000_000.0),
        (PRESSURE, "00000000", "pressure", 0.0),
        (TEMPERATURE, "18fc", "temperature", 263.15),
        (TEMPERATURE, "5908", "temperature", 294.52),
        (TEMPERATURE, "0180", None, None),  # -327.67 °C
        (TEMPERATURE, "4d95", "temperature", 0.0),  # -273.15 °C
        (TEMPERATURE, "ff7f", "temperature", 600.82),
        (BATTERY_LEVEL, "64", "battery", 100.0),
        (BATTERY_LEVEL, "00", "battery", 0.0),
    ],
)
def test_known_bytes_give_known_values(
    uuid: str, payload: str, kind: str | None, value_si: float | None
) -> None:
    if kind is None:
        with pytest.raises(PayloadError, match="below absolute zero"):
            decode(uuid, bytes.fromhex(payload))
        return
    decoded = decode(uuid, bytes.fromhex(payload))
    assert decoded is not None
    assert (decoded.kind, decoded.value_si) == (kind, value_si)


def test_a_temperature_of_all_ones_but_one_is_not_known() -> None:
    assert decode(TEMPERATURE, bytes.fromhex("0080")) is None


def test_upper_case_identifiers_mean_the_same() -> None:
    assert decode(PRESSURE.upper(), bytes.fromhex("02760f00")) == Decoded("pressure", 101_325.0)


@pytest.mark.parametrize(
    ("uuid", "payload", "words"),
    [
        (PRESSURE, "", "4 bytes, not 0"),
        (PRESSURE, "02760f", "4 bytes, not 3"),
        (PRESSURE, "02760f0000", "4 bytes, not 5"),
        (PRESSURE, "ffffffff", "broken or unplugged"),
        (TEMPERATURE, "59", "2 bytes, not 1"),
        (BATTERY_LEVEL, "65", "101 %"),
        (BATTERY_LEVEL, "ff", "255 %"),
        (gatt.full_uuid(0x2A6F), "0000", "not one that holdwatch reads"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(uuid: str, payload: str, words: str) -> None:
    with pytest.raises(PayloadError, match=words) as refused:
        decode(uuid, bytes.fromhex(payload))
    assert "\n" not in str(refused.value)


@given(st.sampled_from([PRESSURE, TEMPERATURE, BATTERY_LEVEL]), st.binary(max_size=8))
def test_no_payload_crashes_or_yields_what_cannot_be(uuid: str, payload: bytes) -> None:
    try:
        decoded = decode(uuid, payload)
    except PayloadError:
        return
    if decoded is None:
        assert (uuid, payload) == (TEMPERATURE, b"\x00\x80")
        return
    limits = {"pressure": PRESSURE_MAX_PA, "temperature": 601.0, "battery": 100.0}
    assert 0.0 <= decoded.value_si <= limits[decoded.kind]


@given(st.integers(0, int(PRESSURE_MAX_PA * 10)))
def test_pressure_is_the_nearest_double_to_tenths_of_a_pascal(raw: int) -> None:
    decoded = decode(PRESSURE, raw.to_bytes(4, "little"))
    assert decoded is not None
    assert decoded.value_si == float(f"{raw}e-1")
