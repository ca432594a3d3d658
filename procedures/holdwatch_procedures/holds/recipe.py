"""A recipe: one procedure with its figures, read from TOML and checked whole before a hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal, Self

import tomli_w
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from holdwatch_physics.atmosphere import standard_pressure
from holdwatch_physics.reading import Role, role_of
from holdwatch_physics.substances import FluidError, gas, refrigerant
from holdwatch_physics.units import (
    PASCAL_PER_TORR,
    ZERO_CELSIUS_K,
    Unit,
    UnitError,
    parse_unit,
)
from holdwatch_procedures.wording import Say, render

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails

MICRON_PA = PASCAL_PER_TORR / 1e3


class RecipeError(ValueError):
    """A recipe cannot be used; the message names the key and what is allowed there."""


def _canonical_refrigerant(name: object) -> str:
    try:
        return refrigerant(str(name)).name
    except FluidError as error:
        raise ValueError(str(error)) from error


def _canonical_gas(name: object) -> str:
    try:
        return gas(str(name)).name
    except FluidError as error:
        raise ValueError(str(error)) from error


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Criterion(_Table):
    """The threshold that decides; exactly one of its figures is given."""

    leak_g_per_year: float | None = Field(default=None, gt=0, le=1e7)
    leak_pa_m3_per_s: float | None = Field(default=None, gt=0, le=1e3)
    leak_percent_per_year: float | None = Field(default=None, gt=0, le=1e6)
    max_change_kpa: float | None = Field(default=None, gt=0, le=1e4)
    max_change_micron: float | None = Field(default=None, gt=0, le=1e6)
    within_min: float | None = Field(default=None, gt=0, le=10080)
    source: str = Field(default="not stated", max_length=200)

    @property
    def kind(self) -> str:
        """The key of the one figure that is given."""
        return next(key for key in CRITERION_KEYS if getattr(self, key) is not None)

    @property
    def limit(self) -> float:
        """The figure, in the unit that its key names."""
        return float(getattr(self, self.kind))

    @property
    def is_change(self) -> bool:
        """Whether the criterion is a pressure change within a time."""
        return self.kind.startswith("max_change")

    @property
    def change_pa(self) -> float:
        """The allowed pressure change, Pa; only for a change criterion."""
        if self.max_change_kpa is not None:
            return self.max_change_kpa * 1e3
        if self.max_change_micron is not None:
            return self.max_change_micron * MICRON_PA
        raise RecipeError(f"criterion {self.kind} is a leak rate, not a pressure change")

    @property
    def within_s(self) -> float:
        """The time within which the change is counted, s; only for a change criterion."""
        if self.within_min is None:
            raise RecipeError(f"criterion {self.kind} has no `within_min`")
        return self.within_min * 60.0

    @property
    def text(self) -> str:
        """The criterion in words."""
        return render(self.say)

    @property
    def say(self) -> Say:
        """The criterion, to be said in any units."""
        key = f"criterion.{self.kind}"
        if self.is_change:
            return Say(key, limit_pa=self.change_pa, within_s=self.within_s)
        name = {
            "leak_g_per_year": "limit_g_per_year",
            "leak_pa_m3_per_s": "limit_pa_m3_per_s",
            "leak_percent_per_year": "limit_percent",
        }[self.kind]
        return Say(key, **{name: self.limit})

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [key for key in CRITERION_KEYS if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(
                f"give exactly one of {', '.join(CRITERION_KEYS)} "
                f"(given: {', '.join(given) or 'none'})"
            )
        if self.is_change and self.within_min is None:
            raise ValueError(f"`{given[0]}` needs `within_min`, the minutes it is counted over")
        if not self.is_change and self.within_min is not None:
            raise ValueError(
                f"`within_min` goes with a max_change criterion, not with `{given[0]}`"
            )
        return self


CRITERION_KEYS = (
    "leak_g_per_year",
    "leak_pa_m3_per_s",
    "leak_percent_per_year",
    "max_change_kpa",
    "max_change_micron",
)


class Limits(_Table):
    """Times, error rates and the pressure that must not be passed."""

    max_duration_min: float = Field(default=1440.0, ge=1, le=10080)
    max_gap_min: float = Field(default=30.0, ge=1, le=1440)
    false_pass: float = Field(default=0.01, ge=1e-4, le=0.2)
    false_fail: float = Field(default=0.01, ge=1e-4, le=0.2)
    max_pressure_kpa_g: float | None = Field(default=None, gt=0, le=20000)


class VacuumFigures(_Table):
    """What only a standing vacuum needs."""

    target_micron: float = Field(default=500.0, gt=0, le=50000)
    coldest_wall_c: float | None = Field(default=None, ge=-60, le=80)


class EarlierHold(_Table):
    """What an earlier standing vacuum of the same closed system found by itself.

    Give it only where the system was pumped down again and nothing was opened in between.
    """

    hold: str = Field(default="", max_length=100)
    slope_pa_per_s: float = Field(ge=0, le=1e6)
    low_pa_per_s: float = Field(ge=0, le=1e6)
    high_pa_per_s: float = Field(ge=0, le=1e6)


def _known_unit(text: object) -> str:
    try:
        parse_unit(str(text))
    except UnitError as error:
        raise ValueError(str(error)) from error
    return str(text)


class ChannelSpec(_Table):
    """What is known of a gauge or thermometer; ``range`` and the others are in ``unit``."""

    role: str | None = None
    reference: Literal["vented", "sealed", "absolute"] = "vented"
    range: tuple[float, float] | None = None
    unit: Annotated[str, BeforeValidator(_known_unit)] | None = None
    resolution: float | None = Field(default=None, gt=0)
    noise: float | None = Field(default=None, ge=0)
    drift: float | None = Field(default=None, ge=0)
    tempco_percent_of_span_per_k: float | None = Field(default=None, ge=0, le=10)

    @property
    def parsed_unit(self) -> Unit | None:
        """The unit of the figures, or None where no figure is given."""
        return None if self.unit is None else parse_unit(self.unit)

    def delta_si(self, key: Literal["resolution", "noise", "drift"]) -> float | None:
        """A difference figure (resolution, noise, drift) in Pa or K, or None."""
        figure = getattr(self, key)
        unit = self.parsed_unit
        if figure is None or unit is None:
            return None
        return unit.delta_to_si(float(figure))

    def range_si(self) -> tuple[float, float] | None:
        """Both ends of the range in Pa (gauge or absolute as ``unit`` says) or K, or None."""
        unit = self.parsed_unit
        if self.range is None or unit is None:
            return None
        return unit.to_si(self.range[0]), unit.to_si(self.range[1])

    @model_validator(mode="after")
    def _figures_have_a_unit(self) -> Self:
        figures = ("range", "resolution", "noise", "drift")
        given = [key for key in figures if getattr(self, key) is not None]
        if given and self.unit is None:
            raise ValueError(f'`{given[0]}` needs `unit`, for example unit = "kPag"')
        if self.range is not None and not self.range[0] < self.range[1]:
            raise ValueError("`range` is [lowest, highest], the lowest first")
        if self.role is not None and role_of(self.role) is None:
            raise ValueError(f"`role` is one of {', '.join(Role)} (got {self.role!r})")
        return self


class Recipe(_Table):
    """A procedure with all its figures, checked; SI views are properties.

    ``start`` says what may start the hold's clock besides its mark: ``auto`` takes an isolation
    seen in the data, else the first reading (a recorded trace is a hold from its beginning);
    ``seen`` only an isolation seen in the data; ``said`` the mark alone. A live hold never takes
    ``auto``: a running pump or an open regulator would look like a tight unit.
    """

    name: str = Field(default="", max_length=100)
    start: Literal["auto", "seen", "said"] = "auto"
    procedure: Literal["pressure-decay", "standing-vacuum"]
    gas: Annotated[str, BeforeValidator(_canonical_gas)] = "nitrogen"
    refrigerant: Annotated[str, BeforeValidator(_canonical_refrigerant)]
    charge_g: float | None = Field(default=None, gt=0, le=1e6)
    volume_l: float = Field(gt=0, le=10000)
    volume_uncertainty: float = Field(default=0.10, ge=0, le=0.5)
    wall_material: Literal["copper", "aluminium", "mixed", "rigid"] = "mixed"
    barometer_kpa: float | None = Field(default=None, ge=50, le=115)
    altitude_m: float | None = Field(default=None, ge=-500, le=5000)
    reference_temperature_c: float = Field(default=25.0, ge=-40, le=80)
    max_pressure_kpa_g: float | None = Field(default=None, gt=0, le=20000)
    criterion: Criterion
    limits: Limits = Limits()
    vacuum: VacuumFigures | None = None
    channels: dict[str, ChannelSpec] = Field(default_factory=dict)
    earlier_holds: tuple[EarlierHold, ...] = Field(default=(), max_length=10)

    @property
    def is_vacuum(self) -> bool:
        """Whether the procedure is a standing vacuum."""
        return self.procedure == "standing-vacuum"

    @property
    def volume_m3(self) -> float:
        """Internal volume, m³."""
        return self.volume_l / 1e3

    @property
    def reference_k(self) -> float:
        """Temperature at which the refrigerant is taken as saturated, K."""
        return self.reference_temperature_c + ZERO_CELSIUS_K

    @property
    def barometer_pa(self) -> float:
        """Pressure of the room where no channel measures it, Pa."""
        if self.barometer_kpa is not None:
            return self.barometer_kpa * 1e3
        return standard_pressure(self.altitude_m or 0.0)

    @property
    def max_gauge_pa(self) -> float | None:
        """Highest allowed pressure above the room's, Pa; None for a standing vacuum without one."""
        kpa = self.max_pressure_kpa_g or self.limits.max_pressure_kpa_g
        return None if kpa is None else kpa * 1e3

    @property
    def vacuum_figures(self) -> VacuumFigures:
        """The vacuum's figures, the defaults where the recipe gives none."""
        return self.vacuum or VacuumFigures()

    @property
    def target_pa(self) -> float:
        """Pressure at or below which a vacuum counts as reached, Pa absolute."""
        return self.vacuum_figures.target_micron * MICRON_PA

    @property
    def coldest_wall_k(self) -> float | None:
        """Temperature of the coldest wall where the recipe states it, K."""
        celsius = self.vacuum_figures.coldest_wall_c
        return None if celsius is None else celsius + ZERO_CELSIUS_K

    def role_name(self, channel: str) -> str | None:
        """The role (with its place) that a trace's channel plays here, or None."""
        spec = self.channels.get(channel)
        if spec is not None and spec.role is not None:
            return spec.role
        return channel if role_of(channel) is not None else None

    def to_toml(self) -> str:
        """The whole recipe as TOML; reading it back gives an equal recipe."""
        return tomli_w.dumps(self.model_dump(mode="json", exclude_none=True))

    @model_validator(mode="after")
    def _belongs_together(self) -> Self:
        if self.barometer_kpa is not None and self.altitude_m is not None:
            raise ValueError("give `barometer_kpa` or `altitude_m`, not both")
        if self.criterion.kind == "leak_percent_per_year" and self.charge_g is None:
            raise ValueError(
                "`leak_percent_per_year` needs `charge_g`, the nameplate charge in grams"
            )
        stated = (self.max_pressure_kpa_g, self.limits.max_pressure_kpa_g)
        if None not in stated and stated[0] != stated[1]:
            raise ValueError(
                "`max_pressure_kpa_g` stands twice with different figures; give it once"
            )
        if self.procedure == "pressure-decay":
            self._check_decay()
        elif self.gas != "nitrogen":
            raise ValueError("`gas` goes with pressure-decay; a vacuum leaks air inward")
        for channel, spec in self.channels.items():
            if spec.role is None and role_of(channel) is None:
                raise ValueError(f'channels."{channel}" needs `role` ({", ".join(Role)})')
        roles = [self.role_name(channel) for channel in self.channels]
        twice = sorted({str(role) for role in roles if roles.count(role) > 1})
        if twice:
            raise ValueError(
                f"two channels have the role {twice[0]}; give one of them another place"
            )
        return self

    def _check_decay(self) -> None:
        if self.max_gauge_pa is None:
            raise ValueError(
                "`max_pressure_kpa_g` is missing: the unit's highest allowed pressure from its "
                "plate or its lowest-rated part, in kPa above the room; a nitrogen hold has no "
                "default for it"
            )
        if self.gas == "air":
            raise ValueError(
                "`gas` must not be air: compressed air brings oxygen and moisture into the system; "
                "use dry nitrogen"
            )
        if self.earlier_holds:
            raise ValueError("[[earlier_holds]] goes with standing-vacuum")
        if self.vacuum is not None:
            raise ValueError("[vacuum] goes with standing-vacuum, not with pressure-decay")
        if self.criterion.max_change_micron is not None:
            raise ValueError("`max_change_micron` goes with standing-vacuum; use `max_change_kpa`")


