"""Twelve thousand malformed payloads through every decoder: no crash, and no value invented.

Whatever a decoder gives back must lie within what can exist, and must be what plain arithmetic,
written apart from the decoders, makes of the same bytes.
"""

from __future__ import annotations

import math
import re
import struct
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from holdwatch_adapters.bluetooth import gatt
from holdwatch_adapters.bluetooth.gatt import SelfDescribed, describe, notifies_by_time, sampling
from holdwatch_adapters.bluetooth.probe import Translator
from holdwatch_adapters.bluetooth.settings import BluetoothProbe, LayoutSettings
from holdwatch_adapters.decoding import NUMBER_TYPES, PayloadError
from holdwatch_adapters.modbus import REGISTER_TYPES, RegisterSettings
from holdwatch_adapters.mqtt import number_in
from holdwatch_adapters.serial_line import (
    FieldSettings,
    LineSettings,
    SerialSettings,
    values_in,
)
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import Callable

CAMPAIGN = settings(
    max_examples=1_700,  # times six decoders
    deadline=None,
    phases=[Phase.explicit, Phase.generate, Phase.shrink],
    suppress_health_check=list(HealthCheck),
)
KEY = bytes(range(16))
SERVICE = gatt.full_uuid(0xFFF0)


class Clock:
    def __init__(self) -> None:
        self._now_ns = 0

    def utc_ns(self) -> int:
        return self._now_ns

    def mono_ns(self) -> int:
        self._now_ns += 61_000_000_000  # every complaint is heard
        return self._now_ns

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(seconds)


def within_what_can_be(quantity: Quantity, value: float) -> None:
    assert math.isfinite(value)
    low, high = {
        Quantity.TEMPERATURE: (0.0, 5_000.0),
        Quantity.PRESSURE_ABSOLUTE: (-5_000.0, 5.0e7),
        Quantity.PRESSURE_GAUGE: (-1.2e5, 5.0e7),
    }[quantity]
    assert low <= value <= high


def heard(items: tuple[Reading | ProbeNotice, ...]) -> list[Reading]:
    readings = []
    for item in items:
        if isinstance(item, ProbeNotice):
            assert item.kind in {"malformed", "refused", "battery"}
            assert "\n" not in item.detail
            continue
        within_what_can_be(item.quantity, item.value)
        readings.append(item)
    return readings


def translator(key: bytes | None = None) -> Translator:
    profile = BluetoothProbe("probe", "02:00:00:00:00:01", "bthome", "absolute", key=key)
    return Translator(profile, Clock())


# Bytes that are wrong in many ways: noise, honest beginnings, cut short, one byte changed.
NOISE = st.binary(max_size=40)
PLAIN = st.binary(max_size=30).map(lambda tail: b"\x40" + tail)
SEALED = st.binary(max_size=30).map(lambda tail: b"\x41" + tail)
ALMOST = st.tuples(
    st.sampled_from(["4004138a01", "4002ca0903bf13", "400009015d025d0903b718", "4457ea58ea"]),
    st.integers(0, 30),
    st.integers(0, 255),
).map(
    lambda drawn: bytes(
        drawn[2] if place == drawn[1] else byte
        for place, byte in enumerate(bytes.fromhex(drawn[0]))
    )
)


@CAMPAIGN
@given(st.one_of(NOISE, PLAIN, SEALED, ALMOST))
def test_broadcasts(payload: bytes) -> None:
    readings = heard(translator().service_data(payload))
    for reading in readings:  # each value stands in the bytes, in one of its published forms
        raws = []
        for at in range(1, len(payload)):
            for length in (1, 2, 3):
                raws += [
                    int.from_bytes(payload[at : at + length], "little", signed=signed)
                    for signed in (True, False)
                ]
        if reading.quantity is Quantity.TEMPERATURE:
            possible = {
                round(raw * step + 273.15, 4) for raw in raws for step in (0.01, 0.1, 1.0, 0.35)
            }
        else:
            possible = {round(float(raw), 4) for raw in raws}
        assert round(reading.value, 4) in possible
    assert not heard(translator(KEY).service_data(payload)), "nobody here knows the key"


