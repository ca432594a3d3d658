"""Numbers, self-descriptions, thermometer values and declared layouts against worked values.

Sources: the Bluetooth Core Specification (Vol 3 Part G, 3.3.3.5) for 0x2904; IEEE 11073-20601
for the decimal floats (0xFF00016C = 36.4 and SFLOAT 0x0072 = 114 are the published transcoding
examples, from memory; the others by hand); struct for the binary floats; bleak's own copy of
the Bluetooth SIG's list for the completeness of the units.
"""

from __future__ import annotations

import math
import struct
from fractions import Fraction
from typing import Any

import pytest
from bleak.uuids import uuid16_dict
from hypothesis import given
from hypothesis import strategies as st

from holdwatch_adapters.bluetooth.gatt import (
    UNITS,
    SelfDescribed,
    Thermometer,
    describe,
    notifies_by_time,
    sampling,
)
from holdwatch_adapters.bluetooth.settings import LayoutSettings
from holdwatch_adapters.decoding import (
    NUMBER_TYPES,
    NoNumberError,
    Order,
    PayloadError,
    plain_number,
)
from holdwatch_adapters.settings import DeclaredValue
from holdwatch_physics.reading import Quantity


@pytest.mark.parametrize(
    ("word", "data", "value"),
    [
        ("u8", "ff", 255),
        ("s8", "ea", -22),
        ("u12", "ff0f", 4095),
        ("u12", "fff1", 0x1FF),  # the bits above the twelfth are ignored
        ("s12", "000f", -256),
        ("u16", "5908", 2137),
        ("s16", "18fc", -1000),
        ("u24", "138a01", 100_883),
        ("s24", "ffffff", -1),
        ("u32", "02760f00", 1_013_250),
        ("s32", "99c6ffff", -14_695),
        ("u48", "010000000000", 1),
        ("s48", "000000000080", -(1 << 47)),
        ("u64", "0100000000000000", 1),
        ("s64", "ffffffffffffffff", -1),
        ("medfloat32", "6c0100ff", Fraction("36.4")),
        ("medfloat32", "100e00fe", 36),
        ("medfloat32", "70fdffff", Fraction("-65.6")),
        ("medfloat16", "7200", 114),
        ("medfloat16", "72f0", Fraction("11.4")),
        ("medfloat16", "d8f0", Fraction("21.6")),
    ],
)
def test_known_bytes_are_known_numbers(word: str, data: str, value: Fraction) -> None:
    assert NUMBER_TYPES[word].read(bytes.fromhex(data)) == value


@pytest.mark.parametrize(
    ("word", "data", "said"),
    [
        ("medfloat32", "ffff7f00", "NaN"),
        ("medfloat32", "00008000", "NRes"),
        ("medfloat32", "feff7f00", r"\+INF"),
        ("medfloat32", "02008000", "-INF"),
        ("medfloat32", "01008000", "reserved"),
        ("medfloat32", "ffff7fff", "NaN"),
        ("medfloat16", "ff07", "NaN"),
        ("medfloat16", "0008", "NRes"),
        ("medfloat16", "fe07", r"\+INF"),
        ("medfloat16", "0208", "-INF"),
        ("medfloat16", "0108", "reserved"),
        ("f32", "0000c07f", "nan"),
        ("f32", "000080ff", "-inf"),
        ("f64", "000000000000f07f", "inf"),
    ],
)
def test_words_for_no_number_are_no_numbers(word: str, data: str, said: str) -> None:
    with pytest.raises(NoNumberError, match=said):
        NUMBER_TYPES[word].read(bytes.fromhex(data))


@given(st.floats(width=32, allow_nan=False, allow_infinity=False), st.booleans())
def test_binary_floats_are_read_as_struct_packs_them(number: float, big: bool) -> None:
    order: Order = "big" if big else "little"
    mark = ">" if big else "<"
    assert float(NUMBER_TYPES["f32"].read(struct.pack(f"{mark}f", number), order)) == number
    assert float(NUMBER_TYPES["f64"].read(struct.pack(f"{mark}d", number), order)) == number


@given(st.sampled_from(sorted(NUMBER_TYPES)), st.binary(max_size=9))
def test_a_wrong_length_is_told(word: str, data: bytes) -> None:
    kind = NUMBER_TYPES[word]
    if len(data) != kind.length:
        with pytest.raises(PayloadError, match=f"has {kind.length} bytes, not {len(data)}"):
            kind.read(data)


