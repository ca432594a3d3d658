"""The way out to MQTT, against a real Mosquitto and, for the demo's sake, the embedded broker."""

from __future__ import annotations

import asyncio
import json
import logging
import os
import signal
import socket
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import aiomqtt
import daemon_rig
import pytest
from daemon_rig import (
    GAUGE,
    START_UTC_NS,
    FedAdapter,
    TurnedClock,
    broker_of,
    connected,
    eventually,
    first_event,
    reading,
    run_hold,
    settled,
    shop,
)

from holdwatch_adapters import mqtt_session
from holdwatch_adapters.settings import Broker
from holdwatch_daemon.messages import BayState, Event, Live, Reply, SayIsolated, StartHold
from holdwatch_daemon.outlets.broker import EmbeddedBroker
from holdwatch_daemon.service import Service
from holdwatch_daemon.store.events import Draft

if TYPE_CHECKING:
    from mosquitto_fixture import Heard, Mosquitto

    from holdwatch_daemon.settings.shop import ShopConfig

PREFIX = "holdwatch/county-library"
BAY = f"{PREFIX}/bay/BM-bay1"


def shop_at(broker: Mosquitto, data: Path, **more: Any) -> ShopConfig:
    return shop(data, mqtt={"host": "127.0.0.1", "port": broker.port} | more)


def noted(n: int) -> Draft:
    return Draft("holdwatch.hold.noted", START_UTC_NS, {"n": n}, bay="BM-bay1")


def on(topic: str, heard: list[Heard]) -> list[Heard]:
    return [message for message in heard if message.topic == topic]


def in_order_without_doubles(numbers: list[int]) -> list[int]:
    """Drop redelivered numbers; fail where one came before its time."""
    seen: list[int] = []
    for number in numbers:
        if number in seen:
            continue
        assert not seen or number == seen[-1] + 1, f"{number} after {seen[-1]}"
        seen.append(number)
    return seen


async def test_events_survive_the_brokers_restart_in_order_and_none_is_lost(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{PREFIX}/events", f"{BAY}/events", session="archive")
    async with Service(shop_at(mosquitto, tmp_path / "data"), TurnedClock(), []) as service:
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(50)])
        await eventually(lambda: broker_of(service)["behind"] == 0)
        mosquitto.stop()
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(50, 100)])
        await eventually(lambda: broker_of(service)["state"] == "refused")
        assert service.health()["status"] == "degraded"
        mosquitto.start()
        for n in range(100, 150):
            await service.events.tell(noted(n))
        await connected(service)
        assert service.health()["status"] == "ok"
        last = service.events.newest
    # Until the last one, "stopped": the subscriber itself came back with its session.
    everywhere = await listening.until(
        lambda heard: any(m.json["sequence"] > last for m in on(f"{PREFIX}/events", heard))
    )
    events = [Event.model_validate(m.json) for m in on(f"{PREFIX}/events", everywhere)]
    numbers = in_order_without_doubles([event.sequence for event in events])
    assert numbers == list(range(1, last + 2)), "started, 150 notes, stopped"
    of_bay = [Event.model_validate(m.json) for m in on(f"{BAY}/events", everywhere)]
    bay_numbers = in_order_without_doubles([event.baysequence or 0 for event in of_bay])
    assert bay_numbers == list(range(1, 151))