@CAMPAIGN
@given(st.sampled_from(sorted(gatt.READERS)), st.binary(max_size=16))
def test_standard_characteristics(uuid: str, payload: bytes) -> None:
    for reading in heard(translator().characteristic(uuid, payload)):
        if uuid == gatt.PRESSURE:
            assert reading.value == struct.unpack("<I", payload)[0] / 10
        elif uuid == gatt.TEMPERATURE:
            assert reading.value == round(struct.unpack("<h", payload)[0] / 100 + 273.15, 2)
        elif uuid == gatt.TEMPERATURE_8:
            assert reading.value == round(struct.unpack("<b", payload)[0] / 2 + 273.15, 2)
        else:
            exponent = struct.unpack("<b", payload[4:5])[0]
            mantissa = int.from_bytes(payload[1:4], "little", signed=True)
            degrees = mantissa * 10.0**exponent
            kelvin = (degrees + 459.67) / 1.8 if payload[0] & 1 else degrees + 273.15
            assert math.isclose(reading.value, kelvin, rel_tol=1e-9, abs_tol=1e-9)


UNIT_CODES = st.sampled_from([0x2705, 0x2724, 0x272F, 0x2780, 0x2781, 0x27A5, 0x27AC, 0x27AD])
DESCRIPTORS = st.one_of(
    st.binary(max_size=9),
    st.tuples(
        st.integers(0x04, 0x17), st.integers(-9, 3), UNIT_CODES, st.sampled_from([1, 1, 0])
    ).map(lambda drawn: struct.pack("<BbHBH", *drawn, 0)),
)


VALUES = st.sampled_from([1, 2, 2, 3, 4, 4, 6, 8]).flatmap(
    lambda length: st.binary(min_size=length, max_size=length)
)


@CAMPAIGN
@given(DESCRIPTORS, st.one_of(VALUES, VALUES, st.binary(max_size=9)))
def test_self_described_characteristics(descriptor: bytes, payload: bytes) -> None:
    reader = describe(descriptor)
    if not isinstance(reader, SelfDescribed):
        assert reader
        return
    readings = heard(translator().value(reader, payload, 1, "source"))
    for reading in readings:
        code, exponent, unit, namespace, _ = struct.unpack("<BbHBH", descriptor)
        assert namespace == 1
        number = _number(code, exponent, payload)
        scale, zero = {
            0x2705: (1.0, 0.0),
            0x272F: (1.0, 273.15),
            0x27AC: (1 / 1.8, 459.67 / 1.8),
            0x2724: (1.0, 0.0),
            0x2780: (1e5, 0.0),
            0x2781: (133.322387415, 0.0),
            0x27A5: (6894.757293168361, 0.0),
        }[unit]
        expected = number * scale + zero
        assert math.isclose(reading.value, expected, rel_tol=1e-9, abs_tol=1e-9)


def _number(code: int, exponent: int, payload: bytes) -> float:
    """Return what the bytes mean, worked out apart from the decoders."""
    if code in {0x14, 0x15}:
        return float(struct.unpack("<f" if code == 0x14 else "<d", payload)[0])
    if code in {0x16, 0x17}:
        bits = 12 if code == 0x16 else 24
        raw = int.from_bytes(payload, "little")
        mantissa, power = raw % 2**bits, raw >> bits
        mantissa -= 2**bits * (mantissa >= 2 ** (bits - 1))
        power -= 2 ** (4 if bits == 12 else 8) * (power >= 2 ** (3 if bits == 12 else 7))
        return float(mantissa) * 10.0**power
    raw = int.from_bytes(payload, "little")
    if code in {0x05, 0x0D}:
        raw &= 0xFFF
    bits = 12 if code in {0x05, 0x0D} else 8 * len(payload)
    if code >= 0x0C:
        raw -= 2**bits * (raw >= 2 ** (bits - 1))
    return float(raw) * 10.0**exponent


