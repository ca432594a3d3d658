"""Turns a Bluetooth probe's payloads into readings and notices: meaning, freshness, belief."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Final

from holdwatch_adapters.bluetooth import bthome, gatt
from holdwatch_adapters.bluetooth.bthome import CounterGuard, Seal, is_sealed
from holdwatch_adapters.bluetooth.settings import BluetoothProbe, LayoutSettings
from holdwatch_adapters.decoding import (
    Decoded,
    EncryptedError,
    PayloadError,
    RefusedError,
    check_quantity,
)
from holdwatch_adapters.ports import MemoryCounters
from holdwatch_adapters.stream import Items, Reporter
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, AsyncIterable, Sequence

    from holdwatch_adapters.decoding import Reader
    from holdwatch_adapters.ports import Clock, CounterStore
    from holdwatch_physics.reading import ProbeNotice, Reading


log = logging.getLogger(__name__)


_SIGNAL_AGAIN_NS: Final = 30_000_000_000
_SIGNAL_STEP_DB: Final = 6  # half or twice the field strength


class Translator:
    """Turns one probe's payloads into readings and notices, stamped by a clock.

    Args:
        probe: The enrolled probe.
        clock: Stamps the items.
        counters: Keeps the counters of encrypted payloads over restarts.

    Raises:
        ValueError: The probe has a key and no true address to use it with.
    """

    def __init__(
        self, probe: BluetoothProbe, clock: Clock, counters: CounterStore | None = None
    ) -> None:
        self.probe = probe
        self._reporter = Reporter(probe.name, clock)
        self._freshness = bthome.Freshness()
        self._battery: float | None = None
        self._signal: tuple[float, int] | None = None  # dBm as last reported, and when
        self._noted: set[str] = set()
        self._address = (probe.mac or probe.address).upper()
        self._seal: Seal | None = None
        self._last_sealed = b""
        if probe.key is not None:
            self._seal = Seal(probe.key, self._address)
            self._guard = CounterGuard(counters or MemoryCounters(), self._seal.sender)
        self._pressure = (
            Quantity.PRESSURE_GAUGE
            if probe.pressure_reference == "gauge"
            else Quantity.PRESSURE_ABSOLUTE
        )

    def notice(self, kind: str, detail: str = "", value: float | None = None) -> ProbeNotice:
        """Return a notice about this probe, stamped now."""
        return self._reporter.notice(kind, detail, value)

    def characteristic(self, uuid: str, payload: bytes, place: int = 1) -> Items:
        """Return what one value of a standard characteristic says.

        Args:
            uuid: The characteristic's 128-bit UUID.
            payload: Its bytes.
            place: 1 for the device's first value of its kind, 2 for the second.
        """
        reader = gatt.READERS.get(uuid.lower())
        if reader is None:
            detail = f"characteristic {uuid} is not one that holdwatch reads"
            return self._reporter.complain("malformed", f"{uuid} {place}", detail)
        return self.value(reader, payload, place, uuid)

    def value(self, reader: Reader, payload: bytes, place: int, source: str) -> Items:
        """Return what one value says.

        Args:
            reader: Reads the bytes.
            payload: The bytes.
            place: As for ``characteristic``.
            source: Names the characteristic in the record of complaints.
        """
        try:
            decoded = reader.read(payload)
            if decoded is not None:
                items = self._items(decoded, place, reader)
        except PayloadError as error:
            return self._reporter.complain("malformed", f"{source} {place}", str(error))
        if decoded is None:
            detail = (
                f"the probe says that its {reader.kind} is not known: is its sensor plugged in?"
            )
            return self._reporter.complain("malformed", f"{source} {place}", detail)
        if self._reporter.complained:
            self._reporter.is_well("malformed", f"{source} {place}")
        return items

    def service_data(self, payload: bytes) -> Items:
        """Return what one BTHome advertisement says; nothing where it was heard before."""
        try:
            packet, mark = self._believed(payload)
        except (EncryptedError, RefusedError) as error:
            return self._reporter.complain("refused", "service data", str(error))
        except PayloadError as error:
            return self._reporter.complain("malformed", "service data", str(error))
        if packet is None or not self._freshness.is_new(packet, mark):
            return ()
        items: list[Reading | ProbeNotice] = []
        if packet.cut:
            detail = f"the BTHome payload was read only in part: {packet.cut}"
            items += self._reporter.complain("malformed", "cut", detail)
        places: dict[str, int] = {}
        for decoded in packet.values:
            places[decoded.kind] = place = places.get(decoded.kind, 0) + 1
            try:
                items += self._items(decoded, place)
            except PayloadError as error:
                items += self._reporter.complain("malformed", f"{decoded.kind} {place}", str(error))
        return tuple(items)

    def battery(self, percent: float) -> Items:
        """Return a notice where the charge differs from the last one reported."""
        if percent == self._battery:
            return ()
        self._battery = percent
        return (self.notice("battery", value=percent),)

    def signal(self, rssi_dbm: int) -> Items:
        """Return a notice where the signal strength has changed much, at most twice a minute."""
        now = self.notice("signal", value=float(rssi_dbm))
        if self._signal is not None:
            told_dbm, told_ns = self._signal
            soon = now.mono_ns - told_ns < _SIGNAL_AGAIN_NS
            if soon or abs(rssi_dbm - told_dbm) < _SIGNAL_STEP_DB:
                return ()
        self._signal = (rssi_dbm, now.mono_ns)
        return (now,)

    def note(self, text: str) -> None:
        """Say once in the log why something that the probe offers is not read."""
        if text not in self._noted:
            self._noted.add(text)
            log.info("bluetooth: %s: %s", self.probe.name, text)

    def _believed(self, payload: bytes) -> tuple[bthome.Packet | None, bytes]:
        """Return the packet and what tells it apart; None where it was just heard.

        Raises:
            EncryptedError: Encrypted, and no key is known.
            RefusedError: Not from the probe, or heard before.
            PayloadError: Malformed.
        """
        if self._seal is None:
            packet = bthome.parse(payload)
            if packet.mac is not None and ":" in self._address and packet.mac != self._address:
                raise RefusedError(f"the BTHome payload names another address, {packet.mac}")
            return packet, payload
        if payload == self._last_sealed:
            return None, payload  # the radio stack repeats itself: no replay
        if not is_sealed(payload):
            raise RefusedError(
                "the BTHome payload is not encrypted, although this probe has a key: another "
                "device uses its address, or the probe lost its key"
            )
        opened = self._seal.open(payload)
        self._guard.accept(opened.counter)
        self._last_sealed = payload
        return bthome.parse(opened.plain), payload

    def _items(self, decoded: Decoded, place: int, reader: Reader | None = None) -> Items:
        if decoded.kind == "battery":
            return self.battery(decoded.value_si)
        if isinstance(reader, LayoutSettings):
            return (self._reporter.reading(reader.channel, reader.quantity, decoded.value_si),)
        quantity = self._pressure if decoded.kind == "pressure" else Quantity.TEMPERATURE
        check_quantity(quantity, decoded.value_si)
        suffix = "" if place == 1 else f".{place}"
        channel = f"{decoded.kind}{suffix}"
        return (self._reporter.reading(channel, quantity, decoded.value_si),)


Payload = tuple[str, str | None, bytes]
"""Probe name; characteristic UUID, or None for BTHome service data; bytes."""


class PayloadAdapter:
    """Decodes payloads from an async iterator as if a radio had brought them.

    Payloads of probes that are not enrolled are passed over.

    Args:
        probes: The enrolled probes.
        clock: Stamps the readings.
        payloads: Where the payloads come from.
    """

    def __init__(
        self, probes: Sequence[BluetoothProbe], clock: Clock, payloads: AsyncIterable[Payload]
    ) -> None:
        self._translators = {probe.name: Translator(probe, clock) for probe in probes}
        self._payloads = payloads

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return "payload-feed"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield readings and notices as payloads arrive; end when they do."""
        introduced: set[str] = set()
        async for probe, uuid, payload in self._payloads:
            translator = self._translators.get(probe)
            if translator is None:
                continue
            if probe not in introduced:
                introduced.add(probe)
                yield translator.notice("connected", "fed directly, without a radio")
            items = (
                translator.service_data(payload)
                if uuid is None
                else translator.characteristic(uuid, payload)
            )
            for item in items:
                yield item
