"""From a probe's payloads to readings and notices: declared meaning, freshness, belief."""

from __future__ import annotations

import logging
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal

from holdwatch_adapters.bluetooth import bthome, gatt
from holdwatch_adapters.bluetooth.bthome_seal import CounterGuard, Seal, is_sealed
from holdwatch_adapters.layout import Layout
from holdwatch_adapters.payload import (
    Decoded,
    EncryptedError,
    PayloadError,
    RefusedError,
    check_quantity,
)
from holdwatch_adapters.ports import MemoryCounters
from holdwatch_adapters.telling import Teller, Told
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from holdwatch_adapters.payload import Reader
    from holdwatch_adapters.ports import Clock, CounterStore

log = logging.getLogger(__name__)

__all__ = ["BluetoothProbe", "Told", "Translator"]

_SIGNAL_AGAIN_NS: Final = 30_000_000_000
_SIGNAL_STEP_DB: Final = 6  # half or twice the field strength


@dataclass(frozen=True, slots=True)
class BluetoothProbe:
    """One enrolled probe: who it is, what it speaks, what its pressure counts from.

    Its channels are ``<name>/pressure`` and ``<name>/temperature``; a second value of one kind
    is ``<name>/temperature.2``, in the order of the device's own handles or payload. A declared
    layout names its channel itself.

    Attributes:
        name: The name in this shop.
        address: Bluetooth address; on macOS the identifier that ``holdwatch scan`` prints.
        profile: ``ess`` or ``gatt``: it is connected to; standard, self-describing and declared
            characteristics are read. ``bthome``: it advertises and is never connected to.
        pressure_reference: Whether its pressures are absolute or gauge; the air does not say.
        silence_s: No data for this long means that the link is dead.
        poll_s: How often a characteristic that only reads is read.
        layouts: Declared layouts of characteristics that are not standard.
        key: Key of a ``bthome`` probe that encrypts, 16 bytes; nothing else is then believed.
        mac: The true Bluetooth address where ``address`` is an identifier in its place.
    """

    name: str
    address: str
    profile: Literal["ess", "gatt", "bthome"]
    pressure_reference: Literal["gauge", "absolute"] = "gauge"
    silence_s: float = 15.0
    poll_s: float = 1.0
    layouts: tuple[Layout, ...] = ()
    key: bytes | None = field(default=None, repr=False)
    mac: str | None = None

    @property
    def connects(self) -> bool:
        """Whether the probe is connected to; a broadcaster is only listened to."""
        return self.profile != "bthome"


class Translator:
    """Turns one probe's payloads into readings and notices, stamped by a clock.

    Args:
        probe: The enrolled probe.
        clock: Stamps what is told.
        counters: Keeps the counters of encrypted payloads over restarts.

    Raises:
        ValueError: The probe has a key and no true address to use it with.
    """

    def __init__(
        self, probe: BluetoothProbe, clock: Clock, counters: CounterStore | None = None
    ) -> None:
        self.probe = probe
        self._teller = Teller(probe.name, clock)
        self._freshness = bthome.Freshness()
        self._battery: float | None = None
        self._signal: tuple[float, int] | None = None  # dBm as last told, and when
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
        return self._teller.notice(kind, detail, value)

    def characteristic(self, uuid: str, payload: bytes, place: int = 1) -> Told:
        """Return what one value of a standard characteristic says.

        Args:
            uuid: The characteristic's 128-bit UUID.
            payload: Its bytes.
            place: 1 for the device's first value of its kind, 2 for the second.
        """
        reader = gatt.READERS.get(uuid.lower())
        if reader is None:
            detail = f"characteristic {uuid} is not one that holdwatch reads"
            return self._teller.complain("malformed", f"{uuid} {place}", detail)
        return self.value(reader, payload, place, uuid)

    def value(self, reader: Reader, payload: bytes, place: int, source: str) -> Told:
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
                told = self._told(decoded, place, reader)
        except PayloadError as error:
            return self._teller.complain("malformed", f"{source} {place}", str(error))
        if decoded is None:
            detail = (
                f"the probe says that its {reader.kind} is not known: is its sensor plugged in?"
            )
            return self._teller.complain("malformed", f"{source} {place}", detail)
        if self._teller.complained:
            self._teller.is_well("malformed", f"{source} {place}")
        return told

    def service_data(self, payload: bytes) -> Told:
        """Return what one BTHome advertisement says; nothing where it was heard before."""
        try:
            packet, mark = self._believed(payload)
        except (EncryptedError, RefusedError) as error:
            return self._teller.complain("refused", "service data", str(error))
        except PayloadError as error:
            return self._teller.complain("malformed", "service data", str(error))
        if packet is None or not self._freshness.is_new(packet, mark):
            return ()
        told: list[Reading | ProbeNotice] = []
        if packet.cut:
            detail = f"the BTHome payload was read only in part: {packet.cut}"
            told += self._teller.complain("malformed", "cut", detail)
        places: dict[str, int] = {}
        for decoded in packet.values:
            places[decoded.kind] = place = places.get(decoded.kind, 0) + 1
            try:
                told += self._told(decoded, place)
            except PayloadError as error:
                told += self._teller.complain("malformed", f"{decoded.kind} {place}", str(error))
        return tuple(told)

    def battery(self, percent: float) -> Told:
        """Return a notice where the charge differs from the last one told."""
        if percent == self._battery:
            return ()
        self._battery = percent
        return (self.notice("battery", value=percent),)

    def signal(self, rssi_dbm: int) -> Told:
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

    def _told(self, decoded: Decoded, place: int, reader: Reader | None = None) -> Told:
        if decoded.kind == "battery":
            return self.battery(decoded.value_si)
        if isinstance(reader, Layout):
            scale = reader.scale
            return (self._teller.reading(scale.channel, scale.quantity, decoded.value_si),)
        quantity = self._pressure if decoded.kind == "pressure" else Quantity.TEMPERATURE
        check_quantity(quantity, decoded.value_si)
        suffix = "" if place == 1 else f".{place}"
        channel = f"{decoded.kind}{suffix}"
        return (self._teller.reading(channel, quantity, decoded.value_si),)
