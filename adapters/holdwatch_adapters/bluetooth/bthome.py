"""Decodes BTHome v2 advertisements, opens encrypted ones, and refuses replays.

Format: the BTHome v2 page, bthome.io/format; the object table is checked against the library
``bthome-ble`` in the tests. Encryption: the BTHome v2 page, bthome.io/encryption: AES-128-CCM
with a tag of 4 bytes; nonce = address (6, as written) ‖ UUID (2, as sent) ‖ device information
(1) ‖ counter (4, as sent).
"""

from __future__ import annotations

import hashlib
import re
from collections import deque
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Final

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESCCM

from holdwatch_adapters.bluetooth.gatt import full_uuid
from holdwatch_adapters.decoding import (
    Decoded,
    EncryptedError,
    Kind,
    PayloadError,
    RefusedError,
    checked,
)

if TYPE_CHECKING:
    from holdwatch_adapters.ports import CounterStore


SERVICE_DATA: Final = full_uuid(0xFCD2)
"""The UUID under which BTHome service data is advertised."""

_ENCRYPTED: Final = 0x01
_MAC_INCLUDED: Final = 0x02
_TRIGGER_BASED: Final = 0x04
_MAC_BYTES: Final = 6
_RECENT: Final = 8
"""Packet ids remembered: more than a radio mixes up, far fewer than the 256 there are."""


@dataclass(frozen=True, slots=True)
class ObjectType:
    """One row of the object table.

    Attributes:
        name: What the object carries, in the format's words.
        length: Bytes of its value; 0 where a length byte leads it.
        signed: Whether the raw integer is two's complement.
        factor: Published unit per raw step, for example ``0.01`` (hPa for pressure).
    """

    name: str
    length: int
    signed: bool = False
    factor: str = "1"


_BINARY_FROM_0F: Final = "generic power opening"
_BINARY_FROM_15: Final = (
    "battery_low battery_charging carbon_monoxide cold connectivity door garage_door gas heat "
    "light lock moisture motion moving occupancy plug presence problem running safety smoke "
    "sound tamper vibration window"
)

OBJECTS: Final[dict[int, ObjectType]] = {
    0x00: ObjectType("packet_id", 1),
    0x01: ObjectType("battery", 1),
    0x02: ObjectType("temperature", 2, signed=True, factor="0.01"),
    0x03: ObjectType("humidity", 2, factor="0.01"),
    0x04: ObjectType("pressure", 3, factor="0.01"),
    0x05: ObjectType("illuminance", 3, factor="0.01"),
    0x06: ObjectType("mass_kg", 2, factor="0.01"),
    0x07: ObjectType("mass_lb", 2, factor="0.01"),
    0x08: ObjectType("dew_point", 2, signed=True, factor="0.01"),
    0x09: ObjectType("count", 1),
    0x0A: ObjectType("energy", 3, factor="0.001"),
    0x0B: ObjectType("power", 3, factor="0.01"),
    0x0C: ObjectType("voltage", 2, factor="0.001"),
    0x0D: ObjectType("pm2.5", 2),
    0x0E: ObjectType("pm10", 2),
    **{0x0F + n: ObjectType(name, 1) for n, name in enumerate(_BINARY_FROM_0F.split())},
    0x12: ObjectType("carbon_dioxide", 2),
    0x13: ObjectType("volatile_organic_compounds", 2),
    0x14: ObjectType("moisture", 2, factor="0.01"),
    **{0x15 + n: ObjectType(name, 1) for n, name in enumerate(_BINARY_FROM_15.split())},
    0x2E: ObjectType("humidity", 1),
    0x2F: ObjectType("moisture", 1),
    0x3A: ObjectType("button", 1),
    0x3B: ObjectType("command", 0),
    0x3C: ObjectType("dimmer", 2),
    0x3D: ObjectType("count", 2),
    0x3E: ObjectType("count", 4),
    0x3F: ObjectType("rotation", 2, signed=True, factor="0.1"),
    0x40: ObjectType("distance_mm", 2),
    0x41: ObjectType("distance_m", 2, factor="0.1"),
    0x42: ObjectType("duration", 3, factor="0.001"),
    0x43: ObjectType("current", 2, factor="0.001"),
    0x44: ObjectType("speed", 2, factor="0.01"),
    0x45: ObjectType("temperature", 2, signed=True, factor="0.1"),
    0x46: ObjectType("uv_index", 1, factor="0.1"),
    0x47: ObjectType("volume", 2, factor="0.1"),
    0x48: ObjectType("volume_ml", 2),
    0x49: ObjectType("volume_flow_rate", 2, factor="0.001"),
    0x4A: ObjectType("voltage", 2, factor="0.1"),
    0x4B: ObjectType("gas", 3, factor="0.001"),
    0x4C: ObjectType("gas", 4, factor="0.001"),
    0x4D: ObjectType("energy", 4, factor="0.001"),
    0x4E: ObjectType("volume", 4, factor="0.001"),
    0x4F: ObjectType("water", 4, factor="0.001"),
    0x50: ObjectType("timestamp", 4),
    0x51: ObjectType("acceleration", 2, factor="0.001"),
    0x52: ObjectType("gyroscope", 2, factor="0.001"),
    0x53: ObjectType("text", 0),
    0x54: ObjectType("raw", 0),
    0x55: ObjectType("volume_storage", 4, factor="0.001"),
    0x56: ObjectType("conductivity", 2),
    0x57: ObjectType("temperature", 1, signed=True),
    0x58: ObjectType("temperature", 1, signed=True, factor="0.35"),
    0x59: ObjectType("count", 1, signed=True),
    0x5A: ObjectType("count", 2, signed=True),
    0x5B: ObjectType("count", 4, signed=True),
    0x5C: ObjectType("power", 4, signed=True, factor="0.01"),
    0x5D: ObjectType("current", 2, signed=True, factor="0.001"),
    0x5E: ObjectType("direction", 2, factor="0.01"),
    0x5F: ObjectType("precipitation", 2, factor="0.1"),
    0x60: ObjectType("channel", 1),
    0x61: ObjectType("rotational_speed", 2),
    0x62: ObjectType("speed", 4, signed=True, factor="0.000001"),
    0x63: ObjectType("acceleration", 4, signed=True, factor="0.000001"),
    0x64: ObjectType("light_level", 1),
    0x65: ObjectType("settings_revision", 1),
    0xF0: ObjectType("device_type_id", 2),
    0xF1: ObjectType("firmware_version", 4),
    0xF2: ObjectType("firmware_version", 3),
}
"""Every object of the format by id, so that a parser can walk past what it does not use."""

