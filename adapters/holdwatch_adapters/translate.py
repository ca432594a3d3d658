"""From a probe's payloads to readings and notices: declared meaning, freshness, complaints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from holdwatch_adapters import bthome, gatt
from holdwatch_adapters.payload import Decoded, EncryptedError, PayloadError
from holdwatch_physics.reading import ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from holdwatch_adapters.ports import Clock

Told = tuple[Reading | ProbeNotice, ...]

_COMPLAIN_AGAIN_NS: Final = 60_000_000_000  # a babbling probe is named once a minute


@dataclass(frozen=True, slots=True)
class BluetoothProbe:
    """One enrolled probe: who it is, what it speaks, what its pressure counts from.

    Its channels are ``<name>/pressure`` and ``<name>/temperature``; a second value of one kind
    is ``<name>/temperature.2``, in the order of the device's own handles or payload.

    Attributes:
        name: The name in this shop.
        address: Bluetooth address; on macOS the identifier that ``holdwatch scan`` prints.
        profile: ``ess``: it is connected to and notifies standard characteristics;
            ``bthome``: it advertises and is never connected to.
        pressure_reference: Whether its pressures are absolute or gauge; the air does not say.
        silence_s: No data for this long means that the link is dead.
    """

    name: str
    address: str
    profile: Literal["ess", "bthome"]
    pressure_reference: Literal["gauge", "absolute"] = "gauge"
    silence_s: float = 15.0


class Translator:
    """Turns one probe's payloads into readings and notices, stamped by a clock."""

    def __init__(self, probe: BluetoothProbe, clock: Clock) -> None:
        self.probe = probe
        self._clock = clock
        self._freshness = bthome.Freshness()
        self._battery: float | None = None
        self._complained: dict[str, int] = {}  # kind and source → when, mono_ns
        self._pressure = (
            Quantity.PRESSURE_GAUGE
            if probe.pressure_reference == "gauge"
            else Quantity.PRESSURE_ABSOLUTE
        )

    def notice(self, kind: str, detail: str = "", value: float | None = None) -> ProbeNotice:
        """Return a notice about this probe, stamped now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return ProbeNotice(self.probe.name, kind, utc_ns, mono_ns, detail, value)

    def characteristic(self, uuid: str, payload: bytes, place: int = 1) -> Told:
        """Return what one value of a characteristic says.

        Args:
            uuid: The characteristic's 128-bit UUID.
            payload: Its bytes.
            place: 1 for the device's first characteristic of this UUID, 2 for the second.
        """
        try:
            decoded = gatt.decode(uuid, payload)
        except PayloadError as error:
            return self._complain("malformed", f"{uuid} {place}", str(error))
        if decoded is None:
            kind = gatt.FORMATS[uuid.lower()].kind
            detail = f"the probe says that its {kind} is not known: is its sensor plugged in?"
            return self._complain("malformed", f"{uuid} {place}", detail)
        self._complained.pop(f"malformed {uuid} {place}", None)
        return self._told(decoded, place)

    def service_data(self, payload: bytes) -> Told:
        """Return what one BTHome advertisement says; nothing where it was heard before."""
        try:
            packet = bthome.parse(payload)
        except EncryptedError as error:
            return self._complain("refused", "service data", str(error))
        except PayloadError as error:
            return self._complain("malformed", "service data", str(error))
        if not self._freshness.is_new(packet, payload):
            return ()
        told: list[Reading | ProbeNotice] = []
        if packet.cut:
            detail = f"the BTHome payload was read only in part: {packet.cut}"
            told += self._complain("malformed", "cut", detail)
        places: dict[str, int] = {}
        for decoded in packet.values:
            places[decoded.kind] = place = places.get(decoded.kind, 0) + 1
            told += self._told(decoded, place)
        return tuple(told)

    def battery(self, percent: float) -> Told:
        """Return a notice where the charge differs from the last one told."""
        if percent == self._battery:
            return ()
        self._battery = percent
        return (self.notice("battery", value=percent),)

    def _told(self, decoded: Decoded, place: int) -> Told:
        if decoded.kind == "battery":
            return self.battery(decoded.value_si)
        quantity = self._pressure if decoded.kind == "pressure" else Quantity.TEMPERATURE
        suffix = "" if place == 1 else f".{place}"
        channel = f"{self.probe.name}/{decoded.kind}{suffix}"
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return (Reading(channel, quantity, utc_ns, mono_ns, decoded.value_si),)

    def _complain(self, kind: str, source: str, detail: str) -> Told:
        now = self._clock.mono_ns()
        key = f"{kind} {source}"
        last = self._complained.get(key)
        if last is not None and now - last < _COMPLAIN_AGAIN_NS:
            return ()
        self._complained[key] = now
        return (self.notice(kind, f"{self.probe.name}: {detail}"),)
