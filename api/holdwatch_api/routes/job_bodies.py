"""Models the JSON of vehicles and jobs that is no row of a job: what is asked and answered."""

from __future__ import annotations

from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from typing import Annotated, Any, Literal

from pydantic import Field

from holdwatch_daemon.messages import CommandId, Message
from holdwatch_procedures.vehicles import (  # noqa: TC001 (pydantic reads them)
    Expansion,
    InternalVolume,
    JobNumber,
    Oil,
)

Name = Annotated[str, Field(min_length=1, max_length=100)]
Words = Annotated[str, Field(max_length=4000)]


class Said(Message):
    """A change; one that is sent again under the same ``id`` is not made twice."""

    id: CommandId | None = None


class SaidOn(Said):
    """A change on a day; today's where none is given."""

    on: date | None = None


class VehicleFields(Message):
    """What can be said of a vehicle; ``volume_class`` in place of a volume that is known."""

    fleet_number: Annotated[str, Field(max_length=40)] | None = None
    plate: Annotated[str, Field(max_length=20)] | None = None
    vin: Annotated[str, Field(max_length=40)] | None = None
    description: Words | None = None
    refrigerant: Annotated[str, Field(max_length=40)] | None = None
    nameplate_charge_g: float | None = None
    oil: Oil | None = None
    evaporators: Literal[1, 2] | None = None
    volume: InternalVolume | None = None
    volume_class: Name | None = None
    max_pressure_kpa_g: float | None = None
    own_places: dict[Name, Name] | None = None
    section_volumes: dict[Name, InternalVolume] | None = None


class NewVehicle(Said):
    """Body of ``POST /api/v1/vehicles``: a refrigerant, and at least one name."""

    unit: VehicleFields


class ChangedVehicle(Said, VehicleFields):
    """Body of ``PATCH /api/v1/vehicles/{vehicle}``: what is left out stays, null takes away."""


class MeasuredVolume(SaidOn):
    """Body of ``POST /api/v1/vehicles/{vehicle}/volume``; ``keep`` false only works it out.

    ``section`` is the part that was open to the bottle: the whole, or one that was shut off.
    """

    expansion: Expansion
    section: Name = "system"
    keep: bool = True


class VolumeFound(Message):
    """What an expansion told; shares of the standard uncertainty, ml, the largest first."""

    sentence: str
    volume: InternalVolume
    budget_ml: dict[str, float]
    kept: bool


class VolumeSteps(Message):
    """How a volume is measured, step by step, with the cautions first."""

    unit: str
    cautions: list[str]
    steps: list[str]
    max_pressure_kpa_g: float | None


class OpenedJob(SaidOn):
    """Body of ``POST /api/v1/vehicles/{vehicle}/jobs``; without a number the year's next."""

    complaint: Words = ""
    number: JobNumber | None = None


class BoundTrace(SaidOn):
    """Readings as CSV with the recipe to judge them by; kept as a hold and bound."""

    trace: str
    recipe: dict[str, Any]
    section: Name = "system"
    after_repair: bool | None = None


class Place(Message):
    """A place of a vehicle's component tree; one with places below it is a section."""

    key: str
    name: str
    parent: str | None
    leaf: bool


class MeansWords(Message):
    """A way of looking; ``places`` are those that it can look at."""

    key: str
    name: str
    minutes: float
    needs_dye: bool
    places: list[str]
    source: str


class Misleading(Message):
    """What can mislead a look by some means, for or against."""

    key: str
    text: str
    means: list[str]
    points: list[str]
    source: str


class Choice(Message):
    """One of several, with its name."""

    key: str
    name: str


class Vocabulary(Message):
    """Every word that a story's change may hold, for one vehicle."""

    places: list[Place]
    means: list[MeansWords]
    mislead: list[Misleading]
    strengths: list[str]
    ways_in: list[str]
    acts: list[str]
    points: list[Choice]
    volume_classes: list[Choice]
    tables: list[str]


class Photo(Message):
    """A picture that is kept, by its hash."""

    sha256: str
    kind: str
    size: int
    name: str


class Imported(Message):
    """What an import took."""

    vehicles: int
    visits: int


class Verified(Message):
    """Whether a report's file and the store agree; ``changed`` names every place that differs."""

    agrees: bool
    sha256: str | None
    changed: list[str]


class BalanceView(Message):
    """A charge balance: its sentence, then its figures (g a year)."""

    sentence: str
    balance: dict[str, Any]
