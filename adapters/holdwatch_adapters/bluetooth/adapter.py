"""Bluetooth probes through bleak: one scanner, one owner task for each probe, no stuck links.

What bleak does not do is done here: a watchdog on the data (a link can look alive for ever), a
watch on the system's Bluetooth service, patience on every call, one attempt to connect at a
time, pauses that grow.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import sys
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from holdwatch_adapters.backoff import Backoff
from holdwatch_adapters.bluetooth import bthome
from holdwatch_adapters.bluetooth.bluez_watch import BluezWatch
from holdwatch_adapters.bluetooth.link import Link, LinkLost, LinkTiming
from holdwatch_adapters.bluetooth.probe import Translator
from holdwatch_adapters.bluetooth.scanning import (
    BLUETOOTH_ADVICE,
    NO_SIGNAL_DBM,
    Seen,
    scan,
    start_scanner,
    stop_scanner,
)
from holdwatch_adapters.bluetooth.settings import BluetoothProbe
from holdwatch_adapters.ports import AdapterError, MemoryCounters
from holdwatch_adapters.stream import ItemQueue, streamed
from holdwatch_physics.reading import ProbeNotice, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Sequence

    from bleak import BleakScanner
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

    from holdwatch_adapters.ports import Clock, CounterStore

__all__ = ["BluetoothAdapter", "BluetoothProbe", "ProbeState", "Seen", "scan"]

log = logging.getLogger(__name__)


@dataclass(slots=True)
class ProbeState:
    """How one probe stands, for health.

    Attributes:
        connected: A link is up and subscribed, or a broadcaster is being heard.
        rssi_dbm: Signal strength of its last advertisement, or None.
        links: How many times a link came up.
        battery_percent: Charge as last reported, or None.
    """

    connected: bool = False
    rssi_dbm: int | None = None
    links: int = 0
    battery_percent: float | None = None


class _ServiceGone(Exception):  # noqa: N818 - ends an era, inside this module only
    """The system's Bluetooth service died or was started anew."""


class _Enrolled:
    """What the adapter keeps of one probe while it runs."""

    def __init__(self, probe: BluetoothProbe, clock: Clock, counters: CounterStore) -> None:
        self.probe = probe
        self.translator = Translator(probe, clock, counters)
        self.state = ProbeState()
        self.device: BLEDevice | None = None
        self.sighted = asyncio.Event()
        self.heard = asyncio.Event()

    def forget_sighting(self) -> None:
        """Wait for the next sign of life before the next attempt."""
        self.device = None
        self.sighted.clear()
        self.heard.clear()


