"""Defines the tables of ``shop.toml`` as checked models; the probes' own come from their kinds."""

from __future__ import annotations

from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Annotated, Any, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from holdwatch_adapters.bluetooth import RadioSettings
from holdwatch_adapters.registry import OfItsKind
from holdwatch_adapters.settings import (
    NAME,
    PRESSURES,
    BrokerSettings,
    ProbeSettings,
    Table,
    unit_of,
)
from holdwatch_physics.atmosphere import standard_pressure
from holdwatch_physics.reading import Channel, Quantity, role_of
from holdwatch_physics.substances import FluidError, refrigerant
from holdwatch_procedures.evacuation import PUMP_OPENS_BELOW_PA
from holdwatch_procedures.wording import Units

_HOST_NAME = r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$"


def _network(text: str) -> str:
    try:
        return str(ip_network(text)) if "/" in text else str(ip_address(text))
    except ValueError as error:
        message = f"a proxy is an address or a network (10.0.0.0/24): {error}"
        raise ValueError(message) from error


def _known_refrigerant(name: object) -> str:
    try:
        return refrigerant(str(name)).name
    except FluidError as error:
        raise ValueError(str(error)) from error


_PressureUnit = Annotated[str, unit_of(*PRESSURES)]
_VacuumUnit = Annotated[str, unit_of(Quantity.PRESSURE_ABSOLUTE)]
_TemperatureUnit = Annotated[str, unit_of(Quantity.TEMPERATURE)]
_Topic = Annotated[str, Field(pattern=r"^[^#+\x00]+$", max_length=1024)]
_Payload = Annotated[str, Field(min_length=1, max_length=200)]
_EventType = Annotated[str, Field(pattern=r"^[a-z_]+(\.[a-z_]+)*$")]


class SiteConfig(Table):
    """The shop itself."""

    name: str = Field(default="shop", pattern=NAME)
    data: Path = Path("holdwatch-data")
    barometer_kpa: float | None = Field(default=None, ge=50, le=115)
    altitude_m: float | None = Field(default=None, ge=-500, le=5000)

    @property
    def barometer_pa(self) -> float:
        """The room's pressure where no probe measures it, Pa; sea level where nothing is said."""
        if self.barometer_kpa is not None:
            return self.barometer_kpa * 1e3
        return standard_pressure(self.altitude_m or 0.0)

    @model_validator(mode="after")
    def _one_room_pressure(self) -> Self:
        if self.barometer_kpa is not None and self.altitude_m is not None:
            raise ValueError("give `barometer_kpa` or `altitude_m`, not both")
        return self


class HttpConfig(Table):
    """The API and bay screen; beyond this machine they need TLS, or a proxy that has it.

    ``host_names`` are the names, beside plain addresses, that the screen is opened by.
    ``proxies`` are the addresses and networks that requests are forwarded from.
    """

    host: str = "127.0.0.1"
    port: int = Field(default=8765, ge=0, le=65535)
    certificate: Path | None = None
    private_key: Path | None = None
    watch_token_file: Path | None = None
    operate_token_file: Path | None = None
    host_names: tuple[Annotated[str, Field(pattern=_HOST_NAME)], ...] = ()
    proxies: tuple[Annotated[str, AfterValidator(_network)], ...] = ()

    @property
    def is_loopback(self) -> bool:
        """Whether only this machine can connect."""
        return is_loopback(self.host)

    @model_validator(mode="after")
    def _safe_beyond_loopback(self) -> Self:
        if (self.certificate is None) != (self.private_key is None):
            raise ValueError("`certificate` and `private_key` go together")
        if not self.is_loopback and self.certificate is None and not self.proxies:
            message = (
                f"host {self.host!r} can be reached from the network: give `certificate` and "
                "`private_key`, or the `proxies` that carry TLS before it, "
                "or set host to 127.0.0.1"
            )
            raise ValueError(message)
        return self


