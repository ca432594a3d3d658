"""``holdwatch demo``: two simulated bays to their verdicts on embedded parts."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import os
import shutil
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from holdwatch_adapters.bluetooth import BluetoothAdapter, PayloadAdapter
from holdwatch_cli.check.bays import experimental_relays
from holdwatch_cli.demo import shop as demo_shop
from holdwatch_cli.demo.relays import relays_of
from holdwatch_cli.demo.season import IMPORTED, seed_story
from holdwatch_cli.options import Config, Port
from holdwatch_cli.running import run_until_stopped
from holdwatch_cli.serve import screen, with_options
from holdwatch_cli.terminal import say
from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.messages import SayIsolated, StartEvacuation, StartHold
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings import load_config, parse_config
from holdwatch_simulators.air import FakeBluez, PrivateBus

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Iterator

    from holdwatch_adapters.bluetooth import Payload
    from holdwatch_adapters.ports import Adapter
    from holdwatch_daemon.messages import Event
    from holdwatch_daemon.settings import ShopConfig
    from holdwatch_simulators.live import LiveBay
    from holdwatch_simulators.wire import WireUpdate

SPEAK_WITHIN_S = 20.0
"""How long the probes get to be heard before the holds begin without them, real seconds."""
BUS_VARIABLE = "DBUS_SYSTEM_BUS_ADDRESS"
"""bleak looks here for the system bus each time that it connects."""


def run_demo(
    *,
    port: int | None,
    data: Path,
    config: Path | None,
    speed: float,
    seed: int,
    by_wire: bool = False,
) -> int:
    """Run the demo until Ctrl-C; return the exit status."""
    if not logging.getLogger().isEnabledFor(logging.DEBUG):
        # The events tell the story, a line each; the log would tell it a second time.
        logging.getLogger().setLevel(logging.ERROR)
    bays = demo_shop.WIRED_BAYS if by_wire else demo_shop.BAYS
    return run_until_stopped(
        _demo(bays, port=port, data=data, config=config, speed=speed, seed=seed)
    )


async def _demo(
    bays: tuple[demo_shop.DemoBay, ...],
    *,
    port: int | None,
    data: Path,
    config: Path | None,
    speed: float,
    seed: int,
) -> None:
    clock = ScaledClock(speed)
    said: asyncio.Queue[tuple[str, str]] = asyncio.Queue()
    lives = demo_shop.live_bays(clock, seed, lambda bay, word: said.put_nowait((bay, word)), bays)
    shop = with_options(_shop(lives, bays, config), port=port, data=data)
    async with contextlib.AsyncExitStack() as stack:
        adapter = await _air(stack, lives, bays, clock)
        service = await stack.enter_async_context(Service(shop, clock, [adapter], simulated=True))
        url = await stack.enter_async_context(screen(service, shop))
        _announce(service, shop, url, speed)
        async with asyncio.TaskGroup() as tasks:
            # From this run's own start on: the folder may hold earlier runs.
            tasks.create_task(_tell_events(service, service.events.newest - 1))
            tasks.create_task(_say_marks(service, said))
            # Beside the holds: nobody waits for it, and it holds the writer for a moment only.
            tasks.create_task(
                asyncio.to_thread(seed_story, shop.database, clock.utc_ns, service.transactions)
            )
            for bay in bays:
                if bay.by_wire:
                    relays = relays_of(service.broker_address, bay.name, lives[bay.name])
                    tasks.create_task(relays.run())
                    await relays.connected.wait()
            await _until_all_speak(service)
            await _start_holds(service, bays)
            for live in lives.values():
                live.begin()  # only now: a valve must not be closed before its hold has begun
            await asyncio.Event().wait()


def _shop(
    lives: dict[str, LiveBay], bays: tuple[demo_shop.DemoBay, ...], config: Path | None
) -> ShopConfig:
    """The demo's shop; a configuration file gives site, units, broker and screen."""
    table = demo_shop.shop_table(lives, bays)
    if config is not None:
        given = load_config(config).model_dump(mode="json", exclude_none=True)
        table |= {key: given[key] for key in ("http", "mqtt", "show") if key in given}
        table["site"] = given["site"]
    return parse_config(table, where="demo")


async def _air(
    stack: contextlib.AsyncExitStack,
    lives: dict[str, LiveBay],
    bays: tuple[demo_shop.DemoBay, ...],
    clock: ScaledClock,
) -> Adapter:
    """Put the probes on a private D-Bus where one can be started, else feed the decoders.

    They speak from the beginning, as those of a real bay do.
    """
    probes = demo_shop.bluetooth_probes(lives, bays)
    if shutil.which("dbus-daemon") is None:
        say("No dbus-daemon on this machine: the simulated probes feed the decoders directly.")
        return PayloadAdapter(probes, clock, _merged(lives))
    bus = await stack.enter_async_context(PrivateBus())
    stack.enter_context(_environment(BUS_VARIABLE, bus.address))
    described = [probe for live in lives.values() for probe in live.probes]
    air = await stack.enter_async_context(FakeBluez(bus.address, described))
    speaking = await stack.enter_async_context(asyncio.TaskGroup())
    for live in lives.values():
        stack.callback(speaking.create_task(_put_on_air(live, air)).cancel)
    return BluetoothAdapter(probes, clock)


@contextlib.contextmanager
def _environment(name: str, value: str) -> Iterator[None]:
    before = os.environ.get(name)
    os.environ[name] = value
    try:
        yield
    finally:
        if before is None:
            del os.environ[name]
        else:
            os.environ[name] = before


