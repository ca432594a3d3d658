"""Settings of Bluetooth probes: who a probe is, what it speaks, where declared values lie."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path  # noqa: TC003 - pydantic reads it at run time
from typing import TYPE_CHECKING, Annotated, ClassVar, Literal

from pydantic import BeforeValidator, Field

from holdwatch_adapters.decoding import NUMBER_TYPES, Decoded, PayloadError
from holdwatch_adapters.settings import (
    DeclaredValue,
    ProbeSettings,
    SettingsError,
    Table,
    one_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

# A Bluetooth address, or the identifier that macOS gives in its place.
_MAC = r"^[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}$"
_ADDRESS = (
    r"^([0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}"
    r"|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})$"
)
_UUID_TAIL = "-0000-1000-8000-00805f9b34fb"
_LONG_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}")
_SHORT_UUID = re.compile(r"(0x)?([0-9a-f]{4})")


def _uuid(text: object) -> str:
    word = str(text).lower()
    short = _SHORT_UUID.fullmatch(word)
    if short is not None:
        return f"0000{short[2]}{_UUID_TAIL}"
    if _LONG_UUID.fullmatch(word):
        return word
    raise ValueError("write a UUID: 36 characters, or 4 hexadecimal digits for one of the SIG's")


_Uuid = Annotated[str, BeforeValidator(_uuid)]


class RadioSettings(Table):
    """The radio.

    Passive scanning asks nothing of the devices; on Linux it needs BlueZ's experimental
    features, and macOS has none.
    """

    scanning: Literal["active", "passive"] = "active"
    adapter: str | None = Field(default=None, pattern=r"^hci[0-9]{1,3}$")


class LayoutSettings(DeclaredValue):
    """Where a number stands in a Bluetooth characteristic, as the device's maker published it.

    Attributes:
        service: 128-bit UUID of the service, lower case.
        characteristic: 128-bit UUID, lower case.
        type: A word of ``NUMBER_TYPES``.
        offset: Bytes before the number.
        endian: The order of its bytes.
        unknown: Raw integers by which the maker says "not known" or "out of range".
    """

    service: _Uuid
    characteristic: _Uuid
    type: Annotated[str, one_of(tuple(NUMBER_TYPES))]
    offset: int = Field(default=0, ge=0, le=511)
    endian: Literal["little", "big"] = "little"
    unknown: tuple[int, ...] = ()

    def read(self, payload: bytes) -> Decoded | None:
        """Return the value, or None where the device says that it is not known.

        Raises:
            PayloadError: The payload is too short, or the value cannot exist.
        """
        number = NUMBER_TYPES[self.type]
        end = self.offset + number.length
        if len(payload) < end:
            raise PayloadError(
                f"the declared {self.kind} ends at byte {end}, the payload at byte "
                f"{len(payload)}: is the layout the one of this device?"
            )
        raw = number.read(payload[self.offset : end], self.endian)
        if raw in self.unknown:
            return None
        return Decoded(self.kind, self.to_si(raw))


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
        pressure_reference: Whether its pressures are absolute or gauge; no payload says it.
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
    layouts: tuple[LayoutSettings, ...] = ()
    key: bytes | None = field(default=None, repr=False)
    mac: str | None = None

    @property
    def connects(self) -> bool:
        """Whether the probe is connected to; a broadcaster is only listened to."""
        return self.profile != "bthome"


class BluetoothSettings(ProbeSettings):
    """A probe over Bluetooth."""

    channels: ClassVar = "standard"
    kind: Literal["bluetooth"] = "bluetooth"
    address: str | None = Field(default=None, pattern=_ADDRESS)
    profile: Literal["ess", "gatt", "bthome"] | None = None
    key: str | None = Field(default=None, pattern=r"^[0-9A-Fa-f]{32}$", repr=False)
    key_file: Path | None = None
    mac: str | None = Field(default=None, pattern=_MAC)
    layout: tuple[LayoutSettings, ...] = ()

    @property
    def identity(self) -> str | None:
        """Its Bluetooth address, or the identifier in its place."""
        return self.address

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        """The values whose layouts are declared."""
        return self.layout

    def check_kind(self) -> None:
        """Refuse a probe without an address, or a key that cannot be used."""
        if self.address is None:
            raise ValueError("a bluetooth probe needs `address`, for example 02:00:00:00:00:01")
        if self.key is not None and self.key_file is not None:
            raise ValueError("give `key` or `key_file`, not both")
        if self.key is None and self.key_file is None:
            return
        if self.profile != "bthome":
            raise ValueError('a key goes with profile = "bthome"')
        if self.mac is None and ":" not in self.address:
            raise ValueError(
                "with a key and an identifier for an address give the true address as `mac`"
            )

    def enrolled(self) -> BluetoothProbe:
        """Return the probe as the adapter takes it, its key read from its file.

        Raises:
            SettingsError: The file cannot be read, or holds no key.
        """
        return BluetoothProbe(
            name=self.name,
            address=self.address or "",
            profile=self.profile or "ess",
            pressure_reference="absolute" if self.pressure_reference == "absolute" else "gauge",
            silence_s=self.stale_after_s,
            poll_s=self.interval_s,
            layouts=self.layout,
            key=self._key(),
            mac=self.mac,
        )

    def _key(self) -> bytes | None:
        if self.key_file is None:
            return None if self.key is None else bytes.fromhex(self.key)
        place = f"`probe.{self.name}.key_file`: {self.key_file}"
        try:
            text = self.key_file.read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise SettingsError(f"{place} cannot be read: {error}") from error
        if not re.fullmatch(r"[0-9A-Fa-f]{32}", text):
            raise SettingsError(f"{place} holds no key of 32 hex digits")
        return bytes.fromhex(text)


def check_bluetooth(probes: Sequence[BluetoothSettings]) -> Iterator[str]:
    """Yield the addresses that stand more than once."""
    addresses = [probe.address.upper() for probe in probes if probe.address]
    for address, count in Counter(addresses).items():
        if count > 1:
            yield f"`probe.address`: {address} stands {count} times; each probe has its own"