class MqttConfig(BrokerSettings):
    """The broker to publish to; without this table an embedded one runs on loopback."""

    prefix: str | None = Field(default=None, pattern=r"^[^#+\s/][^#+\s]*[^#+\s/]$", max_length=100)


class ShowConfig(Table):
    """The units that people read."""

    pressure: _PressureUnit = "kPag"
    vacuum: _VacuumUnit = "micron"
    temperature: _TemperatureUnit = "degC"

    @property
    def units(self) -> Units:
        """The units, as sentences take them."""
        return Units(self.pressure, self.vacuum, self.temperature)


class RelayConfig(Table):
    """One relay: where it is commanded, where it says how it stands, and in which words.

    ``on`` opens the valve or starts the pump. ``said_on`` and ``said_off`` are the words of its
    state, where they are others than those of the command.
    """

    command: _Topic
    state: _Topic
    on: _Payload = "on"
    off: _Payload = "off"
    said_on: _Payload | None = None
    said_off: _Payload | None = None

    def word(self, *, on: bool) -> str:
        """Return the payload of a command."""
        return self.on if on else self.off

    def meant(self, payload: str) -> bool | None:
        """Return what a state's payload says: on, off, or nothing that is known."""
        said = payload.strip()
        if said == (self.said_on or self.on):
            return True
        return False if said == (self.said_off or self.off) else None

    @model_validator(mode="after")
    def _words_differ(self) -> Self:
        if self.on == self.off:
            raise ValueError("`on` and `off` must be two words")
        if (self.said_on or self.on) == (self.said_off or self.off):
            raise ValueError("`said_on` and `said_off` must be two words")
        if self.command == self.state:
            raise ValueError("`command` and `state` must be two topics")
        return self


class WireConfig(Table):
    """Valve and pump by wire. ``confirm_s`` is the time that a relay has to confirm a command."""

    valve: RelayConfig
    pump: RelayConfig
    confirm_s: float = Field(default=10.0, ge=1, le=600)
    target_micron: float | None = Field(default=None, gt=0, le=5000)
    held_min: float = Field(default=5.0, ge=0, le=240)
    longest_pump_down_min: float = Field(default=60.0, ge=1, le=1440)
    isolation_min: float = Field(default=10.0, ge=1, le=60)
    pump_downs: int = Field(default=3, ge=1, le=10)
    open_below_kpa_g: float = Field(default=PUMP_OPENS_BELOW_PA / 1e3, gt=0, le=20)


class Vehicle(Table):
    """The vehicle or plant on the bay's hoses."""

    name: str = Field(min_length=1, max_length=60)
    refrigerant: Annotated[str, BeforeValidator(_known_refrigerant)] | None = None
    charge_g: float | None = Field(default=None, gt=0, le=1e6)
    volume_l: float | None = Field(default=None, gt=0, le=10000)
    max_pressure_kpa_g: float | None = Field(default=None, gt=0, le=20000)

    def recipe_figures(self) -> dict[str, Any]:
        """Return what a recipe takes from the unit where it says nothing itself."""
        return self.model_dump(exclude_none=True, exclude={"name"})


class BayConfig(Table):
    """A bay: its name, what is under test, and which channel plays which role."""

    name: str = Field(pattern=NAME)
    label: str | None = Field(default=None, max_length=60)
    unit_under_test: Vehicle | None = None
    roles: dict[str, str] = Field(default_factory=dict)
    wire: WireConfig | None = None

    @model_validator(mode="after")
    def _roles_are_known(self) -> Self:
        channels: dict[str, str] = {}
        for role, channel in self.roles.items():
            if role_of(role) is None:
                message = f"unknown role {role!r}; a second thermometer is `pipe_temperature.2`"
                raise ValueError(message)
            if channel in channels:
                message = (
                    f"channel {channel!r} is bound to both `{channels[channel]}` and `{role}`; "
                    "one channel plays one role"
                )
                raise ValueError(message)
            channels[channel] = role
        return self