async def _put_on_air(live: LiveBay, air: FakeBluez) -> None:
    async for update in live.wire_updates():
        air.update(update)


async def _merged(lives: dict[str, LiveBay]) -> AsyncIterator[Payload]:
    """What every bay's probes send, as one stream."""
    queue: asyncio.Queue[WireUpdate] = asyncio.Queue(maxsize=1000)

    async def pour(live: LiveBay) -> None:
        async for update in live.wire_updates():
            await queue.put(update)

    async with asyncio.TaskGroup() as tasks:
        for live in lives.values():
            tasks.create_task(pour(live))
        while True:
            update = await queue.get()
            yield demo_shop.slug(update.probe), update.characteristic_uuid, update.payload


async def _until_all_speak(service: Service) -> None:
    """Wait until every role of every bay has a reading; a bay that stays silent says so itself."""
    with contextlib.suppress(TimeoutError):
        async with (
            asyncio.timeout(SPEAK_WITHIN_S),
            contextlib.aclosing(service.feed.follow()) as news,
        ):
            async for _ in news:
                bays = service.bays.values()
                if all(set(bay.roles) <= set(bay.newest) for bay in bays):
                    return


async def _start_holds(service: Service, bays: tuple[demo_shop.DemoBay, ...]) -> None:
    for bay in bays:
        fresh = _fresh(f"start-{bay.name}")
        command: StartHold | StartEvacuation = StartHold(
            command="start_hold", id=fresh, recipe=bay.recipe
        )
        if bay.by_wire:
            await _until_safe(service, bay.name)
            command = StartEvacuation(
                command="start_evacuation", id=fresh, recipe=bay.recipe, recovered=True
            )
        reply = await service.command(bay.name, command, by="demo")
        if not reply.ok:
            say(f"{bay.label}: {reply.text}")


async def _until_safe(service: Service, bay: str) -> None:
    """Wait until valve and pump have confirmed that they are off."""
    with contextlib.suppress(TimeoutError):
        async with (
            asyncio.timeout(SPEAK_WITHIN_S),
            contextlib.aclosing(service.feed.follow()) as news,
        ):
            async for _ in news:
                evacuation = service.bay_state(bay).evacuation
                if evacuation is not None and evacuation.not_ready is None:
                    return


def _fresh(what: str) -> str:
    """An id that no earlier run in the same folder has used: that one would be answered again."""
    return f"demo-{what}-{uuid.uuid4().hex[:8]}"


async def _say_marks(service: Service, said: asyncio.Queue[tuple[str, str]]) -> None:
    """Do what a person at the bay would: say when a valve has been closed."""
    while True:
        bay, word = await said.get()
        if word in {"isolated", "valve_closed"}:
            command = SayIsolated(command="say_isolated", id=_fresh(f"{word}-{bay}"))
            await service.command(bay, command, by="demo")


async def _tell_events(service: Service, after: int) -> None:
    async for event in service.events.subscribe(max(after, 0)):
        # Not the vehicles that the demo itself wrote; and a job's change once, by the older type.
        if event.data.get("what") != IMPORTED and event.type != "holdwatch.job.changed":
            say(_line(event))


def _line(event: Event) -> str:
    """One event as one line: simulated time, what it is about, what happened."""
    about = event.bay or "service"
    kind = event.type.removeprefix("holdwatch.").replace(".", " ").replace("_", " ")
    return f"{event.time[11:19]}  {about:8}  {kind:16}  {_told(event)}"


def _told(event: Event) -> str:
    """What an event says, in words; one about a probe names it."""
    data = event.data
    text = str(data.get("sentence") or data.get("text") or "")
    if event.type == "holdwatch.story.changed":
        return f"{data['unit']}: {data['what']}"
    if event.type == "holdwatch.hold.started":
        return (
            f"{data['unit']}, {data['recipe']}: limit {data['criterion']} of {data['refrigerant']}."
        )
    if event.type.startswith("holdwatch.service."):
        return f"holdwatch {data['version']} at {data['site']}"
    probe = data.get("probe")
    if probe is None or text.startswith(str(probe)):
        return text or json.dumps(data)
    return f"{probe}: {text}" if text else str(probe)


def _announce(service: Service, shop: ShopConfig, url: str, speed: float) -> None:
    broker = service.health()["broker"]
    address = broker.get("address") if isinstance(broker, dict) else broker
    say(f"Bay screen: {url}")
    say(f"MQTT: {address}, topics {shop.mqtt_prefix}/#")
    say(f"Store: {shop.database}")
    for warning in experimental_relays(shop):
        say(f"Warning: {warning}")
    say(f"Time runs {speed:g} times as fast as the wall's. Ctrl-C ends.")


def demo(
    port: Port = None,
    data: Annotated[
        Path, typer.Option(help="Folder of the SQLite file, made where it is missing.")
    ] = Path("holdwatch-demo"),
    config: Config = None,
    speed: Annotated[
        float, typer.Option(min=1, max=600, help="Simulated seconds a second.")
    ] = 60.0,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the simulation's chance.")] = 1,
    by_wire: Annotated[
        bool, typer.Option("--by-wire", help="Let relays evacuate the first bay, unattended.")
    ] = False,
) -> None:
    """Run two simulated bays to their verdicts, with the bay screen.

    Example: holdwatch demo --speed 60
    """
    raise typer.Exit(
        run_demo(port=port, data=data, config=config, speed=speed, seed=seed, by_wire=by_wire)
    )
