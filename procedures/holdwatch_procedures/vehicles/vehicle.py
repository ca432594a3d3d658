"""The unit under test: what it is called, what is in it, how large it is inside, what it bears."""

from __future__ import annotations

from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from holdwatch_physics.substances import refrigerant
from holdwatch_procedures.vehicles.identifiers import VinCheck, check_vin, normalise
from holdwatch_procedures.vehicles.record import (
    RefrigerantName,
    Row,
    StoryError,
    Text,
    Word,
    load_toml,
    packaged_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

LAW_G_PER_YEAR = {1: 40.0, 2: 60.0}
"""Leakage allowed to a car's R-134a system with one and with two evaporators, g a year
(Directive 2006/40/EC with Regulation (EC) 706/2007, read in summaries)."""


def _plain_vin(vin: object) -> str | None:
    return None if vin is None or str(vin).strip() == "" else check_vin(str(vin))[0]


class Oil(Row):
    """The compressor's oil: its kind, its grade as the plate writes it, and how much, ml."""

    kind: Literal["PAG", "POE", "PVE", "PAO", "mineral", "not known"] = "not known"
    grade: Annotated[str, Field(max_length=40)] = ""
    amount_ml: float | None = Field(default=None, gt=0, le=10000)


class InternalVolume(Row):
    """The internal volume with its relative standard uncertainty and where both come from."""

    litres: float = Field(gt=0, le=10000)
    relative_u: float = Field(ge=0, le=0.5)
    how: Literal["measured", "class", "stated"]
    source: Word
    measured_on: date | None = None


class VolumeClass(Row):
    """One line of the class table: what such a system usually holds."""

    key: Word
    name: Word
    litres: float = Field(gt=0, le=10000)
    relative_u: float = Field(gt=0, le=0.5)
    source: Word

    @property
    def volume(self) -> InternalVolume:
        """The class's figure as the volume of one unit."""
        return InternalVolume(
            litres=self.litres,
            relative_u=self.relative_u,
            how="class",
            source=f"class {self.name}: {self.source}",
        )


class VolumeClasses(Row):
    """The class table; a shop keeps its own copy and edits it."""

    classes: tuple[VolumeClass, ...] = Field(alias="class", min_length=1)

    def volume(self, key: str) -> InternalVolume:
        """Return the volume of a class.

        Raises:
            StoryError: No class of that key; the message lists those there are.
        """
        for line in self.classes:
            if line.key == key:
                return line.volume
        known = ", ".join(line.key for line in self.classes)
        raise StoryError(f"volume class {key!r} is not in the table: write one of {known}")


def volume_classes(text: str | None = None, *, where: str = "volume classes") -> VolumeClasses:
    """Return the class table of a TOML text, or the one that comes with the package.

    Raises:
        StoryError: The text is not such a table.
    """
    return load_toml(VolumeClasses, text or packaged_text("volume_classes.toml"), where=where)


class UnitUnderTest(Row):
    """A vehicle's (or a plant's) refrigerating system.

    At least one of the three identifiers is given; a lookup goes by any of them.

    Attributes:
        fleet_number: The owner's own name for it.
        plate: Its registration.
        vin: Vehicle identification number by ISO 3779, kept in plain capitals.
        refrigerant: Canonical name.
        nameplate_charge_g: Charge by the plate, g; None where it cannot be read.
        oil: Kind and amount.
        evaporators: 1, or 2 with a rear one.
        volume: Internal volume, measured or from a class; None before either is known.
        max_pressure_kpa_g: Highest allowed pressure from the plate or the lowest-rated part, kPa
            above the room; there is no default for it.
        section_volumes: Volumes of parts that can be shut off and held on their own, by their
            place in the component tree.
        own_places: Places of this unit that the general component tree has not, by their parent.
    """

    fleet_number: Annotated[str, Field(max_length=40)] = ""
    plate: Annotated[str, Field(max_length=20)] = ""
    vin: Annotated[str | None, BeforeValidator(_plain_vin)] = None
    description: Text = ""
    refrigerant: RefrigerantName
    nameplate_charge_g: float | None = Field(default=None, gt=0, le=1e6)
    oil: Oil = Oil()
    evaporators: Literal[1, 2] = 1
    volume: InternalVolume | None = None
    max_pressure_kpa_g: float | None = Field(default=None, gt=0, le=20000)
    own_places: dict[Word, Word] = Field(default_factory=dict)
    section_volumes: dict[Word, InternalVolume] = Field(default_factory=dict)

    @property
    def name(self) -> str:
        """What people call it: the fleet number, else the plate, else the VIN."""
        return self.fleet_number or self.plate or str(self.vin)

    @property
    def identifiers(self) -> tuple[str, ...]:
        """Every identifier in the form that a lookup compares."""
        given = (self.fleet_number, self.plate, self.vin or "")
        return tuple(normalise(word) for word in given if word)

    @property
    def vin_check(self) -> VinCheck | None:
        """What the VIN's check digit says, None without a VIN."""
        return None if self.vin is None else check_vin(self.vin)[1]

    @property
    def law_g_per_year(self) -> float:
        """The law's figure for a car's system of this many evaporators, g a year."""
        return LAW_G_PER_YEAR[self.evaporators]

    @property
    def is_flammable(self) -> bool:
        """Whether its refrigerant can burn when it leaks."""
        return refrigerant(self.refrigerant).safety_group.is_flammable

    @model_validator(mode="after")
    def _has_a_name(self) -> Self:
        if not self.identifiers or not all(self.identifiers):
            raise ValueError(
                "a unit needs at least one of `fleet_number`, `plate` and `vin`, with letters or "
                "digits in it"
            )
        return self


def find_unit(units: Iterable[UnitUnderTest], identifier: str) -> UnitUnderTest | None:
    """Return the unit that goes by an identifier of any kind, None where there is none.

    Raises:
        StoryError: Two units answer to it, so that neither may be taken.
    """
    wanted = normalise(identifier)
    found = [unit for unit in units if wanted in unit.identifiers]
    if len(found) > 1:
        names = ", ".join(unit.name for unit in found)
        raise StoryError(f"{identifier!r} names {len(found)} units ({names}): use another of them")
    return found[0] if found else None