async def test_what_was_written_while_the_broker_was_away_comes_after_a_new_start(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{PREFIX}/events")
    config = shop_at(mosquitto, tmp_path / "data")
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
    mosquitto.stop()
    async with Service(config, TurnedClock(), []) as service:
        await asyncio.gather(*[service.events.tell(noted(n)) for n in range(20)])
    mosquitto.start()
    listening = mosquitto.subscribe(f"{PREFIX}/events")
    await asyncio.sleep(0.3)
    async with Service(config, TurnedClock(), []) as service:
        await eventually(lambda: broker_of(service)["behind"] == 0)
        heard = await listening.until(lambda heard: len(heard) >= 23)
    numbers = in_order_without_doubles([message.json["sequence"] for message in heard])
    # 1 and 2 (started, stopped) were confirmed before; only what is new is sent again.
    assert numbers[0] == 3
    assert [m.json["type"] for m in heard][-1] == "holdwatch.service.started"


async def test_a_hold_is_told_on_every_topic_of_the_contract(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{PREFIX}/#")
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop_at(mosquitto, tmp_path / "data"), clock, [adapter]) as service:
        start = {"command": "start_hold", "id": "desk-1", "recipe": "nitrogen"}
        await connected(service)
        mosquitto.publish(f"{BAY}/command", json.dumps(start))
        heard = await listening.until(lambda heard: on(f"{BAY}/reply", heard))
        reply = Reply.model_validate(on(f"{BAY}/reply", heard)[0].json)
        assert reply.ok
        assert reply.id == "desk-1"
        mosquitto.publish(f"{BAY}/command", json.dumps({"command": "say_isolated", "id": "d-2"}))
        await listening.until(lambda heard: len(on(f"{BAY}/reply", heard)) == 2)
        done = lambda: service.bays["BM-bay1"].runner is None  # noqa: E731
        await run_hold(service, clock, adapter, 3600, until=done)
        heard = await listening.until(lambda heard: on(f"{BAY}/verdict", heard))
    heard = await listening.until(
        lambda heard: [m.payload for m in on(f"{PREFIX}/status", heard)][-1:] == ["offline"]
    )
    assert [m.payload for m in on(f"{PREFIX}/status", heard)] == ["online", "offline"]
    verdict = Event.model_validate(on(f"{BAY}/verdict", heard)[-1].json)
    assert verdict.type == "holdwatch.verdict"
    assert verdict.data["outcome"] == "pass"
    assert verdict.data["hold"] == reply.hold_id
    states = [BayState.model_validate(m.json) for m in on(f"{BAY}/state", heard)]
    assert [states[0].doing, states[-1].doing] == ["idle", "verdict"]
    assert states[-1].last_verdict_id == reply.hold_id
    lives = on(f"{BAY}/live", heard)
    assert {message.qos for message in lives} == {0}
    assert Live.model_validate(lives[-1].json).bay == "BM-bay1"
    of_bay = [m.json["baysequence"] for m in on(f"{BAY}/events", heard)]
    assert of_bay == list(range(1, len(of_bay) + 1))

    # What a newcomer is handed: status, state and verdict are retained, nothing else is.
    newcomer = mosquitto.subscribe(f"{PREFIX}/#")
    retained = await newcomer.until(lambda heard: len(heard) == 3)
    await asyncio.sleep(0.2)
    topics = {f"{PREFIX}/status", f"{BAY}/state", f"{BAY}/verdict"}
    assert {message.topic for message in newcomer.heard()} == topics
    assert all(message.retained for message in retained)


async def test_the_same_command_is_carried_out_once(mosquitto: Mosquitto, tmp_path: Path) -> None:
    listening = mosquitto.subscribe(f"{BAY}/reply")
    async with Service(shop_at(mosquitto, tmp_path / "data"), TurnedClock(), []) as service:
        await connected(service)
        start = json.dumps({"command": "start_hold", "id": "desk-1", "recipe": "nitrogen"})
        for _ in range(3):
            mosquitto.publish(f"{BAY}/command", start)
        heard = await listening.until(lambda heard: len(heard) == 3)
        holds = await service.store.list_holds()
    assert len(holds) == 1
    assert len({message.payload for message in heard}) == 1


@pytest.mark.parametrize(
    ("payload", "reply_id", "names"),
    [
        ("not json", "unknown", "This is not a command"),
        ('{"command": "open_valve", "id": "x-1"}', "x-1", "start_hold"),
        ('{"command": "stop_hold", "id": "x-2", "why": 1}', "x-2", "stop_hold.why"),
        ('{"command": "stop_hold", "id": "x-3"}', "x-3", "No hold is running in Bay 1."),
        ('{"command": "start_hold", "id": "x-4", "recipe": "tea"}', "x-4", "known: "),
        ('{"command": "start_hold", "id": "x-5", "recipe": {}}', "x-5", "`procedure` is missing"),
        ('{"command": "acknowledge_alarm", "id": "x-6", "alarm": "a"}', "x-6", "No alarm 'a'"),
    ],
)
async def test_a_command_that_cannot_be_is_answered_and_told(
    mosquitto: Mosquitto, tmp_path: Path, payload: str, reply_id: str, names: str
) -> None:
    listening = mosquitto.subscribe(f"{BAY}/reply")
    async with Service(shop_at(mosquitto, tmp_path / "data"), TurnedClock(), []) as service:
        await connected(service)
        mosquitto.publish(f"{BAY}/command", payload)
        (message,) = await listening.until(lambda heard: len(heard) == 1)
        event = await first_event(service, "holdwatch.command.refused")
    reply = Reply.model_validate(message.json)
    assert (reply.ok, reply.id) == (False, reply_id)
    assert names in reply.text
    assert event.data["text"] == reply.text


async def test_a_retained_command_is_not_carried_out(mosquitto: Mosquitto, tmp_path: Path) -> None:
    start = json.dumps({"command": "start_hold", "id": "desk-1", "recipe": "nitrogen"})
    mosquitto.publish(f"{BAY}/command", start, retain=True)
    listening = mosquitto.subscribe(f"{BAY}/reply")
    async with Service(shop_at(mosquitto, tmp_path / "data"), TurnedClock(), []) as service:
        await connected(service)
        mosquitto.publish(f"{BAY}/command", start.replace("desk-1", "desk-2"))
        heard = await listening.until(lambda heard: len(heard) >= 1)
        await asyncio.sleep(0.2)
    assert [message.json["id"] for message in heard] == ["desk-2"]


async def test_a_killed_service_is_told_offline_by_its_will(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{PREFIX}/status")
    async with Service(shop_at(mosquitto, tmp_path / "data"), TurnedClock(), []) as service:
        await connected(service)
        outbox = service._outbox
        assert outbox is not None
        # The connection of another client with our id makes the broker cut ours without a word.
        async with aiomqtt.Client(
            "127.0.0.1", mosquitto.port, identifier=outbox.to.client_id, clean_session=True
        ):
            heard = await listening.until(lambda heard: len(heard) >= 2)
    assert [message.payload for message in heard[:2]] == ["online", "offline"]


async def test_an_absent_broker_is_one_line_in_the_log_and_no_hindrance(
    mosquitto: Mosquitto, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    mosquitto.stop()
    clock, adapter = TurnedClock(), FedAdapter()
    with caplog.at_level(logging.INFO, "holdwatch_daemon.outlets.mqtt"):
        async with Service(shop_at(mosquitto, tmp_path / "data"), clock, [adapter]) as service:
            await service.command(
                "BM-bay1", StartHold(command="start_hold", id="1", recipe="nitrogen"), by="test"
            )
            await service.command("BM-bay1", SayIsolated(command="say_isolated", id="2"), by="test")
            done = lambda: service.bays["BM-bay1"].runner is None  # noqa: E731
            await run_hold(service, clock, adapter, 3600, until=done)
            await first_event(service, "holdwatch.verdict")
            await asyncio.sleep(2.0)  # three tries at least
    lines = [record.getMessage() for record in caplog.records]
    assert len(lines) == 1
    assert "holds go on, events wait in the store" in lines[0]


async def test_live_values_go_out_once_a_second_and_twice_while_a_hold_runs(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{BAY}/live")
    clock, adapter = TurnedClock(), FedAdapter()
    time = asyncio.get_running_loop().time
    async with Service(shop_at(mosquitto, tmp_path / "data"), clock, [adapter]) as service:

        async def feed(seconds: float) -> int:
            before, began = len(listening.heard()), time()
            while time() - began < seconds:
                clock.now_ns += 10**7
                adapter.put(reading(clock, GAUGE, 1.5e6))
                await settled(service, adapter)
                await asyncio.sleep(0.01)
            return len(listening.heard()) - before

        await connected(service)
        await feed(0.2)
        quiet = await feed(2.2)
        start = StartHold(command="start_hold", id="1", recipe="nitrogen")
        assert (await service.command("BM-bay1", start, by="test")).ok
        busy = await feed(1.7)
    assert 1 <= quiet <= 3
    assert 3 <= busy <= 4


async def test_a_broker_that_reads_no_more_gets_everything_once_it_reads_again() -> None:
    reads, ended, got = asyncio.Event(), asyncio.Event(), bytearray()

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.read(1000)
        writer.write(b"\x20\x02\x00\x00")  # CONNACK, accepted
        await reads.wait()
        while data := await reader.read(100_000):
            got.extend(data)
        writer.close()
        await writer.wait_closed()
        ended.set()

    async with await asyncio.start_server(serve, "127.0.0.1", 0) as server:
        port = server.sockets[0].getsockname()[1]
        async with mqtt_session.connected(Broker("127.0.0.1", port)) as client:
            sock: Any = client._client.socket()
            assert sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY), (
                "it waits for no company"
            )
            said = 0
            while not client.is_held_up:
                client.say("live", "x" * 50_000)
                said += 1
                await asyncio.sleep(0)
            reads.set()
            await eventually(lambda: not client.is_held_up)
            client.say("live", "last")
            await eventually(lambda: got.endswith(b"last"))
        await ended.wait()
    assert got.count(b"\x00\x04live" + b"x" * 50_000) == said


async def test_the_embedded_broker_carries_events_and_commands(tmp_path: Path) -> None:
    async with Service(shop(tmp_path / "data"), TurnedClock(), []) as service:
        host, port = service.broker_address
        async with aiomqtt.Client(host, port) as client:
            await client.subscribe(f"{BAY}/reply", qos=1)
            await connected(service)
            command = {"command": "start_hold", "id": "desk-1", "recipe": "nitrogen"}
            await client.publish(f"{BAY}/command", json.dumps(command), qos=1)
            async with asyncio.timeout(10):
                async for message in client.messages:
                    # This broker hands out retained messages that nobody asked for.
                    if message.topic.matches(f"{BAY}/reply"):
                        break
        reply = Reply.model_validate_json(bytes(message.payload))
    assert reply.ok


async def test_the_embedded_broker_keeps_what_is_retained_and_hands_on_what_is_asked_for() -> None:
    async with (
        EmbeddedBroker() as broker,
        aiomqtt.Client(broker.host, broker.port) as teller,
    ):
        await teller.publish("shop/status", "online", qos=1, retain=True)
        await teller.publish("shop/live", "nobody hears it", qos=1)
        async with aiomqtt.Client(broker.host, broker.port) as client:
            await client.subscribe("shop/#", qos=1)
            await teller.publish("shop/live", "1")
            heard = []
            async with asyncio.timeout(10):
                async for message in client.messages:
                    heard.append((message.topic.value, message.payload))
                    if message.topic.value == "shop/live":
                        break
    assert heard == [("shop/status", b"online"), ("shop/live", b"1")]


async def test_the_embedded_broker_listens_on_loopback_alone() -> None:
    async with EmbeddedBroker() as broker:
        assert broker.host == "127.0.0.1"
        async with aiomqtt.Client(broker.host, broker.port) as client:
            await client.publish("x", "1", qos=1)


KILLED = """
import asyncio, sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from daemon_rig import START_UTC_NS, TurnedClock, connected, shop
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.service import Service

async def main():
    config = shop(Path(sys.argv[1]), mqtt={"host": "127.0.0.1", "port": int(sys.argv[2])})
    async with Service(config, TurnedClock(), []) as service:
        await connected(service)
        for n in range(10**6):
            draft = Draft("holdwatch.hold.noted", START_UTC_NS, {"n": n}, bay="BM-bay1")
            await service.events.tell(draft)
            if n == 300:
                print("told", flush=True)

asyncio.run(main())
"""


async def test_a_killed_process_loses_no_event_and_changes_no_order(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    listening = mosquitto.subscribe(f"{PREFIX}/events", session="archive")
    await asyncio.sleep(0.3)
    script = tmp_path / "killed.py"
    script.write_text(KILLED, encoding="utf-8")
    arguments = [str(tmp_path / "data"), str(mosquitto.port), str(Path(daemon_rig.__file__).parent)]
    with subprocess.Popen(  # noqa: ASYNC220 - the test waits for nothing else
        [sys.executable, str(script), *arguments], stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        assert await asyncio.to_thread(child.stdout.readline) == b"told\n"
        os.kill(child.pid, signal.SIGKILL)
    config = shop_at(mosquitto, tmp_path / "data")
    async with Service(config, TurnedClock(), []) as service:
        await eventually(lambda: broker_of(service)["behind"] == 0, within_s=30)
        last = service.events.newest
        heard = await listening.until(
            lambda heard: any(m.json["sequence"] == last for m in heard), within_s=30
        )
    numbers = [message.json["sequence"] for message in heard]
    assert in_order_after_going_back(numbers) == list(range(1, last + 1))


def in_order_after_going_back(numbers: list[int]) -> list[int]:
    """Drop what was sent again after the kill; fail where a number is skipped."""
    newest = 0
    for number in numbers:
        assert number <= newest + 1, f"{number} after {newest}"
        newest = max(newest, number)
    return list(range(1, newest + 1))


async def test_the_embedded_broker_closes_a_connection_that_says_nothing() -> None:
    async with EmbeddedBroker() as broker:
        reader, writer = await asyncio.open_connection(broker.host, broker.port)
        writer.write_eof()  # what we could still hear stays open
        async with asyncio.timeout(10):
            assert await reader.read() == b"", "the broker's side is closed too"
        writer.close()
        await writer.wait_closed()
