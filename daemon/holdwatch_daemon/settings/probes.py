"""The tables of the ways in: Bluetooth, declared layouts, Modbus, MQTT topics, serial lines."""

from __future__ import annotations

import re
from pathlib import Path  # noqa: TC003 - pydantic reads it at run time
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from holdwatch_adapters.modbus import REGISTER_TYPES
from holdwatch_adapters.mqtt_in import parse_path
from holdwatch_adapters.numbers import NUMBER_TYPES
from holdwatch_daemon.settings.base import PRESSURES, Table, unit_of
from holdwatch_physics.reading import Quantity
from holdwatch_physics.units import parse_unit

CHANNEL = r"^(pressure|temperature)(\.([2-9]|[1-9][0-9]))?$"
"""A channel of a probe: ``pressure``, ``temperature``, or a second one, ``pressure.2``."""
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


def _one_of(words: tuple[str, ...]) -> AfterValidator:
    def check(word: str) -> str:
        if word not in words:
            raise ValueError(f"write one of {' '.join(words)}")
        return word

    return AfterValidator(check)


def _json_path(text: str) -> str:
    parse_path(text)
    return text


_Uuid = Annotated[str, BeforeValidator(_uuid)]
_DeclaredUnit = Annotated[str, unit_of(*PRESSURES, Quantity.TEMPERATURE)]


class BluetoothConfig(Table):
    """The radio.

    Passive scanning asks nothing of the devices; on Linux it needs BlueZ's experimental
    features, and macOS has none.
    """

    scanning: Literal["active", "passive"] = "active"
    adapter: str | None = Field(default=None, pattern=r"^hci[0-9]{1,3}$")


class DeclaredConfig(Table):
    """What is common to every declared number: its channel, unit and scale."""

    channel: str = Field(pattern=CHANNEL)
    unit: _DeclaredUnit
    factor: float = Field(default=1.0)
    add: float = 0.0

    @property
    def quantity(self) -> Quantity:
        """What the channel measures."""
        return parse_unit(self.unit).quantity

    @model_validator(mode="after")
    def _channel_and_unit_agree(self) -> Self:
        of_temperature = self.quantity is Quantity.TEMPERATURE
        if self.channel.startswith("temperature") != of_temperature:
            message = f"channel {self.channel!r} cannot carry a value in {self.unit}"
            raise ValueError(message)
        if self.factor == 0:
            raise ValueError("`factor` must not be 0: every value would be the same")
        return self


class LayoutConfig(DeclaredConfig):
    """Where a number stands in a Bluetooth characteristic, as the device's maker published it."""

    service: _Uuid
    characteristic: _Uuid
    type: Annotated[str, _one_of(tuple(NUMBER_TYPES))]
    offset: int = Field(default=0, ge=0, le=511)
    endian: Literal["little", "big"] = "little"
    unknown: tuple[int, ...] = ()


class ModbusConfig(Table):
    """A Modbus device: on the network (``host``) or on a serial line (``port``)."""

    host: str | None = Field(default=None, min_length=1)
    tcp_port: int = Field(default=502, ge=1, le=65535)
    port: str | None = Field(default=None, min_length=1)
    baud: int = Field(default=9600, ge=300, le=4_000_000)
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    device_id: int = Field(default=1, ge=1, le=247)

    @model_validator(mode="after")
    def _one_way(self) -> Self:
        if (self.host is None) == (self.port is None):
            raise ValueError(
                "give `host` for a device on the network, or `port` for one on a serial line, "
                "for example /dev/ttyUSB0"
            )
        return self


class PointConfig(DeclaredConfig):
    """One value in the registers of a Modbus device."""

    address: int = Field(ge=0, le=65535)
    type: Annotated[str, _one_of(REGISTER_TYPES)]
    function: Literal["holding", "input"] = "holding"
    words: Literal["big", "little"] = "big"
    unknown: tuple[int, ...] = ()


class BrokerConfig(Table):
    """The broker that a probe publishes to; left out, the one of ``[mqtt]``."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    username: str | None = None
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None

    @model_validator(mode="after")
    def _login_is_whole(self) -> Self:
        if self.password_file is not None and self.username is None:
            raise ValueError("a password needs `username`")
        if self.ca_file is not None and not self.tls:
            raise ValueError("`ca_file` goes with `tls = true`")
        return self


class TopicConfig(DeclaredConfig):
    """One value on an MQTT topic: a plain number, or with ``path`` one in a JSON document."""

    topic: str = Field(pattern=r"^[^#+\x00]+$", max_length=1024)
    path: Annotated[str, AfterValidator(_json_path)] | None = None


class SerialConfig(Table):
    """A serial line and the pattern of what it prints."""

    port: str = Field(min_length=1)
    pattern: str = Field(min_length=1, max_length=500)
    baud: int = Field(default=9600, ge=50, le=4_000_000)
    data_bits: Literal[7, 8] = 8
    parity: Literal["N", "E", "O"] = "N"
    stop_bits: Literal[1, 2] = 1
    request: str = Field(default="", max_length=100)

    @model_validator(mode="after")
    def _pattern_compiles(self) -> Self:
        try:
            compiled = re.compile(self.pattern, re.ASCII)
        except re.error as error:
            message = f"`pattern` is no regular expression: {error}"
            raise ValueError(message) from error
        if not compiled.groupindex:
            raise ValueError("`pattern` names no value: write (?P<pressure>...) around the number")
        if not self.request.isascii():
            raise ValueError("`request` is ASCII text")
        return self


class FieldConfig(DeclaredConfig):
    """One named group of a serial line's pattern."""

    group: str = Field(min_length=1)
