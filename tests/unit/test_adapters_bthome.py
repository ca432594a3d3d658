"""BTHome v2 payloads: published examples, and an independent decoder beside ours.

Examples: the format's page (bthome.io/format) and the test vectors of the library bthome-ble;
that library is also the oracle for random payloads.
"""

from __future__ import annotations

import logging
import random

import pytest
from bleak.backends.device import BLEDevice
from bthome_ble import BTHomeBluetoothDeviceData
from bthome_ble.const import MEAS_TYPES
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import example, given, settings
from hypothesis import strategies as st

from holdwatch_adapters.bluetooth import bthome
from holdwatch_adapters.decoding import EncryptedError, PayloadError

ADDRESS = "A4:C1:38:8D:18:B2"


def heard_by_the_library(payload: bytes) -> dict[str, float]:
    """Return the library's temperatures (°C), pressures (hPa) and charge (%), by its own keys."""
    info = BluetoothServiceInfoBleak(
        name="probe",
        address=ADDRESS,
        rssi=-60,
        manufacturer_data={},
        service_data={bthome.SERVICE_DATA: payload},
        service_uuids=[],
        source="test",
        device=BLEDevice(ADDRESS, "probe", {}),
        advertisement=None,
        connectable=False,
        time=0.0,
        tx_power=None,
    )
    update = BTHomeBluetoothDeviceData().update(info)
    return {
        key.key: float(str(entity.native_value))
        for key, entity in update.entity_values.items()
        if key.key.split("_")[0] in {"temperature", "pressure", "battery"}
    }


def heard_by_us(payload: bytes) -> dict[str, float]:
    """Return the same from our decoder, in the library's units and under its keys."""
    values = bthome.parse(payload).values
    kinds = [value.kind for value in values]
    found: dict[str, float] = {}
    seen: dict[str, int] = {}
    for value in values:
        seen[value.kind] = seen.get(value.kind, 0) + 1
        key = value.kind if kinds.count(value.kind) == 1 else f"{value.kind}_{seen[value.kind]}"
        shown = {
            "temperature": value.value_si - 273.15,
            "pressure": value.value_si / 100.0,
            "battery": value.value_si,
        }
        found[key] = shown[value.kind]
    return found


@pytest.mark.parametrize(
    ("payload", "expected"),
    [
        ("4004138a01", [("pressure", 100_883.0)]),
        ("4002ca0903bf13", [("temperature", 298.21)]),
        ("400009015d025d0903b718", [("battery", 93.0), ("temperature", 297.12)]),
        ("400c020c", []),
        ("40451101", [("temperature", 300.45)]),
        ("4057ea", [("temperature", 251.15)]),
        ("4058ea", [("temperature", 265.45)]),
        ("4002ca0902cf09", [("temperature", 298.21), ("temperature", 298.26)]),
        ("42b2188d38c1a404138a01", [("pressure", 100_883.0)]),
        ("40015dfe5d0903b718", [("battery", 93.0)]),
        ("40feca09", []),
        ("4004ffffff", [("pressure", 16_777_215.0)]),
    ],
)
def test_published_payloads(payload: str, expected: list[tuple[str, float]]) -> None:
    packet = bthome.parse(bytes.fromhex(payload))
    assert [(value.kind, value.value_si) for value in packet.values] == expected


def test_the_head_of_a_payload_is_told() -> None:
    packet = bthome.parse(bytes.fromhex("42b2188d38c1a4000904138a01"))
    assert packet.mac == ADDRESS
    assert packet.packet_id == 9
    assert not packet.trigger_based
    assert bthome.parse(bytes.fromhex("4404138a01")).trigger_based


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        ("40015dfe5d0903b718", "object 0xfe is unknown"),
        ("40015d02ca", "object 0x02 is cut short"),
        ("40015d53", "object 0x53 is cut short"),
        ("40015d530548656c6c", "object 0x53 is cut short"),
        ("40015d", ""),
    ],
)
def test_a_walk_that_ends_early_says_why_and_keeps_what_came_before(payload: str, why: str) -> None:
    packet = bthome.parse(bytes.fromhex(payload))
    assert packet.cut == why
    assert [value.value_si for value in packet.values] == [93.0]