_COMMAND_ID: Final = 0x3B
_COMMAND_LENGTH_MASK: Final = 0x1F  # the upper bits are reserved; an opcode precedes the arguments

_TO_SI: Final[dict[str, tuple[Kind, Fraction, Fraction]]] = {
    "pressure": ("pressure", Fraction(100), Fraction(0)),  # hPa
    "temperature": ("temperature", Fraction(1), Fraction("273.15")),  # °C
    "battery": ("battery", Fraction(1), Fraction(0)),  # percent
}
"""The objects that become values: kind, SI units per published unit, and what is added."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One advertisement.

    Attributes:
        values: What holdwatch reads of it, in the order sent.
        packet_id: The sender's running number, 0 to 255, or None where it sends none.
        trigger_based: Whether the sender speaks only when something happens.
        mac: The sender's address where the payload carries it, else None.
        cut: Why the walk ended before the payload did; empty where it did not.
    """

    values: tuple[Decoded, ...]
    packet_id: int | None
    trigger_based: bool
    mac: str | None
    cut: str = ""


def parse(service_data: bytes) -> Packet:
    """Decode one advertisement's service data (without the UUID in front).

    An object of unknown id, or one longer than what is left, ends the walk; what came before
    stands.

    Raises:
        EncryptedError: The payload is encrypted.
        PayloadError: The payload is empty, of another version, or holds a value that cannot
            exist.

    >>> parse(bytes.fromhex("4004138a01")).values
    (Decoded(kind='pressure', value_si=100883.0),)
    """
    if not service_data:
        raise PayloadError("the BTHome payload is empty")
    info = service_data[0]
    if info >> 5 != 2:
        raise PayloadError(
            f"the BTHome payload says version {info >> 5}; holdwatch reads version 2"
        )
    start, mac = 1, None
    if info & _MAC_INCLUDED:
        start = 1 + _MAC_BYTES
        if len(service_data) < start:
            raise PayloadError("the BTHome payload is too short for the address that it announces")
        mac = ":".join(f"{byte:02X}" for byte in reversed(service_data[1:start]))
    if info & _ENCRYPTED:
        raise EncryptedError("the BTHome payload is encrypted: the sender's key is needed")
    values, packet_id, cut = _walk(service_data[start:])
    return Packet(values, packet_id, bool(info & _TRIGGER_BASED), mac, cut)


def _walk(objects: bytes) -> tuple[tuple[Decoded, ...], int | None, str]:
    values: list[Decoded] = []
    packet_id: int | None = None
    at = 0
    while at < len(objects):
        object_id = objects[at]
        known = OBJECTS.get(object_id)
        if known is None:
            return tuple(values), packet_id, f"object 0x{object_id:02x} is unknown"
        first = at + 1
        length = known.length
        if length == 0:  # a length byte leads the value
            if first >= len(objects):
                return tuple(values), packet_id, f"object 0x{object_id:02x} is cut short"
            length = objects[first]
            if object_id == _COMMAND_ID:
                length = 1 + (length & _COMMAND_LENGTH_MASK)
            first += 1
        at = first + length
        if at > len(objects):
            return tuple(values), packet_id, f"object 0x{object_id:02x} is cut short"
        if object_id == 0:
            packet_id = objects[first]
        elif known.name in _TO_SI:
            raw = int.from_bytes(objects[first:at], "little", signed=known.signed)
            values.append(_in_si(known, raw))
    return tuple(values), packet_id, ""


def _in_si(known: ObjectType, raw: int) -> Decoded:
    kind, per_unit, offset = _TO_SI[known.name]
    return checked(kind, float(raw * Fraction(known.factor) * per_unit + offset))