class WebhookConfig(Table):
    """One receiver.

    ``types`` are event types without ``holdwatch.``; ``alarm`` stands for ``alarm.raised`` and
    ``alarm.cleared``, and so for every group.
    """

    url: Annotated[str, Field(min_length=8, max_length=2000)]
    secret_file: Path
    types: tuple[_EventType, ...] = ("verdict", "alarm")

    @model_validator(mode="after")
    def _url_is_whole(self) -> Self:
        try:
            parts = urlsplit(self.url)
            named = bool(parts.hostname) and parts.port != 0
        except ValueError:
            named = False
            parts = urlsplit("")
        if parts.scheme not in {"http", "https"} or not named:
            message = f"url {self.url!r} is no http:// or https:// address"
            raise ValueError(message)
        if parts.username is not None or parts.password is not None:
            raise ValueError("leave user and password out of `url`: the signature says who sends")
        return self

    def wants(self, event_type: str) -> bool:
        """Whether events of a type are sent there."""
        short = event_type.removeprefix("holdwatch.")
        return any(short == wanted or short.startswith(f"{wanted}.") for wanted in self.types)


class KeepingConfig(Table):
    """Retention; without it everything is kept, for as long as the disk has room.

    Readings that a hold cites, events, holds, verdicts, visits and the summaries of ten minutes
    and of an hour are kept for ever.

    Attributes:
        raw_days: Readings that no hold cites are kept so long, days; None: for ever.
        fine_days: Summaries of ten seconds and of a minute are kept so long, days.
        low_disk_mb: Below this much free room the alarm stands, and the oldest readings give way.
        thin_when_low: Whether they do.
        least_days: However full the disk is, readings are kept so long, days.
    """

    raw_days: float | None = Field(default=None, ge=1, le=36500)
    fine_days: float | None = Field(default=None, ge=1, le=36500)
    low_disk_mb: float = Field(default=200.0, ge=0, le=1e7)
    thin_when_low: bool = True
    least_days: float = Field(default=7.0, ge=1, le=36500)

    @model_validator(mode="after")
    def _orders(self) -> Self:
        if self.fine_days is not None and (self.raw_days is None or self.fine_days < self.raw_days):
            raise ValueError(
                "`fine_days` must not be shorter than `raw_days`: where readings are kept, "
                "their summaries are too"
            )
        if self.raw_days is not None and self.least_days > self.raw_days:
            raise ValueError("`least_days` must not be longer than `raw_days`")
        return self


class ShopConfig(Table):
    """The whole of ``shop.toml``; ``probe`` and ``bay`` are its arrays of tables."""

    site: SiteConfig = SiteConfig()
    http: HttpConfig = Field(default_factory=HttpConfig)  # made late: it asks is_loopback
    mqtt: MqttConfig | None = None
    show: ShowConfig = ShowConfig()
    bluetooth: RadioSettings = RadioSettings()
    probe: tuple[Annotated[ProbeSettings, OfItsKind()], ...] = ()
    bay: tuple[BayConfig, ...] = ()
    recipes: dict[str, dict[str, Any]] = Field(default_factory=dict)
    webhook: tuple[WebhookConfig, ...] = ()
    keeping: KeepingConfig = KeepingConfig()

    @property
    def mqtt_prefix(self) -> str:
        """The topic before ``/status`` and the others."""
        if self.mqtt is not None and self.mqtt.prefix is not None:
            return self.mqtt.prefix
        return f"holdwatch/{self.site.name}"

    @property
    def database(self) -> Path:
        """The SQLite file."""
        return self.site.data / "holdwatch.db"

    def probe_named(self, name: str) -> ProbeSettings | None:
        """Return the probe of that name, or None."""
        return next((probe for probe in self.probe if probe.name == name), None)

    def probe_of(self, channel: str) -> ProbeSettings | None:
        """Return the probe that a channel belongs to, or None."""
        return self.probe_named(Channel.parse(channel).probe)


def is_loopback(host: str) -> bool:
    """Return whether a host name or address is this machine itself."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