@CAMPAIGN
@given(
    st.sampled_from(sorted(NUMBER_TYPES)),
    st.sampled_from(["kPag", "kPaa", "micron", "degC", "K", "psig"]),
    st.floats(-1e6, 1e6).filter(bool),
    st.integers(0, 4),
    st.binary(max_size=14),
)
def test_declared_layouts_and_registers(
    word: str, unit: str, factor: float, offset: int, payload: bytes
) -> None:
    channel = "temperature" if unit in {"degC", "K"} else "pressure"
    scale: dict[str, Any] = {"channel": channel, "unit": unit, "factor": factor}
    layout = LayoutSettings(
        service=SERVICE, characteristic=SERVICE, type=word, offset=offset, **scale
    )
    heard(translator().value(layout, payload, 1, "source"))
    registers = list(struct.unpack(f">{len(payload) // 2}H", payload[: len(payload) // 2 * 2]))
    if word not in REGISTER_TYPES:
        return
    try:
        value = RegisterSettings(address=0, type=word, **scale).read(registers)
    except PayloadError:
        return
    assert value is not None
    within_what_can_be(layout.quantity, value)


LINE = SerialSettings(
    name="probe",
    pressure_reference="absolute",
    serial=LineSettings(port="/dev/none", pattern=r"\s*(?P<pressure>\S+)\s*(kPa)?"),
    field=(FieldSettings(group="pressure", channel="pressure", unit="kPaa"),),
)
TEXTS = st.one_of(
    st.binary(max_size=40),
    st.text(alphabet="0123456789+-.eE ,naif_\n", max_size=20).map(str.encode),
    st.recursive(
        st.sampled_from(["1", "1e5", "-3", "true", "null", '"7"', "NaN", "1" * 30]),
        lambda inner: inner.map(lambda text: f'{{"p":{text}}}') | inner.map("[{}]".format),
        max_leaves=3,
    ).map(str.encode),
)


@dataclass(frozen=True)
class Way:
    """One decoder of texts."""

    read: Callable[[bytes], float]


@CAMPAIGN
@given(TEXTS)
def test_lines_and_messages(text: bytes) -> None:
    ways = (
        Way(lambda data: values_in(data, LINE)["pressure"] / 1e3),
        Way(lambda data: number_in(data, None)),
        Way(lambda data: number_in(data, ("p",))),
        Way(lambda data: number_in(data, (0,))),
    )
    sentences: list[str] = []
    for way in ways:
        try:
            number = way.read(text)
        except PayloadError as error:
            sentences.append(str(error))
            continue
        # The number stands in the text, digit for digit as Python itself reads it.
        written = re.findall(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", text)
        assert any(math.isclose(float(one), number, rel_tol=1e-12) for one in written)
    assert not any("\n" in sentence for sentence in sentences)


@CAMPAIGN
@given(st.binary(max_size=14), st.lists(st.binary(max_size=5), max_size=3))
def test_sensing_descriptors(descriptor: bytes, triggers: list[bytes]) -> None:
    said = sampling(descriptor)
    assert (said is None) == (len(descriptor) != 11)
    if said is not None:
        assert said.interval_s is None or 0 < said.interval_s < 2**24
    assert isinstance(notifies_by_time(triggers, descriptor), bool)


def test_the_campaign_is_not_of_refusals_alone() -> None:
    """Enough of the drawn payloads are read, so that the checks above check something."""
    seen: Counter[str] = Counter()

    @settings(max_examples=1500, deadline=None, database=None, derandomize=True)
    @given(st.one_of(PLAIN, ALMOST), DESCRIPTORS, VALUES, TEXTS)
    def draw(payload: bytes, descriptor: bytes, data: bytes, text: bytes) -> None:
        seen["broadcast"] += bool(heard(translator().service_data(payload)))
        reader = describe(descriptor)
        if isinstance(reader, SelfDescribed):
            seen["described"] += bool(heard(translator().value(reader, data, 1, "source")))
        try:
            number_in(text, None)
        except PayloadError:
            return
        seen["text"] += 1

    draw()
    assert min(seen["broadcast"], seen["described"], seen["text"]) >= 10, seen
