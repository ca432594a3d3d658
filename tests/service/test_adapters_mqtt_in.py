"""MQTT topics as probes, through a real Mosquitto."""

from __future__ import annotations

import asyncio
import gc
import json
from typing import TYPE_CHECKING

import pytest
from adapter_rig import Ear, WallClock
from hypothesis import given
from hypothesis import strategies as st
from mosquitto_fixture import free_port

from holdwatch_adapters.decoding import PayloadError
from holdwatch_adapters.mqtt import (
    MqttAdapter,
    MqttProbeSettings,
    TopicSettings,
    number_in,
    parse_path,
)
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.settings import Broker

if TYPE_CHECKING:
    from mosquitto_fixture import Mosquitto

WALL = MqttProbeSettings(
    name="wall",
    pressure_reference="absolute",
    topic=(
        TopicSettings(topic="garage/air", channel="pressure", unit="mbara", path="air[0].hpa"),
        TopicSettings(topic="garage/air", channel="temperature", unit="degC", path="air[0].t"),
        TopicSettings(topic="garage/attic", channel="temperature.2", unit="degF"),
    ),
    interval_s=0.5,
    stale_s=0.8,
)
OTHER = MqttProbeSettings(
    name="other",
    topic=(TopicSettings(topic="garage/attic", channel="temperature", unit="degF"),),
    stale_s=30.0,
)


def adapter(port: int) -> MqttAdapter:
    return MqttAdapter(Broker("127.0.0.1", port), [WALL, OTHER], WallClock(), patience_s=3.0)


def air(pressure: object = 1013.25, temperature: object = 21.5) -> str:
    return json.dumps({"air": [{"hpa": pressure, "t": temperature}]})


class Publishing:
    """A publisher that repeats itself, since nobody knows when the adapter is subscribed."""

    def __init__(self, broker: Mosquitto, topic: str, payload: str) -> None:
        self._arguments = broker, topic, payload

    async def __aenter__(self) -> None:
        self._task = asyncio.create_task(self._repeat())

    async def __aexit__(self, *_: object) -> None:
        self._task.cancel()
        await asyncio.wait({self._task})

    async def _repeat(self) -> None:
        broker, topic, payload = self._arguments
        while True:
            await asyncio.to_thread(broker.publish, topic, payload)
            await asyncio.sleep(0.1)


async def test_numbers_in_json_and_plain_ones_become_readings(mosquitto: Mosquitto) -> None:
    async with (
        Ear(adapter(mosquitto.port)) as ear,
        Publishing(mosquitto, "garage/air", air()),
        Publishing(mosquitto, "garage/attic", "70.7\n"),
    ):
        await ear.until_more("wall/pressure")
        await ear.until_more("wall/temperature.2")
        await ear.until_more("other/temperature")
        assert ear.values("wall/pressure")[0] == ("pressure_absolute", 101_325.0)
        assert ear.values("wall/temperature")[0] == ("temperature", 294.65)
        assert ear.values("wall/temperature.2")[0][1] == pytest.approx(294.65)
        assert len(ear.notices("wall", "connected")) == 1


async def test_a_retained_message_is_of_unknown_age_and_not_read(mosquitto: Mosquitto) -> None:
    mosquitto.publish("garage/air", air(999.0), retain=True)
    async with Ear(adapter(mosquitto.port)) as ear:
        async with Publishing(mosquitto, "garage/attic", "50"):
            await ear.until_more("wall/temperature.2")
        assert ear.values("wall/pressure") == []
        async with Publishing(mosquitto, "garage/air", air()):
            await ear.until_more("wall/pressure")
        assert {value for _, value in ear.values("wall/pressure")} == {101_325.0}


async def test_a_message_of_another_form_is_told_and_not_read(mosquitto: Mosquitto) -> None:
    async with Ear(adapter(mosquitto.port)) as ear, Publishing(mosquitto, "garage/air", '{"a":1}'):
        await ear.until_told("wall", "malformed", 2)
        assert "has no 'air'" in ear.notices("wall", "malformed")[0].detail
        assert ear.values("wall/pressure") == []
        assert ear.notices("wall", "connected") == []


async def test_a_probe_that_falls_silent_is_lost_and_comes_back(mosquitto: Mosquitto) -> None:
    async with Ear(adapter(mosquitto.port)) as ear:
        async with Publishing(mosquitto, "garage/air", air()):
            await ear.until_more("wall/pressure")
        await ear.until_told("wall", "lost")
        assert "nothing was heard for 0.8 s" in ear.notices("wall", "lost")[0].detail
        async with Publishing(mosquitto, "garage/air", air()):
            await ear.until_told("wall", "connected", 2)


