"""The shop's configuration as checked models; ``config_load`` reads it from ``shop.toml``."""

from __future__ import annotations

import re
from ipaddress import ip_address, ip_network
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from holdwatch_daemon.intake.calibration import calibration_of
from holdwatch_daemon.settings.base import NAME, PRESSURES, CalibrationConfig, Table, unit_of
from holdwatch_daemon.settings.probes import (
    CHANNEL,
    BluetoothConfig,
    BrokerConfig,
    DeclaredConfig,
    FieldConfig,
    LayoutConfig,
    ModbusConfig,
    PointConfig,
    SerialConfig,
    TopicConfig,
)
from holdwatch_daemon.settings.relays import WireConfig  # noqa: TC001 - pydantic reads it
from holdwatch_daemon.settings.retention import KeepingConfig
from holdwatch_daemon.settings.webhook import WebhookConfig  # noqa: TC001 - pydantic reads it
from holdwatch_physics.atmosphere import standard_pressure
from holdwatch_physics.reading import Channel, Quantity, role_of
from holdwatch_physics.substances import FluidError, refrigerant
from holdwatch_physics.units import parse_unit

# A Bluetooth address, or the identifier that macOS gives in its place.
_MAC = r"^[0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}$"
_ADDRESS = (
    r"^([0-9A-Fa-f]{2}(:[0-9A-Fa-f]{2}){5}"
    r"|[0-9A-Fa-f]{8}(-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12})$"
)


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


_FigureUnit = Annotated[str, unit_of(*PRESSURES, Quantity.TEMPERATURE)]
_PressureUnit = Annotated[str, unit_of(*PRESSURES)]
_VacuumUnit = Annotated[str, unit_of(Quantity.PRESSURE_ABSOLUTE)]
_TemperatureUnit = Annotated[str, unit_of(Quantity.TEMPERATURE)]


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


