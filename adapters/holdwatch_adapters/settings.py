"""Defines what a configuration says of any probe: tables, units, declared values, calibration.

Each kind of probe adds its own keys to `ProbeSettings` in its own file.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date  # noqa: TC003 - pydantic reads it at run time
from fractions import Fraction
from functools import lru_cache
from pathlib import Path  # noqa: TC003 - pydantic reads it at run time
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    model_validator,
)

from holdwatch_adapters.decoding import PayloadError, check_quantity
from holdwatch_physics.reading import Calibration, Quantity
from holdwatch_physics.units import UnitError, parse_unit

if TYPE_CHECKING:
    from holdwatch_physics.units import Unit

__all__ = [
    "CHANNEL",
    "NAME",
    "PRESSURES",
    "AnyUnit",
    "Broker",
    "BrokerSettings",
    "CalibrationSettings",
    "DeclaredValue",
    "ProbeSettings",
    "SettingsError",
    "Table",
    "one_of",
    "unit_of",
]

NAME = r"^[A-Za-z0-9][A-Za-z0-9_-]{0,39}$"
"""Names that stand in MQTT topics and web addresses: letters, digits, ``-`` and ``_``."""
PRESSURES = (Quantity.PRESSURE_GAUGE, Quantity.PRESSURE_ABSOLUTE)
CHANNEL = r"^(pressure|temperature)(\.([2-9]|[1-9][0-9]))?$"
"""A channel of a probe: ``pressure``, ``temperature``, or a second one, ``pressure.2``."""


class SettingsError(Exception):
    """A file that settings name cannot be used; the message is one sentence for a person."""


class Table(BaseModel):
    """Base of every table: unknown keys are errors, instances do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def unit_of(*quantities: Quantity) -> BeforeValidator:
    """Return the check of a unit word that measures one of these quantities."""

    def check(text: object) -> str:
        try:
            unit = parse_unit(str(text))
        except UnitError as error:
            raise ValueError(str(error)) from error
        if unit.quantity not in quantities:
            wanted = " or ".join(quantity.replace("_", " ") for quantity in quantities)
            message = f"unit {unit.name!r} is not one of {wanted}"
            raise ValueError(message)
        return unit.name

    return BeforeValidator(check)


def one_of(words: tuple[str, ...]) -> AfterValidator:
    """Return the check that a word is one of these."""

    def check(word: str) -> str:
        if word not in words:
            raise ValueError(f"write one of {' '.join(words)}")
        return word

    return AfterValidator(check)


AnyUnit = Annotated[str, unit_of(*PRESSURES, Quantity.TEMPERATURE)]
"""A unit word of a pressure, gauge or absolute, or of a temperature."""


class CalibrationSettings(Table):
    """What a shop measured of one channel's own error: recorded = said · scale + offset.

    ``offset`` is in ``unit``, or where that is left out in the probe's own.
    """

    offset: float = 0.0
    scale: float = Field(default=1.0, gt=0.5, lt=2.0)
    unit: AnyUnit | None = None
    made: date | None = None
    how: str | None = Field(default=None, max_length=200)

    def line(self, unit: str | None) -> Calibration:
        """Return the calibration in SI, its figures in its own unit or else in ``unit``.

        In a unit with a zero of its own (°C) the line holds for the figures as people write
        them: 0.3 added to 21.4 °C makes 21.7 °C, and a scale turns about 0 °C.
        """
        word = self.unit or unit
        if word is None:
            return Calibration(self.scale, self.offset)
        of = parse_unit(word)
        add = of.offset * (1.0 - self.scale) + of.delta_to_si(self.offset)
        return Calibration(self.scale, add)


@lru_cache(maxsize=1024)
def _as_written(figure: float) -> Fraction:
    """Return the shortest decimal that means this float, exactly."""
    return Fraction(str(figure))


class DeclaredValue(Table):
    """A number as a maker's document declares it: ``si = unit.to_si(number × factor + add)``.

    Attributes:
        channel: What follows the probe's name: ``pressure``, ``temperature``, ``pressure.2``.
        unit: A unit word that says gauge or absolute, for example ``kPaa``.
        factor: Units in one step of the number.
        add: Added after the factor, in units.
    """

    channel: str = Field(pattern=CHANNEL)
    unit: AnyUnit
    factor: float = 1.0
    add: float = 0.0

    @property
    def parsed(self) -> Unit:
        """The unit itself."""
        return parse_unit(self.unit)

    @property
    def quantity(self) -> Quantity:
        """What a value of this channel measures."""
        return self.parsed.quantity

    @property
    def kind(self) -> Literal["pressure", "temperature"]:
        """Pressure or temperature."""
        return "temperature" if self.quantity is Quantity.TEMPERATURE else "pressure"

    @model_validator(mode="after")
    def _channel_and_unit_agree(self) -> Self:
        if self.channel.startswith("temperature") != (self.kind == "temperature"):
            message = f"channel {self.channel!r} cannot carry a value in {self.unit}"
            raise ValueError(message)
        if self.factor == 0:
            raise ValueError("`factor` must not be 0: every value would be the same")
        return self

    def to_si(self, number: Fraction | float) -> float:
        """Return the value in Pa or K.

        The factor is meant as it is written: 0.1 is a tenth, not the double nearest to it.

        Raises:
            PayloadError: The value cannot exist.
        """
        exact = number if isinstance(number, Fraction) else Fraction(number)
        if self.factor != 1.0:
            exact *= _as_written(self.factor)
        if self.add:
            exact += _as_written(self.add)
        if abs(exact) > 10**12:  # perhaps too large for a float
            raise PayloadError(f"a {self.kind} of more than 10^12 {self.unit} cannot be")
        value_si = self.parsed.to_si(float(exact))
        check_quantity(self.quantity, value_si)
        return value_si