async def test_a_broker_that_dies_ends_the_stream_with_advice(mosquitto: Mosquitto) -> None:
    async with Ear(adapter(mosquitto.port)) as ear:
        async with Publishing(mosquitto, "garage/air", air()):
            await ear.until_more("wall/pressure")
        mosquitto.stop()
        with pytest.raises(AdapterError, match="are address and login right"):
            await asyncio.wait_for(ear.task, 10.0)


async def test_no_broker_is_one_clear_error(caplog: pytest.LogCaptureFixture) -> None:
    stream = adapter(free_port()).stream()
    with pytest.raises(AdapterError, match=r"the broker 127\.0\.0\.1:\d+ cannot be used"):
        await anext(stream)
    # The library's own words would come again at every try.
    assert [record.message for record in caplog.records if record.name == "mqtt"] == []


async def test_a_broker_that_never_answers_is_one_clear_error_and_leaves_nothing() -> None:
    ends: list[asyncio.StreamWriter] = []
    silent = await asyncio.start_server(lambda _, writer: ends.append(writer), "127.0.0.1", 0)
    port = silent.sockets[0].getsockname()[1]
    broker = MqttAdapter(Broker("127.0.0.1", port), [WALL], WallClock(), patience_s=0.5)
    for _ in range(3):
        with pytest.raises(AdapterError, match=r"no answer within 0\.5 s"):
            await anext(broker.stream())
    await asyncio.sleep(0.1)
    assert len(ends) == 3
    for end in ends:
        end.close()
    silent.close()
    gc.collect()  # an end of ours left open would be an error here
    ours = [t for t in asyncio.all_tasks() if "holdwatch_adapters" in str(t.get_coro())]
    assert ours == []


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ("", ()),
        ("p", ("p",)),
        ("a.b", ("a", "b")),
        ("[2]", (2,)),
        ("a[0][1].b-c", ("a", 0, 1, "b-c")),
        ("ENERGY.Total", ("ENERGY", "Total")),
    ],
)
def test_paths_are_names_and_places(text: str, path: tuple[str | int, ...]) -> None:
    assert parse_path(text) == path


@pytest.mark.parametrize("text", [".", "a.", "a..b", "a[", "a[x]", "a]", "a b", "[-1]", ".a"])
def test_what_is_no_path_is_told(text: str) -> None:
    with pytest.raises(ValueError, match=r"write names and list places"):
        parse_path(text)


@pytest.mark.parametrize(
    ("payload", "path", "words"),
    [
        (b"21,5", None, "no number|not a number"),
        (b"nan", None, "not a number"),
        (b"\xff\xfe", None, "no text"),
        (b"{", (), "no JSON"),
        (b'{"a": NaN}', ("a",), "NaN is no number"),
        (b'{"a": Infinity}', ("a",), "Infinity is no number"),
        (b'{"a": true}', ("a",), "holds true, no number"),
        (b'{"a": null}', ("a",), "holds null, no number"),
        (b'{"a": []}', ("a", 0), r"has no \[0\]"),
        (b'{"a": 1e999}', ("a",), "too large"),
        (b'{"a": ' + b"9" * 400 + b"}", ("a",), "too large"),
        (b"[" * 50_000, (), "no JSON"),
        (b"1" * 70_000, None, "too long"),
    ],
)
def test_what_is_no_number_is_refused(
    payload: bytes, path: tuple[str | int, ...] | None, words: str
) -> None:
    with pytest.raises(PayloadError, match=words):
        number_in(payload, path)


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from("ab"), inner),
    max_leaves=8,
)


@given(JSON, st.lists(st.sampled_from(["a", "b", 0, 1]), max_size=3))
def test_only_numbers_that_stand_there_are_read(document: object, steps: list[str | int]) -> None:
    payload = json.dumps(document).encode()
    found: object = document
    try:
        for step in steps:
            found = found[step]  # type: ignore[index]
    except (KeyError, IndexError, TypeError):
        found = None
    try:
        number = number_in(payload, tuple(steps))
    except PayloadError:
        return
    assert not isinstance(found, bool)
    if isinstance(found, str):
        assert float(found) == number
    else:
        assert found == number
