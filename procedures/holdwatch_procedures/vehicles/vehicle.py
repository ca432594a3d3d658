"""Describes a vehicle (or stationary unit): its names, what is in it, its volume, what it bears.

A vehicle goes by fleet number, plate and VIN; the VIN's check digit is validated here.
"""

from __future__ import annotations

import re
from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Final, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from holdwatch_physics.substances import refrigerant
from holdwatch_procedures.vehicles.validation import (
    RefrigerantName,
    Row,
    Text,
    VehicleError,
    Word,
    load_toml,
    packaged_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterable


_VALUES: Final = {
    **{digit: int(digit) for digit in "0123456789"},
    **dict(zip("ABCDEFGH", range(1, 9), strict=True)),
    **dict(zip("JKLMN", range(1, 6), strict=True)),
    "P": 7,
    "R": 9,
    **dict(zip("STUVWXYZ", range(2, 10), strict=True)),
}
"""Value of each character; I, O and Q are not used in a VIN (read in an open textbook's worked
example and in three public calculators; the standard itself was not at hand)."""

_WEIGHTS: Final = (8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2)
_LENGTH: Final = 17
_CHECK_AT: Final = 8
_MUST_CHECK: Final = frozenset("12345")
"""First characters of North America, where the check digit is compulsory (from memory)."""


class VinCheck(StrEnum):
    """What the check digit says."""

    MATCHES = "matches"
    NOT_USED = "not used"  # outside North America position 9 may hold anything


def normalise(identifier: str) -> str:
    """Return an identifier as it is compared: capitals, without spaces, dashes and dots.

    >>> normalise("bm-01 ")
    'BM01'
    """
    return re.sub(r"[\s\-.·_/]+", "", identifier).upper()


def vin_check_digit(vin: str) -> str:
    """Return the check digit that belongs at position 9: weighted sum modulo 11, 10 written X.

    Raises:
        VehicleError: The VIN has not 17 characters, or holds one that no VIN has.

    >>> vin_check_digit("1M8GDM9A_KP042788".replace("_", "0"))
    'X'
    """
    word = normalise(vin)
    if len(word) != _LENGTH:
        raise VehicleError(
            f"VIN {vin!r} has {len(word)} characters, it must have {_LENGTH}: read it again from "
            "the plate or the papers"
        )
    wrong = sorted({letter for letter in word if letter not in _VALUES})
    if wrong:
        raise VehicleError(
            f"VIN {vin!r} holds {', '.join(wrong)}, which no VIN has (I, O and Q are left out: "
            "read 1 and 0)"
        )
    total = sum(_VALUES[letter] * weight for letter, weight in zip(word, _WEIGHTS, strict=True))
    return "0123456789X"[total % 11]


def check_vin(vin: str) -> tuple[str, VinCheck]:
    """Return the VIN in plain form and what its check digit says.

    The check digit is compulsory in North America only; elsewhere position 9 is the maker's, so
    that a digit that does not match is an error there and no evidence here.

    Raises:
        VehicleError: Wrong length, an impossible character, or a check digit that must match.
    """
    word = normalise(vin)
    expected = vin_check_digit(word)
    if word[_CHECK_AT] == expected:
        return word, VinCheck.MATCHES
    if word[0] in _MUST_CHECK:
        raise VehicleError(
            f"VIN {vin!r}: the check digit (position 9) is {word[_CHECK_AT]}, these characters ask "
            f"for {expected}: one of them was misread"
        )
    return word, VinCheck.NOT_USED


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
            VehicleError: No class of that key; the message lists those there are.
        """
        for line in self.classes:
            if line.key == key:
                return line.volume
        known = ", ".join(line.key for line in self.classes)
        raise VehicleError(f"volume class {key!r} is not in the table: write one of {known}")


def volume_classes(text: str | None = None, *, where: str = "volume classes") -> VolumeClasses:
    """Return the class table of a TOML text, or the one that comes with the package.

    Raises:
        VehicleError: The text is not such a table.
    """
    return load_toml(VolumeClasses, text or packaged_text("volume_classes.toml"), where=where)


class Vehicle(Row):
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
        return tuple([normalise(word) for word in given if word])

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


def find_unit(units: Iterable[Vehicle], identifier: str) -> Vehicle | None:
    """Return the unit that goes by an identifier of any kind, None where there is none.

    Raises:
        VehicleError: Two units answer to it, so that neither may be taken.
    """
    wanted = normalise(identifier)
    found = [unit for unit in units if wanted in unit.identifiers]
    if len(found) > 1:
        names = ", ".join(unit.name for unit in found)
        raise VehicleError(
            f"{identifier!r} names {len(found)} units ({names}): use another of them"
        )
    return found[0] if found else None


def volume_sentence(volume: InternalVolume | None) -> str:
    """Return a volume with its uncertainty and where it is from."""
    if volume is None:
        return "not known: take a class, or measure it by expansion"
    on = "" if volume.measured_on is None else f" on {volume.measured_on}"
    return (
        f"{volume.litres:.3g} litres ±{100 * volume.relative_u:.1f} % "
        f"({volume.how}{on}: {volume.source})"
    )