def described(descriptor: str) -> SelfDescribed:
    found = describe(bytes.fromhex(descriptor))
    assert isinstance(found, SelfDescribed), found
    return found


@pytest.mark.parametrize(
    ("descriptor", "data", "kind", "value_si"),
    [
        ("08ff2427010000", "02760f00", "pressure", 101_325.0),
        ("0efe2f27010000", "5908", "temperature", 294.52),
        # -14.695 psi: NIST SP 811, 1 psi = 6894.757 Pa to seven digits
        ("10fda527010000", "99c6ffff", "pressure", -101_318.458),
        ("06ff8027010000", "6400", "pressure", 1_000_000.0),  # 10.0 bar
        ("06008127010000", "f802", "pressure", 101_325.014),  # 760 mmHg (conventional)
        ("06ffac27010000", "4008", "temperature", 372.705_556),  # 211.2 °F
        ("06fe0527010000", "2b73", "temperature", 294.83),
        ("14052427010000", "0080c547", "pressure", 101_120.0),  # a float takes no exponent
        ("16008027010000", "72f0", "pressure", 1_140_000.0),
        ("17002f27010000", "6c0100ff", "temperature", 309.55),
        ("0f012427010000", "138a01", "pressure", 1_008_830.0),
    ],
)
def test_a_characteristic_is_read_by_its_own_description(
    descriptor: str, data: str, kind: str, value_si: float
) -> None:
    decoded = described(descriptor).read(bytes.fromhex(data))
    assert decoded is not None
    assert decoded.kind == kind
    assert decoded.value_si == pytest.approx(value_si, rel=1e-8)


@pytest.mark.parametrize(
    ("descriptor", "words"),
    [
        ("08ff2427000000", "namespace 0"),
        ("08ff2427020000", "namespace 2"),
        ("0400ad27010000", "unit 0x27ad is none of pressure or temperature"),
        ("19002427010000", "format 0x19"),
        ("1b002427010000", "format 0x1b"),
        ("01002427010000", "format 0x01"),
        ("087f2427010000", "exponent 127"),
        ("08ff24270100", "6 bytes, not 7"),
        ("", "0 bytes, not 7"),
    ],
)
def test_a_description_that_cannot_be_followed_says_why(descriptor: str, words: str) -> None:
    found = describe(bytes.fromhex(descriptor))
    assert isinstance(found, str)
    assert words in found


@pytest.mark.parametrize(
    ("descriptor", "data"),
    [
        ("0efe2f27010000", "0080"),
        ("0efe2f27010000", "ff7f"),
        ("06ff8027010000", "ffff"),
        ("08ff2427010000", "ffffffff"),
    ],
)
def test_the_end_of_a_format_is_no_measurement(descriptor: str, data: str) -> None:
    assert described(descriptor).read(bytes.fromhex(data)) is None


def test_every_pressure_and_temperature_unit_of_the_sigs_list_is_known() -> None:
    listed = {
        code
        for code, name in uuid16_dict.items()
        if 0x2700 <= code < 0x2800
        and ("pressure (" in name or "temperature (" in name)
        and "sound" not in name
    }
    assert listed == set(UNITS)


@pytest.mark.parametrize(
    ("payload", "value_si"),
    [
        ("006c0100ff", 309.55),
        ("01cc0300ff", 309.372_222),  # 97.2 °F: (97.2 - 32) · 5/9 = 36.222 °C
        ("026c0100ffea070b19091e00", 309.55),
        ("046c0100ff02", 309.55),
        ("066c0100ffea070b19091e0002", 309.55),
        ("00ffff7f00", None),
        ("0000008000", None),
        ("01feff7f00", None),
    ],
)
def test_a_health_thermometer_is_read(payload: str, value_si: float | None) -> None:
    decoded = Thermometer().read(bytes.fromhex(payload))
    if value_si is None:
        assert decoded is None
        return
    assert decoded is not None
    assert decoded.value_si == pytest.approx(value_si, abs=1e-6)


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("", "5 bytes or more, not 0"),
        ("006c0100", "has 5 bytes, not 4"),
        ("026c0100ff", "has 12 bytes, not 5"),
        ("006c0100ff02", "has 5 bytes, not 6"),
        ("00ffffff7e", "million degrees"),
        ("0018fcff00", "below absolute zero"),
    ],
)
def test_a_thermometer_that_contradicts_itself_is_refused(payload: str, words: str) -> None:
    with pytest.raises(PayloadError, match=words):
        Thermometer().read(bytes.fromhex(payload))