@pytest.mark.parametrize(
    ("payload", "words"),
    [
        ("", "empty"),
        ("e104138a01", "version 7"),
        ("2004138a01", "version 1"),
        ("42b218", "too short for the address"),
        ("4001ff", "255 %"),
        ("40020080", "below absolute zero"),
    ],
)
def test_what_cannot_be_is_refused_in_one_sentence(payload: str, words: str) -> None:
    with pytest.raises(PayloadError, match=words):
        bthome.parse(bytes.fromhex(payload))


@pytest.mark.parametrize("payload", ["41a47266c95f730011223378237214", "41ba0db07aeef600", "41"])
def test_an_encrypted_payload_asks_for_the_key(payload: str) -> None:
    with pytest.raises(EncryptedError, match="encrypted: the sender's key is needed"):
        bthome.parse(bytes.fromhex(payload))


def test_every_object_has_the_length_and_factor_that_the_library_knows() -> None:
    assert set(bthome.OBJECTS) == set(MEAS_TYPES)
    for object_id, ours in bthome.OBJECTS.items():
        theirs = MEAS_TYPES[object_id]
        led_by_length = theirs.data_format in {"string", "raw", "command"}
        assert ours.length == (0 if led_by_length else theirs.data_length), hex(object_id)
        assert ours.signed == (theirs.data_format == "signed_integer"), hex(object_id)
        assert float(ours.factor) == theirs.factor, hex(object_id)


OBJECT = st.sampled_from(sorted(bthome.OBJECTS))


@st.composite
def well_formed(draw: st.DrawFn) -> bytes:
    """Return a plain payload of a few objects, sometimes cut short."""
    payload = b"\x40"
    for object_id in draw(st.lists(OBJECT, max_size=6)):
        length = bthome.OBJECTS[object_id].length
        payload += bytes([object_id])
        if length == 0:
            length = draw(st.integers(0, 5))
            payload += bytes([length])
            length += object_id == 0x3B  # a command's opcode comes before its arguments
        payload += draw(st.binary(min_size=length, max_size=length))
    return payload[: draw(st.integers(1, len(payload)))] if draw(st.booleans()) else payload


@settings(max_examples=300, deadline=None)
@given(well_formed())
@example(bytes.fromhex("403b0004138a01"))
@example(bytes.fromhex("40530004138a01"))
def test_we_read_what_the_library_reads(payload: bytes) -> None:
    logging.getLogger("bthome_ble.parser").setLevel(logging.CRITICAL)
    try:
        ours = heard_by_us(payload)
    except PayloadError:
        # The library passes on what cannot be; nothing else may be refused.
        theirs = heard_by_the_library(payload)
        assert any(
            value < -273.15 if key.startswith("temperature") else value > 100.0
            for key, value in theirs.items()
            if not key.startswith("pressure")
        )
        return
    # The library rounds steps of 0.35 °C (object 0x58) to one decimal.
    tolerance = 0.0501 if 0x58 in payload else 1e-9
    assert ours == pytest.approx(heard_by_the_library(payload), abs=tolerance)


@settings(max_examples=100, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_of_ten_thousand_random_payloads_none_crashes_or_yields_what_cannot_be(seed: int) -> None:
    source = random.Random(seed)
    for turn in range(100):
        payload = source.randbytes(source.randrange(40))
        if turn % 2:  # half of them with an honest first byte
            payload = b"\x40" + payload
        try:
            packet = bthome.parse(payload)
        except PayloadError:
            continue
        assert len(packet.values) <= len(payload) // 2
        limits = {"pressure": 16_777_215.0, "temperature": 3_549.85, "battery": 100.0}
        for value in packet.values:
            assert 0.0 <= value.value_si <= limits[value.kind]


def test_the_same_payload_heard_again_is_not_new() -> None:
    freshness = bthome.Freshness()

    def is_new(payload: str) -> bool:
        data = bytes.fromhex(payload)
        return freshness.is_new(bthome.parse(data), data)

    assert is_new("40000902ca09")
    assert not is_new("40000902ca09")
    assert is_new("40000a02ca09")  # same value, measured again
    assert not is_new("40000a02cb09")  # one packet id is one measurement
    assert is_new("4002ca09")  # without packet id the bytes decide
    assert not is_new("4002ca09")
    assert is_new("4002cb09")