def load_recipe(mapping: Mapping[str, Any], *, where: str = "recipe") -> Recipe:
    """Return the checked recipe of a TOML table.

    Args:
        mapping: The table as ``tomllib`` or JSON gives it.
        where: What the message names as the place, for example the file.

    Raises:
        RecipeError: One message that names every wrong key and what is allowed there.
    """
    try:
        return Recipe.model_validate(mapping)
    except ValidationError as error:
        told = "; ".join(_in_words(detail) for detail in error.errors(include_url=False))
        raise RecipeError(f"{where}: {told}") from error


def _in_words(detail: ErrorDetails) -> str:
    """One pydantic complaint as a sentence that names the key."""
    key = ".".join(str(part) for part in detail["loc"])
    message = detail["msg"].removeprefix("Value error, ")
    model = _table_of(detail["loc"])
    if detail["type"] == "extra_forbidden":
        return f"unknown key `{key}`; known here: {', '.join(sorted(model.model_fields))}"
    if detail["type"] == "missing":
        meaning = _MEANING.get(key, "")
        return f"`{key}` is missing{': ' + meaning if meaning else ''}"
    if not key:
        return message
    given = detail["input"]
    shown = f" (got {given!r})" if isinstance(given, str | int | float) else ""
    allowed = _allowed_range(model, str(detail["loc"][-1]))
    if allowed and detail["type"] != "value_error":
        return f"`{key}` must be {allowed}{shown}"
    return f"`{key}`: {message[:1].lower()}{message[1:]}{shown}"


def _table_of(loc: tuple[int | str, ...]) -> type[_Table]:
    """The model of the table that a complaint is about."""
    tables: dict[str, type[_Table]] = {
        "criterion": Criterion,
        "limits": Limits,
        "vacuum": VacuumFigures,
        "channels": ChannelSpec,
        "earlier_holds": EarlierHold,
    }
    return tables.get(str(loc[0]), Recipe) if len(loc) > 1 else Recipe


def _allowed_range(model: type[_Table], key: str) -> str:
    """The range of a numeric key in words, or nothing where it has none."""
    field = model.model_fields.get(key)
    words = {"gt": "above", "ge": "at least", "le": "at most", "lt": "below"}
    told = [
        f"{word} {getattr(bound, name):g}"
        for name, word in words.items()
        for bound in (field.metadata if field is not None else ())
        if getattr(bound, name, None) is not None
    ]
    return "a number " + " and ".join(told) if told else ""


_MEANING = {
    "procedure": '"pressure-decay" or "standing-vacuum"',
    "volume_l": "the internal volume under test in litres, above 0",
    "refrigerant": 'the refrigerant that the leak is restated for, for example "R134a"',
    "criterion": "a [criterion] table with exactly one figure: " + ", ".join(CRITERION_KEYS),
}
