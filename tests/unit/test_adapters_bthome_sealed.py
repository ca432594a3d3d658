"""Encrypted BTHome against published vectors, the library bthome-ble, and forgers.

Vectors: the format's page (bthome.io/encryption) and the tests of the library bthome-ble, which
is also the oracle beside which each packet is opened.
"""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING

import pytest
from bleak.backends.device import BLEDevice
from bthome_ble import BTHomeBluetoothDeviceData
from habluetooth import BluetoothServiceInfoBleak
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwatch_adapters.bluetooth import bthome
from holdwatch_adapters.bluetooth.bthome import CounterGuard, Seal
from holdwatch_adapters.bluetooth.probe import Translator
from holdwatch_adapters.bluetooth.settings import BluetoothProbe
from holdwatch_adapters.decoding import PayloadError, RefusedError
from holdwatch_adapters.ports import MemoryCounters
from holdwatch_physics.reading import ProbeNotice, Reading
from holdwatch_simulators.air.sealing import seal

if TYPE_CHECKING:
    from collections.abc import Sequence

ADDRESS = "54:48:E6:8F:80:A5"
KEY = bytes.fromhex("231d39c1d7cc1ab1aee224cd096db932")
OTHER_ADDRESS = "B4:35:22:F5:3D:A4"
OTHER_KEY = bytes.fromhex("90bffd73cb6b26ef58a7a8eba9232036")


class Clock:
    """Stands still unless told otherwise."""

    now_ns = 1_000_000_000

    def utc_ns(self) -> int:
        return self.now_ns

    def mono_ns(self) -> int:
        return self.now_ns

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(seconds)


def probe(key: bytes | None = KEY, address: str = ADDRESS) -> BluetoothProbe:
    return BluetoothProbe("BM-bay1-clamp", address, "bthome", key=key)


def told(payloads: Sequence[str], translator: Translator | None = None) -> list[str]:
    """Return what a probe's payloads say, one word each: the value, or the notice's kind."""
    translator = translator or Translator(probe(), Clock())
    words = []
    for payload in payloads:
        for item in translator.service_data(bytes.fromhex(payload)):
            if isinstance(item, ProbeNotice):
                words.append(item.kind)
            else:
                words.append(f"{item.value - 273.15:.2f}")
    return words


def opened_by_the_library(payload: bytes, key: bytes, address: str) -> dict[str, float]:
    logging.getLogger("bthome_ble.parser").setLevel(logging.CRITICAL)
    info = BluetoothServiceInfoBleak(
        name="probe",
        address=address,
        rssi=-60,
        manufacturer_data={},
        service_data={bthome.SERVICE_DATA: payload},
        service_uuids=[],
        source="test",
        device=BLEDevice(address, "probe", {}),
        advertisement=None,
        connectable=False,
        time=0.0,
        tx_power=None,
    )
    update = BTHomeBluetoothDeviceData(bindkey=key).update(info)
    return {
        key.key: float(str(entity.native_value))
        for key, entity in update.entity_values.items()
        if key.key in {"temperature", "battery", "humidity", "pressure"}
    }


@pytest.mark.parametrize(
    ("payload", "key", "address", "plain", "counter"),
    [
        ("41a47266c95f730011223378237214", KEY, ADDRESS, "4002ca0903bf13", 0x33221100),
        ("41e445f3c9962b332211006c7c4519", KEY, ADDRESS, "4002ca0903bf13", 1_122_867),
        ("413e932cc7175f34221100553876af", KEY, ADDRESS, "4002ca0903bf13", 1_122_868),
        ("41723d3035fb88322211009e7414c0", KEY, ADDRESS, "4002ca0903bf13", 1_122_866),
        ("41ba0db07aeef6ffffffff21fd4600", KEY, ADDRESS, "4002cb0903bf13", 0xFFFFFFFF),
        ("41de40b50e676600000000d7cb95de", KEY, ADDRESS, "4002cb0903bf13", 0),
        ("450aeb84467f85ba0100003188788c", OTHER_KEY, OTHER_ADDRESS, "44000701643a01", 442),
    ],
)
def test_published_packets_open(
    payload: str, key: bytes, address: str, plain: str, counter: int
) -> None:
    data = bytes.fromhex(payload)
    opened = Seal(key, address).open(data)
    assert (opened.plain.hex(), opened.counter) == (plain, counter)
    library = opened_by_the_library(data, key, address)
    if "temperature" in library:
        ours = {v.kind: v.value_si for v in bthome.parse(opened.plain).values}
        assert ours["temperature"] - 273.15 == pytest.approx(library["temperature"])
    else:
        assert library["battery"] == 100.0


@pytest.mark.parametrize(
    ("payload", "key"),
    [
        ("41a47266c95f730011223378237214", bytes.fromhex("814aac74c4f17b6c1581e1ab87816b99")),
        ("41c869d37ea5f88e271629ecf27a85", KEY),
    ],
)
def test_published_forgeries_do_not(payload: str, key: bytes) -> None:
    with pytest.raises(RefusedError, match="not made with this probe's key"):
        Seal(key, ADDRESS).open(bytes.fromhex(payload))
    assert told([payload], Translator(probe(key), Clock())) == ["refused"]


@pytest.mark.parametrize("payload", ["41ba0db07aeef600", "41", "410011223344556677"])
def test_a_packet_too_short_to_be_sealed_is_malformed(payload: str) -> None:
    with pytest.raises(PayloadError, match="too short"):
        Seal(KEY, ADDRESS).open(bytes.fromhex(payload))
    assert told([payload]) == ["malformed"]