class Freshness:
    """Tells a new measurement of one sender from its old one heard again.

    The radio stack repeats an advertisement's cached payload whenever anything else about the
    sender changes, its signal strength for example, and a scanner may hear two advertisements
    out of order. New is: a packet id that is none of the last ``_RECENT``, or, from a sender
    without packet ids, other bytes than the last. Such a sender that measures the very same
    value for long therefore cannot be told from one that fell silent.
    """

    def __init__(self) -> None:
        self._ids: deque[int] = deque(maxlen=_RECENT)
        self._bytes: bytes | None = None

    def is_new(self, packet: Packet, mark: bytes) -> bool:
        """Return whether this advertisement is new, and remember it.

        Args:
            packet: The advertisement.
            mark: What tells two measurements apart where there is no packet id: the payload.
        """
        if packet.packet_id is None:
            known = mark == self._bytes
        else:
            known = packet.packet_id in self._ids
            if not known:
                self._ids.append(packet.packet_id)
        self._bytes = mark
        return not known


KEY_BYTES: Final = 16
_ADDRESS: Final = re.compile(r"[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}")
_UUID_AS_SENT: Final = bytes.fromhex("d2fc")
_TAIL: Final = 8  # counter and tag
_COUNTERS: Final = 1 << 32
_NEAR_THE_WRAP: Final = 100
"""A counter may begin again at 0 only from its last hundred values on: once in 136 years at one
packet a second. A sender that loses its counter needs a new key."""


def is_sealed(service_data: bytes) -> bool:
    """Return whether a payload says that it is encrypted."""
    return bool(service_data) and bool(service_data[0] & _ENCRYPTED)


@dataclass(frozen=True, slots=True)
class Opened:
    """An encrypted payload, opened: ``plain`` is what ``parse`` reads."""

    plain: bytes
    counter: int


class Seal:
    """One probe's key and address.

    Args:
        key: 16 bytes.
        address: The probe's true Bluetooth address; an identifier in its place opens nothing.

    Raises:
        ValueError: The key or the address has the wrong form.
    """

    def __init__(self, key: bytes, address: str) -> None:
        if len(key) != KEY_BYTES:
            raise ValueError(f"a BTHome key has {KEY_BYTES} bytes, not {len(key)}")
        if not _ADDRESS.fullmatch(address):
            raise ValueError(
                f"{address} is no Bluetooth address of six bytes: where the system hides the "
                "address, give the true one as `mac`"
            )
        self._address = bytes.fromhex(address.replace(":", ""))
        self._cipher = AESCCM(key, tag_length=4)
        self.sender = f"{address.upper()} {hashlib.sha256(key).hexdigest()[:16]}"
        """Names this address with this key in a ``CounterStore``; a new key begins anew."""

    def open(self, service_data: bytes) -> Opened:
        """Return what an encrypted payload holds; its counter is not judged here.

        Raises:
            PayloadError: The payload is too short.
            RefusedError: It was not made with this key for this address.
        """
        info = service_data[0]
        start = 1 + (_MAC_BYTES if info & _MAC_INCLUDED else 0)
        if len(service_data) < start + 1 + _TAIL:
            raise PayloadError(
                f"the encrypted BTHome payload is too short ({len(service_data)} bytes)"
            )
        if info & _MAC_INCLUDED and service_data[1:start][::-1] != self._address:
            raise RefusedError("the encrypted BTHome payload names another address")
        ciphertext, counter, tag = (
            service_data[start:-_TAIL],
            service_data[-_TAIL:-4],
            service_data[-4:],
        )
        nonce = self._address + _UUID_AS_SENT + service_data[:1] + counter
        try:
            objects = self._cipher.decrypt(nonce, ciphertext + tag, None)
        except InvalidTag:
            raise RefusedError(
                "the BTHome payload was not made with this probe's key: another device uses its "
                "address, or the key is wrong"
            ) from None
        plain = bytes([info & ~(_ENCRYPTED | _MAC_INCLUDED)]) + objects
        return Opened(plain, int.from_bytes(counter, "little"))


class CounterGuard:
    """Lets each counter of one sender pass once, in rising order.

    Args:
        store: Keeps the last counter over restarts.
        sender: ``Seal.sender``.
    """

    def __init__(self, store: CounterStore, sender: str) -> None:
        self._store = store
        self._sender = sender
        self._last = store.last(sender)

    def accept(self, counter: int) -> None:
        """Let an authentic counter pass, and remember it.

        Raises:
            RefusedError: It is not newer than the last: a replay, or a packet out of order.
        """
        last = self._last
        if last is None:
            last = self._store.last(self._sender)  # which could perhaps not be read before
        if last is not None and counter <= last:
            wraps = last >= _COUNTERS - _NEAR_THE_WRAP and counter < _NEAR_THE_WRAP
            if not wraps:
                raise RefusedError(
                    f"the encrypted BTHome payload is an old one (counter {counter} after {last}):"
                    " a replay, or out of order; a probe whose counter began anew needs a new key"
                )
        self._last = counter
        self._store.remember(self._sender, counter)