class MqttConfig(Table):
    """The broker to publish to; without this table an embedded one runs on loopback."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
    prefix: str | None = Field(default=None, pattern=r"^[^#+\s/][^#+\s]*[^#+\s/]$", max_length=100)
    username: str | None = None
    password: str | None = Field(default=None, repr=False)
    password_file: Path | None = None
    tls: bool = False
    ca_file: Path | None = None

    @model_validator(mode="after")
    def _login_is_whole(self) -> Self:
        if self.password is not None and self.password_file is not None:
            raise ValueError("give `password` or `password_file`, not both")
        has_password = self.password is not None or self.password_file is not None
        if has_password and self.username is None:
            raise ValueError("a password needs `username`")
        if self.ca_file is not None and not self.tls:
            raise ValueError("`ca_file` goes with `tls = true`")
        return self


class ShowConfig(Table):
    """The units that people read."""

    pressure: _PressureUnit = "kPag"
    vacuum: _VacuumUnit = "micron"
    temperature: _TemperatureUnit = "degC"


ProbeKind = Literal["bluetooth", "modbus", "mqtt", "serial", "trace"]
_KIND_OF_KEY: dict[str, ProbeKind] = {
    **dict.fromkeys(("address", "profile", "key", "key_file", "mac", "layout"), "bluetooth"),
    **dict.fromkeys(("modbus", "point"), "modbus"),
    **dict.fromkeys(("broker", "topic"), "mqtt"),
    **dict.fromkeys(("serial", "field"), "serial"),
    "file": "trace",
}


class ProbeConfig(Table):
    """An enrolled probe and what is known of it.

    ``range``, ``resolution``, ``noise`` and ``drift`` are in ``unit``; a unit of pressure makes
    them figures of the probe's pressure channel, one of temperature of its thermometer.
    """

    name: str = Field(pattern=NAME)
    kind: ProbeKind = "bluetooth"
    address: str | None = Field(default=None, pattern=_ADDRESS)
    profile: Literal["ess", "gatt", "bthome"] | None = None
    key: str | None = Field(default=None, pattern=r"^[0-9A-Fa-f]{32}$", repr=False)
    key_file: Path | None = None
    mac: str | None = Field(default=None, pattern=_MAC)
    layout: tuple[LayoutConfig, ...] = ()
    modbus: ModbusConfig | None = None
    point: tuple[PointConfig, ...] = ()
    broker: BrokerConfig | None = None
    topic: tuple[TopicConfig, ...] = ()
    serial: SerialConfig | None = None
    field: tuple[FieldConfig, ...] = ()
    file: Path | None = None
    pressure_reference: Literal["vented", "sealed", "absolute"] = "vented"
    interval_s: float = Field(default=1.0, gt=0, le=3600)
    stale_s: float | None = Field(default=None, gt=0, le=86400)
    unit: _FigureUnit | None = None
    range: tuple[float, float] | None = None
    resolution: float | None = Field(default=None, gt=0)
    noise: float | None = Field(default=None, ge=0)
    drift: float | None = Field(default=None, ge=0)
    tempco_percent_of_span_per_k: float | None = Field(default=None, ge=0, le=10)
    calibration: dict[str, CalibrationConfig] = Field(default_factory=dict)

    @property
    def stale_after_s(self) -> float:
        """Age at which a value counts as stale, s: as configured, else five intervals."""
        return self.stale_s if self.stale_s is not None else max(5.0 * self.interval_s, 10.0)

    def figures(self, quantity: str) -> dict[str, Any]:
        """Return the recipe's ``[channels]`` table of ``pressure`` or ``temperature`` (``.2``).

        The range is that of the calibrated values, since those are what a hold is given.
        """
        channel, quantity = quantity, quantity.partition(".")[0]
        figures: dict[str, Any] = {}
        if quantity == "pressure":
            figures["reference"] = self.pressure_reference
        if self.unit is None:
            return figures
        of_thermometer = parse_unit(self.unit).quantity is Quantity.TEMPERATURE
        if of_thermometer != (quantity == "temperature"):
            return figures
        keys = ("unit", "range", "resolution", "noise", "drift", "tempco_percent_of_span_per_k")
        given = {key: getattr(self, key) for key in keys}
        if self.range is not None and channel in self.calibration:
            unit = parse_unit(self.unit)
            line = calibration_of(self.calibration[channel], self.unit)
            given["range"] = [unit.from_si(line.apply(unit.to_si(end))) for end in self.range]
        return figures | {key: value for key, value in given.items() if value is not None}

    @model_validator(mode="after")
    def _kind_is_whole(self) -> Self:
        self._keys_fit_the_kind()
        if self.kind == "bluetooth" and self.address is None:
            raise ValueError("a bluetooth probe needs `address`, for example 02:00:00:00:00:01")
        if self.kind == "trace" and self.file is None:
            raise ValueError("a trace probe needs `file`, the recorded trace")
        self._key_fits()
        self._declared_numbers_fit()
        needing = ("range", "resolution", "noise", "drift")
        given = [key for key in needing if getattr(self, key) is not None]
        if given and self.unit is None:
            message = f'`{given[0]}` needs `unit`, for example unit = "kPag"'
            raise ValueError(message)
        if self.range is not None and not self.range[0] < self.range[1]:
            raise ValueError("`range` is [lowest, highest], the lowest first")
        if self.stale_s is not None and self.stale_s < self.interval_s:
            raise ValueError("`stale_s` must not be shorter than `interval_s`")
        for channel, calibration in self.calibration.items():
            self._calibration_fits(channel, calibration)
        return self

    def _calibration_fits(self, channel: str, calibration: CalibrationConfig) -> None:
        place = f"`calibration.{channel}`"
        if re.fullmatch(CHANNEL, channel) is None or self.kind == "trace":
            message = f"{place}: calibrate pressure, temperature or a further one (pressure.2)"
            raise ValueError(message)
        unit = calibration.unit or self.unit
        if unit is None:
            message = f'{place}: `offset` needs `unit`, for example unit = "kPag"'
            raise ValueError(message)
        reference = "absolute" if self.pressure_reference == "absolute" else "gauge"
        wanted = f"pressure_{reference}" if channel.startswith("pressure") else "temperature"
        if parse_unit(unit).quantity != wanted:
            message = f"{place}: unit {unit!r} does not measure what the channel carries ({wanted})"
            raise ValueError(message)

    @property
    def declared(self) -> tuple[DeclaredConfig, ...]:
        """Every number that the configuration itself declares."""
        return (*self.layout, *self.point, *self.topic, *self.field)

    def _keys_fit_the_kind(self) -> None:
        for key, kind in _KIND_OF_KEY.items():
            if self.kind != kind and getattr(self, key) not in {None, ()}:
                message = f'`{key}` goes with kind = "{kind}"'
                raise ValueError(message)

    def _key_fits(self) -> None:
        if self.key is not None and self.key_file is not None:
            raise ValueError("give `key` or `key_file`, not both")
        if self.key is None and self.key_file is None:
            return
        if self.profile != "bthome":
            raise ValueError('a key goes with profile = "bthome"')
        if self.mac is None and ":" not in (self.address or ""):
            raise ValueError(
                "with a key and an identifier for an address give the true address as `mac`"
            )

    def _declared_numbers_fit(self) -> None:
        for table, numbers in (("modbus", "point"), ("", "topic"), ("serial", "field")):
            kind = _KIND_OF_KEY[numbers]
            if self.kind == kind and not (
                getattr(self, numbers) and (not table or getattr(self, table))
            ):
                wanted = f"[probe.{table}] and " if table else ""
                message = f"a {kind} probe needs {wanted}at least one [[probe.{numbers}]]"
                raise ValueError(message)
        if self.serial is not None:
            named = set(re.compile(self.serial.pattern).groupindex)
            if named != {one.group for one in self.field}:
                message = (
                    f"`pattern` names {', '.join(sorted(named))}: "
                    "each has one [[probe.field]] with its `group`, and no other"
                )
                raise ValueError(message)
        self._channels_fit()

    def _channels_fit(self) -> None:
        reference = "absolute" if self.pressure_reference == "absolute" else "gauge"
        seen: set[str] = set()
        for one in self.declared:
            if one.channel in seen:
                message = f"channel {one.channel!r} is declared twice"
                raise ValueError(message)
            seen.add(one.channel)
            wanted = str(one.quantity).removeprefix("pressure_")
            if one.quantity in PRESSURES and wanted != reference:
                message = (
                    f"unit {one.unit!r} is {wanted}, and the probe's pressure_reference is "
                    f"{self.pressure_reference!r}: they must agree"
                )
                raise ValueError(message)


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


class ShopConfig(Table):
    """The whole of ``shop.toml``; ``probe`` and ``bay`` are its arrays of tables."""

    site: SiteConfig = SiteConfig()
    http: HttpConfig = Field(default_factory=HttpConfig)  # made late: it asks is_loopback
    mqtt: MqttConfig | None = None
    show: ShowConfig = ShowConfig()
    bluetooth: BluetoothConfig = BluetoothConfig()
    probe: tuple[ProbeConfig, ...] = ()
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

    def probe_named(self, name: str) -> ProbeConfig | None:
        """Return the probe of that name, or None."""
        return next((probe for probe in self.probe if probe.name == name), None)

    def probe_of(self, channel: str) -> ProbeConfig | None:
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