def test_a_sensing_descriptor_tells_how_and_how_often() -> None:
    found = sampling(bytes.fromhex("0000010a00003c00000304"))
    assert found is not None
    assert (found.function, found.period_s, found.interval_s) == ("instantaneous", 10, 60)
    assert found.uncertainty_percent == 2.0
    assert found.is_present_value
    unstated = sampling(bytes.fromhex("00000000000000000000ff"))
    assert unstated is not None
    assert (unstated.period_s, unstated.interval_s) == (None, None)
    assert unstated.uncertainty_percent is None
    highest = sampling(bytes.fromhex("00000400000000000000ff"))
    assert highest is not None
    assert not highest.is_present_value
    assert sampling(b"") is None


@pytest.mark.parametrize(
    ("triggers", "configuration", "by_time"),
    [
        ([], "", True),
        (["01640000"], "", True),
        (["02640000"], "", True),
        (["03"], "", False),
        (["00"], "", False),
        (["03", "01640000"], "00", False),
        (["03", "01640000"], "01", True),
        ([""], "", False),
    ],
)
def test_a_probe_that_waits_for_a_value_is_known(
    triggers: list[str], configuration: str, by_time: bool
) -> None:
    found = [bytes.fromhex(trigger) for trigger in triggers]
    assert notifies_by_time(found, bytes.fromhex(configuration)) is by_time


def layout(
    word: str, unit: str, *, factor: float = 1.0, add: float = 0.0, **more: Any
) -> LayoutSettings:
    channel = "temperature" if unit == "degC" else "pressure"
    return LayoutSettings(
        service="1234",
        characteristic="5678",
        channel=channel,
        unit=unit,
        factor=factor,
        add=add,
        type=word,
        **more,
    )


def test_a_declared_layout_takes_the_number_from_its_place() -> None:
    gauge = layout("s16", "kPag", offset=2, endian="big", factor=0.1)
    decoded = gauge.read(bytes.fromhex("aa55fc18bb"))
    assert decoded is not None
    assert decoded.value_si == -100_000.0
    assert gauge.quantity is Quantity.PRESSURE_GAUGE
    shifted = layout("u16", "degC", factor=0.1, add=-40.0).read(bytes.fromhex("5802"))
    assert shifted is not None
    assert shifted.value_si == pytest.approx(293.15)


def test_a_declared_word_for_not_known_is_no_reading() -> None:
    assert layout("u16", "kPag", unknown=(0x8000,)).read(bytes.fromhex("0080")) is None


def test_a_payload_shorter_than_its_layout_is_told() -> None:
    with pytest.raises(PayloadError, match="ends at byte 4, the payload at byte 3"):
        layout("u16", "kPag", offset=2).read(b"\0\0\0")


def test_a_value_that_cannot_be_is_refused_by_a_layout() -> None:
    with pytest.raises(PayloadError, match="below zero"):
        layout("s32", "kPaa").read(struct.pack("<i", -20))
    with pytest.raises(PayloadError, match="broken or unplugged"):
        layout("u32", "kPag").read(b"\xff\xff\xff\xff")
    with pytest.raises(PayloadError, match=r"10\^12"):
        layout("f64", "kPag", factor=1e9).read(struct.pack("<d", 1e300))


def test_a_factor_means_what_is_written() -> None:
    assert DeclaredValue(channel="pressure", unit="Pa", factor=0.1).to_si(3) == 0.3


@pytest.mark.parametrize("text", ["", "nan", "inf", "1_000", "1,5", "٣", "0x10", "1e999", "--1"])
def test_what_is_no_plain_number_is_refused(text: str) -> None:
    with pytest.raises(PayloadError):
        plain_number(text)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_that_python_writes_is_read(number: float) -> None:
    assert plain_number(repr(number)) == number
    assert math.isfinite(plain_number(repr(number)))