class ProbeSettings(Table):
    """What every enrolled probe has, whatever its kind.

    ``range``, ``resolution``, ``noise`` and ``drift`` are in ``unit``; a unit of pressure makes
    them figures of the probe's pressure channel, one of temperature of its thermometer.
    """

    channels: ClassVar[Literal["declared", "standard", "any"]] = "declared"
    """Which channels a probe of this kind has: those it declares here, the standard ones that
    the device itself shows, or any that its source names."""

    name: str = Field(pattern=NAME)
    kind: str
    pressure_reference: Literal["vented", "sealed", "absolute"] = "vented"
    interval_s: float = Field(default=1.0, gt=0, le=3600)
    stale_s: float | None = Field(default=None, gt=0, le=86400)
    unit: AnyUnit | None = None
    range: tuple[float, float] | None = None
    resolution: float | None = Field(default=None, gt=0)
    noise: float | None = Field(default=None, ge=0)
    drift: float | None = Field(default=None, ge=0)
    tempco_percent_of_span_per_k: float | None = Field(default=None, ge=0, le=10)
    calibration: dict[str, CalibrationSettings] = Field(default_factory=dict)

    @property
    def stale_after_s(self) -> float:
        """Age at which a value counts as stale, s: as configured, else five intervals."""
        return self.stale_s if self.stale_s is not None else max(5.0 * self.interval_s, 10.0)

    @property
    def identity(self) -> str | None:
        """The device's own address, where its kind has one."""
        return None

    @property
    def line(self) -> tuple[str, object] | None:
        """The serial port that it is on, and what all on that port must agree about; or None."""
        return None

    @property
    def needs_shop_broker(self) -> bool:
        """Whether it is heard through the broker that the shop itself publishes to."""
        return False

    @property
    def declared(self) -> tuple[DeclaredValue, ...]:
        """Every number that the configuration itself declares."""
        return ()

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
            line = self.calibration[channel].line(self.unit)
            given["range"] = [unit.from_si(line.apply(unit.to_si(end))) for end in self.range]
        return figures | {key: value for key, value in given.items() if value is not None}

    def check_kind(self) -> None:
        """Refuse what does not fit this kind; the first of all checks of the whole table.

        Raises:
            ValueError: The message is one sentence for a person.
        """

    @model_validator(mode="after")
    def _is_whole(self) -> Self:
        self.check_kind()
        self._channels_fit()
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

    def _calibration_fits(self, channel: str, calibration: CalibrationSettings) -> None:
        place = f"`calibration.{channel}`"
        if re.fullmatch(CHANNEL, channel) is None or self.channels == "any":
            message = f"{place}: calibrate pressure, temperature or a further one (pressure.2)"
            raise ValueError(message)
        unit = calibration.unit or self.unit
        if unit is None:
            message = f'{place}: `offset` needs `unit`, for example unit = "kPag"'
            raise ValueError(message)
        wanted = f"pressure_{self._reference}" if channel.startswith("pressure") else "temperature"
        if parse_unit(unit).quantity != wanted:
            message = f"{place}: unit {unit!r} does not measure what the channel carries ({wanted})"
            raise ValueError(message)

    @property
    def _reference(self) -> Literal["gauge", "absolute"]:
        return "absolute" if self.pressure_reference == "absolute" else "gauge"

    def _channels_fit(self) -> None:
        seen: set[str] = set()
        for one in self.declared:
            if one.channel in seen:
                message = f"channel {one.channel!r} is declared twice"
                raise ValueError(message)
            seen.add(one.channel)
            wanted = str(one.quantity).removeprefix("pressure_")
            if one.quantity in PRESSURES and wanted != self._reference:
                message = (
                    f"unit {one.unit!r} is {wanted}, and the probe's pressure_reference is "
                    f"{self.pressure_reference!r}: they must agree"
                )
                raise ValueError(message)


@dataclass(frozen=True, slots=True)
class Broker:
    """An MQTT broker and how to log in there.

    Attributes:
        host: Its name or address.
        port: Its TCP port.
        username: None for an anonymous login.
        password: None without one.
        tls: Whether the connection is encrypted and the broker's certificate checked.
        ca_file: Certificates to trust in place of the system's.
    """

    host: str
    port: int = 1883
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: str | None = None

    def __str__(self) -> str:
        return f"{self.host}:{self.port}"


class BrokerSettings(Table):
    """An MQTT broker, as probes, outbox and relays alike name one."""

    host: str = Field(min_length=1)
    port: int = Field(default=1883, ge=1, le=65535)
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

    def broker(self, where: str) -> Broker:
        """Return the broker, its password read from its file.

        Args:
            where: What a message names as the place, for example ``[mqtt]``.

        Raises:
            SettingsError: A file it names cannot be read.
        """
        password = self.password
        try:
            if self.password_file is not None:
                password = self.password_file.read_text(encoding="utf-8").strip()
            if self.ca_file is not None:
                self.ca_file.read_bytes()
        except OSError as error:
            message = f"{where}: {error.filename} cannot be read: {error.strerror}"
            raise SettingsError(message) from error
        ca_file = None if self.ca_file is None else str(self.ca_file)
        return Broker(self.host, self.port, self.username, password, self.tls, ca_file)