class BluetoothAdapter:
    """Enrolled Bluetooth probes as one stream of readings.

    Only enrolled probes are believed. A probe that is lost is sought for ever; its notices say
    ``connected`` and ``lost``. The death of the system's Bluetooth service is survived when it
    comes back soon.

    Args:
        probes: The enrolled probes; addresses and names are unique.
        clock: Stamps the readings. Links are timed in real time, whatever this clock shows.
        timing: Patience with the radio.
        random_source: For the jitter of pauses.
        hci: The Bluetooth adapter to use on Linux, for example ``hci0``; None for the first.
        passive: Only listen for advertisements, and ask devices for no more.
        counters: Keeps the counters of encrypted advertisements over restarts.

    Raises:
        ValueError: Two probes share a name or an address, or a key has no address.
    """

    def __init__(
        self,
        probes: Sequence[BluetoothProbe],
        clock: Clock,
        *,
        timing: LinkTiming | None = None,
        random_source: random.Random | None = None,
        hci: str | None = None,
        passive: bool = False,
        counters: CounterStore | None = None,
    ) -> None:
        self._timing = timing or LinkTiming()
        self._random = random_source or random.Random()  # noqa: S311 - jitter, not secrets
        self._hci = hci
        self._passive = passive
        kept = counters or MemoryCounters()
        self._probes = {probe.address.upper(): _Enrolled(probe, clock, kept) for probe in probes}
        names = {probe.name for probe in probes}
        if len(self._probes) != len(probes) or len(names) != len(probes):
            raise ValueError("two enrolled probes share a name or an address: give each its own")
        self._outlet = ItemQueue()
        self._stopping = ""  # why links end when the adapter itself ends them
        self._connecting = asyncio.Lock()
        self._advertised = asyncio.Event()

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return "bluetooth"

    def states(self) -> dict[str, ProbeState]:
        """Return how each probe stands, by its name."""
        return {entry.probe.name: entry.state for entry in self._probes.values()}

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as they arrive; one reader at a time.

        Raises:
            AdapterError: There is no Bluetooth here, or its service stayed away.
        """
        async with contextlib.aclosing(streamed(self._run, "bluetooth")) as stream:
            async for item in stream:
                yield item

    async def _run(self, queue: ItemQueue) -> None:
        """Live through one era of the Bluetooth service after another."""
        self._outlet = queue
        while True:
            async with contextlib.AsyncExitStack() as stack:
                watch: BluezWatch | None = None
                if sys.platform == "linux":
                    watch = await self._open_watch(stack)
                failed: AdapterError | None = None
                try:
                    # In a task of its own: the first releases of Python 3.11 leave the task that
                    # holds a group cancelled after one of its children has failed.
                    await asyncio.create_task(self._era(watch))
                except* _ServiceGone:
                    pass
                except* AdapterError as group:
                    # Raised below: within `except*` those releases wrap it in a group again.
                    failed = AdapterError(str(group.exceptions[0]))
                if failed is not None:
                    raise failed
                assert watch is not None  # noqa: S101 - only a watch ends an era
                log.warning("bluetooth: the system's Bluetooth service is gone")
                if not await watch.returned(self._timing.daemon_return):
                    raise AdapterError(
                        f"the system's Bluetooth service stays away: {BLUETOOTH_ADVICE}"
                    )
                log.info("bluetooth: the system's Bluetooth service is back")

    async def _open_watch(self, stack: contextlib.AsyncExitStack) -> BluezWatch:
        try:
            return await stack.enter_async_context(BluezWatch(self._timing.call))
        except Exception as error:
            raise AdapterError(
                f"the system bus cannot be reached ({error}): {BLUETOOTH_ADVICE}"
            ) from error

    async def _era(self, watch: BluezWatch | None) -> None:
        self._stopping = "the Bluetooth adapter stopped"
        scanner = await self._start_scanner()
        async with asyncio.TaskGroup() as group:
            group.create_task(self._keep_scanning(scanner, watch))
            for entry in self._probes.values():
                entry.forget_sighting()
                if entry.probe.connects:
                    group.create_task(self._own(entry, watch))
                else:
                    group.create_task(self._listen(entry))
            if watch is not None:
                group.create_task(self._end_with_service(watch))
                group.create_task(self._adopt_for_ever(watch))

    async def _end_with_service(self, watch: BluezWatch) -> None:
        await watch.gone()
        self._stopping = "the system's Bluetooth service is gone"
        raise _ServiceGone

    # The one scanner

    async def _start_scanner(self) -> BleakScanner:
        return await start_scanner(
            self._on_advertisement, self._hci, self._timing.call, passive=self._passive
        )

    async def _keep_scanning(self, scanner: BleakScanner, watch: BluezWatch | None) -> None:
        backoff = Backoff(self._random, self._timing.backoff_first, self._timing.backoff_last)
        current: BleakScanner | None = scanner
        said = ""
        try:
            while True:
                await self._until_silent(watch)
                await stop_scanner(scanner, self._timing.call)
                current = None
                while current is None:
                    try:
                        current = scanner = await self._start_scanner()
                        backoff.reset()
                        said = ""
                    except AdapterError as error:  # running links may still be good
                        if str(error) != said:
                            said = str(error)
                            log.warning("bluetooth: %s", error)
                        await _pause(backoff.next_s(), watch)
        finally:
            if current is not None:
                await stop_scanner(current, self._timing.call)

    async def _until_silent(self, watch: BluezWatch | None) -> None:
        """Return when no advertisement came for long, or when the radio came or went."""
        last = asyncio.get_running_loop().time()
        while True:
            self._advertised.clear()
            left = last + self._timing.scanner_silence - asyncio.get_running_loop().time()
            if left <= 0.0 or (watch is not None and watch.radio_changed.is_set()):
                break
            await _pause(min(left, 1.0), watch)
            if self._advertised.is_set():
                last = asyncio.get_running_loop().time()
        if watch is not None and watch.radio_changed.is_set():
            watch.radio_changed.clear()
            log.warning("bluetooth: the radio came or went")

    async def _adopt_for_ever(self, watch: BluezWatch) -> None:
        """Take up links that were left behind: such a probe never advertises.

        A process that was killed leaves them, and so does a disconnect that failed.
        """
        while True:
            wanted = {
                address
                for address, entry in self._probes.items()
                if entry.probe.connects and not entry.state.connected
            }
            if wanted:
                with contextlib.suppress(OSError, TimeoutError):
                    for device in await watch.linked(wanted):
                        self._sighted(self._probes[device.address.upper()], device)
            await asyncio.sleep(self._timing.adopt)

    def _on_advertisement(self, device: BLEDevice, advertisement: AdvertisementData) -> None:
        self._advertised.set()
        entry = self._probes.get(device.address.upper())
        if entry is None:
            return
        if advertisement.rssi != NO_SIGNAL_DBM:
            entry.state.rssi_dbm = advertisement.rssi
            for item in entry.translator.signal(advertisement.rssi):
                self._outlet.put(item)
        if entry.probe.connects:
            self._sighted(entry, device)
            return
        # This call also comes for a change of signal strength, with the payload of before.
        payload = advertisement.service_data.get(bthome.SERVICE_DATA)
        if payload is None:
            return
        items = entry.translator.service_data(bytes(payload))
        # What is refused or malformed is no sign of life: it may be another device's.
        if any(isinstance(item, Reading) for item in items) and not entry.state.connected:
            self._mark_connected(entry)
        for item in items:
            self._put(entry, item)
        if any(isinstance(item, Reading) for item in items):
            entry.heard.set()

    @staticmethod
    def _sighted(entry: _Enrolled, device: BLEDevice) -> None:
        entry.device = device
        entry.sighted.set()

    # Notices

    def _put(self, entry: _Enrolled, item: Reading | ProbeNotice) -> None:
        if isinstance(item, ProbeNotice) and item.kind == "battery":
            entry.state.battery_percent = item.value
        self._outlet.put(item)

    def _mark_connected(self, entry: _Enrolled) -> None:
        entry.state.connected = True
        entry.state.links += 1
        strength = entry.state.rssi_dbm
        detail = "" if strength is None else f"signal {strength} dBm"
        log.info("bluetooth: %s connected %s", entry.probe.name, detail)
        self._outlet.put(entry.translator.notice("connected", detail))

    def _mark_lost(self, entry: _Enrolled, reason: str) -> None:
        if not entry.state.connected:
            return
        entry.state.connected = False
        log.warning("bluetooth: %s lost: %s", entry.probe.name, reason)
        self._outlet.put(entry.translator.notice("lost", reason))

    # One task for each probe

    async def _listen(self, entry: _Enrolled) -> None:
        """Say when a broadcaster has fallen silent."""
        try:
            while True:
                entry.heard.clear()
                try:
                    async with asyncio.timeout(entry.probe.silence_s):
                        await entry.heard.wait()
                except TimeoutError:
                    quiet = f"nothing new was heard for {entry.probe.silence_s:g} s"
                    self._mark_lost(entry, quiet)
                    await entry.heard.wait()
        finally:
            self._mark_lost(entry, self._stopping)

    async def _own(self, entry: _Enrolled, watch: BluezWatch | None) -> None:
        """Keep one probe linked, for ever."""
        backoff = Backoff(self._random, self._timing.backoff_first, self._timing.backoff_last)
        failing = False
        while True:
            await entry.sighted.wait()
            device = entry.device
            assert device is not None  # noqa: S101 - set together with the event
            put = partial(self._put, entry)
            link = Link(entry.translator, put, self._timing, self._connecting, watch)
            reason = ""
            try:
                await link.hold(device, lambda: self._mark_connected(entry))
            except LinkLost as lost:
                reason = str(lost)
            except Exception as error:  # noqa: BLE001 - bleak raises many kinds; one probe must not stop the others
                reason = f"{type(error).__name__}: {error}"
            finally:
                was_up = entry.state.connected
                self._mark_lost(entry, reason or self._stopping)
            if was_up and link.had_data:
                backoff.reset()
                failing = False
            elif not failing:
                failing = True
                log.warning("bluetooth: %s cannot be linked: %s", entry.probe.name, reason)
            await asyncio.sleep(backoff.next_s())
            entry.forget_sighting()


async def _pause(seconds: float, watch: BluezWatch | None) -> None:
    """Wait, but no longer than until the radio comes or goes."""
    if watch is None:
        await asyncio.sleep(seconds)
        return
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(seconds):
            await watch.radio_changed.wait()