def test_the_published_counters_pass_once_and_in_order() -> None:
    newer, newest, older = (
        "41e445f3c9962b332211006c7c4519",
        "413e932cc7175f34221100553876af",
        "41723d3035fb88322211009e7414c0",
    )
    assert told([newer, newest]) == ["25.06", "25.06"]
    assert told([newer, older]) == ["25.06", "refused"]
    assert told([newer, newest, newer]) == ["25.06", "25.06", "refused"]
    assert told([newer, newer]) == ["25.06"], "the radio stack repeats itself: no replay"
    wrapped = ["41ba0db07aeef6ffffffff21fd4600", "41de40b50e676600000000d7cb95de"]
    assert told(wrapped) == ["25.07", "25.07"]
    assert told(list(reversed(wrapped))) == ["25.07", "25.07"]


def test_a_counter_that_begins_anew_is_refused_though_the_library_would_take_it() -> None:
    translator = Translator(probe(), Clock())
    high, low = (
        seal(bytes.fromhex("02ca09"), key=KEY, address=ADDRESS, counter=count).hex()
        for count in (5_000, 3)
    )
    assert told([high, low], translator) == ["25.06", "refused"]


def test_a_plain_packet_of_a_probe_with_a_key_is_refused() -> None:
    sealed = "41e445f3c9962b332211006c7c4519"
    assert told(["4002ca0903bf13"]) == ["refused"]
    assert told([sealed, "4002d00703bf13"]) == ["25.06", "refused"]


def test_a_replay_after_a_restart_is_refused() -> None:
    counters = MemoryCounters()
    packet = "41e445f3c9962b332211006c7c4519"
    assert told([packet], Translator(probe(), Clock(), counters)) == ["25.06"]
    assert told([packet], Translator(probe(), Clock(), counters)) == ["refused"]
    # A new key is a new sender: its counter begins anew.
    fresh = seal(bytes.fromhex("02ca09"), key=OTHER_KEY, address=ADDRESS, counter=1).hex()
    assert told([fresh], Translator(probe(OTHER_KEY), Clock(), counters)) == ["25.06"]


def test_a_forged_packet_moves_no_counter() -> None:
    counters = MemoryCounters()
    translator = Translator(probe(), Clock(), counters)
    forged = seal(bytes.fromhex("02ca09"), key=OTHER_KEY, address=ADDRESS, counter=2**31).hex()
    assert told([forged, "41e445f3c9962b332211006c7c4519"], translator) == ["refused", "25.06"]


def test_packets_with_their_address_inside_open_only_for_it() -> None:
    objects, tail = bytes.fromhex("02ca09"), bytes(reversed(bytes.fromhex("5448e68f80a5")))
    packet = seal(objects, key=KEY, address=ADDRESS, counter=7, info=0x43)
    inside = packet[:1] + tail + packet[1:]
    assert Seal(KEY, ADDRESS).open(inside).plain.hex() == "4002ca09"
    with pytest.raises(RefusedError, match="names another address"):
        Seal(KEY, OTHER_ADDRESS).open(inside)


def test_a_plain_packet_that_names_another_address_is_refused() -> None:
    translator = Translator(probe(None, "A4:C1:38:8D:18:B3"), Clock())
    assert told(["42b2188d38c1a404138a01"], translator) == ["refused"]


def test_the_hidden_address_of_a_system_needs_the_true_one() -> None:
    hidden = "12345678-1234-1234-1234-123456789abc"
    with pytest.raises(ValueError, match="give the true one as `mac`"):
        Translator(BluetoothProbe("clamp", hidden, "bthome", key=KEY), Clock())
    named = BluetoothProbe("clamp", hidden, "bthome", key=KEY, mac=ADDRESS)
    assert told(["41e445f3c9962b332211006c7c4519"], Translator(named, Clock())) == ["25.06"]


@settings(max_examples=200, deadline=None)
@given(st.binary(min_size=1, max_size=12), st.integers(0, 2**32 - 1), st.integers(0, 95))
def test_one_changed_bit_is_noticed(objects: bytes, counter: int, bit: int) -> None:
    packet = bytearray(seal(objects, key=KEY, address=ADDRESS, counter=counter))
    assert Seal(KEY, ADDRESS).open(bytes(packet)).plain[1:] == objects
    place = 8 + bit % (8 * (len(packet) - 1))
    packet[place // 8] ^= 1 << place % 8
    with pytest.raises(RefusedError):
        Seal(KEY, ADDRESS).open(bytes(packet))


@settings(max_examples=50, deadline=None)
@given(st.integers(-27_315, 32_767), st.integers(100, 2**32 - 1))
def test_the_library_opens_what_the_simulated_probe_seals(raw: int, counter: int) -> None:
    objects = b"\x02" + raw.to_bytes(2, "little", signed=True)
    packet = seal(objects, key=KEY, address=ADDRESS, counter=counter)
    assert opened_by_the_library(packet, KEY, ADDRESS)["temperature"] == pytest.approx(raw / 100)
    (reading,) = Translator(probe(), Clock()).service_data(packet)
    assert isinstance(reading, Reading)
    assert reading.value == pytest.approx(raw / 100 + 273.15)


# Short of the last hundred counters, where the published vectors let it begin anew.
@given(st.lists(st.integers(0, 2**32 - 101), max_size=30))
def test_no_counter_passes_twice(counters: list[int]) -> None:
    guard = CounterGuard(MemoryCounters(), "sender")
    passed: list[int] = []
    for counter in [*counters, *counters]:
        try:
            guard.accept(counter)
        except RefusedError:
            continue
        passed.append(counter)
    assert len(passed) == len(set(passed))


def test_packets_out_of_order_are_no_new_measurements() -> None:
    translator = Translator(probe(None), Clock())
    first, second, third = ("40000902ca09", "40000a02cb09", "40000b02cc09")
    assert told([first, third, second, first, third], translator) == ["25.06", "25.08", "25.07"]
