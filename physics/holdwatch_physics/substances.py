"""Refrigerants and test gases by name: constants that need no equation of state."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final, TypeAlias

__all__ = [
    "FITTED_VISCOSITY_U",
    "GASES",
    "PREDICTED_VISCOSITY_U",
    "REFRIGERANTS",
    "Fluid",
    "FluidError",
    "Gas",
    "Refrigerant",
    "SafetyGroup",
    "fluid",
    "gas",
    "refrigerant",
]


class FluidError(ValueError):
    """A fluid, or a state of it, that cannot be computed; the message says what would work."""


class SafetyGroup(StrEnum):
    """Toxicity (A: lower) and flammability of a refrigerant, ASHRAE 34 (from memory)."""

    A1 = "A1"  # no flame propagation
    A2L = "A2L"  # flammable, burns slowly
    A2 = "A2"  # flammable
    A3 = "A3"  # highly flammable

    @property
    def is_flammable(self) -> bool:
        """Whether the refrigerant can burn when it leaks."""
        return self is not SafetyGroup.A1


@dataclass(frozen=True, slots=True)
class Refrigerant:
    """A refrigerant that a unit under test may hold.

    Attributes:
        name: Canonical name, for example ``R-134a``.
        key: Name that the equation of state goes by.
        molar_mass: kg/mol.
        critical_k: Critical temperature, K.
        safety_group: ASHRAE 34 group.
        viscosity_u: Relative standard uncertainty of the vapour viscosity: 0.10 where the
            model is predictive, 0.02 where it was fitted to measurements.
    """

    name: str
    key: str
    molar_mass: float
    critical_k: float
    safety_group: SafetyGroup
    viscosity_u: float

    @property
    def short_name(self) -> str:
        """Return the name as a recipe writes it, without the dash: ``R134a``."""
        return self.name.replace("-", "", 1)


@dataclass(frozen=True, slots=True)
class Gas:
    """A gas that fills or surrounds a unit under test.

    Attributes:
        name: Canonical name, for example ``nitrogen``.
        key: Name that the equation of state goes by.
        molar_mass: kg/mol.
        critical_k: Critical temperature, K.
        share_of_air: Its mole fraction in the air outside, which drives it back inwards when
            molecules pass a leak one by one (dry air, from memory).
        viscosity_u: Relative standard uncertainty of the viscosity.
    """

    name: str
    key: str
    molar_mass: float
    critical_k: float
    share_of_air: float
    viscosity_u: float


Fluid: TypeAlias = Refrigerant | Gas

FITTED_VISCOSITY_U: Final = 0.02
"""Viscosity fitted to measurements: agrees with a second reference fit within 0.15 % at room
temperature and one atmosphere; 2 % covers the dense vapour near saturation."""
PREDICTED_VISCOSITY_U: Final = 0.10
"""Viscosity predicted by corresponding states: 3 to 10 % above a reference fit."""

_FIT, _PREDICTED = FITTED_VISCOSITY_U, PREDICTED_VISCOSITY_U
_G = SafetyGroup

REFRIGERANTS: Final = (
    Refrigerant("R-134a", "R134a", 0.102032, 374.212, _G.A1, _FIT),
    Refrigerant("R-1234yf", "R1234yf", 0.1140416, 367.85, _G.A2L, _PREDICTED),
    Refrigerant("R-744", "CO2", 0.0440098, 304.1282, _G.A1, _FIT),
    Refrigerant("R-152a", "R152a", 0.066051, 386.411, _G.A2, _PREDICTED),
    Refrigerant("R-32", "R32", 0.052024, 351.255, _G.A2L, _PREDICTED),
    Refrigerant("R-410A", "R410A", 0.0725854, 344.494, _G.A1, _FIT),
    Refrigerant("R-290", "n-Propane", 0.04409562, 369.89, _G.A3, _FIT),
    Refrigerant("R-1234ze(E)", "R1234ze(E)", 0.1140415928, 382.513, _G.A2L, _PREDICTED),
    Refrigerant("R-600a", "IsoButane", 0.0581222, 407.81, _G.A3, _FIT),
    Refrigerant("R-22", "R22", 0.086468, 369.295, _G.A1, _PREDICTED),
    Refrigerant("R-407C", "R407C", 0.0862036, 359.345, _G.A1, _FIT),
    Refrigerant("R-404A", "R404A", 0.0976038, 345.27, _G.A1, _FIT),
)
"""Every refrigerant known here; molar mass and critical temperature as the equation of state
has them, agreeing with the ASHRAE Handbook's table of refrigerants to its last printed digit."""

GASES: Final = (
    Gas("nitrogen", "Nitrogen", 0.02801348, 126.192, 0.7808, _FIT),
    Gas("air", "Air", 0.02896546, 132.5306, 1.0, _FIT),
    Gas("argon", "Argon", 0.039948, 150.687, 0.0093, _FIT),
    Gas("helium", "Helium", 0.004002602, 5.1953, 0.0, _FIT),
    Gas("carbon dioxide", "CO2", 0.0440098, 304.1282, 0.0004, _FIT),
)
"""Every gas known to fill a unit in a test, or to surround it."""

_GAS_WORDS: Final = {"n2": "nitrogen", "ar": "argon", "he": "helium", "co2": "carbon dioxide"}
_OXYGEN: Final = frozenset({"oxygen", "o2"})


def _plain(name: str) -> str:
    """Reduce a spelling to what tells refrigerants apart."""
    return "".join(c for c in name.lower() if c not in "- _()\t")


_REFRIGERANT_BY_PLAIN: Final = {_plain(r.name): r for r in REFRIGERANTS}
_GAS_BY_NAME: Final = {g.name: g for g in GASES}


def refrigerant(name: str) -> Refrigerant:
    """Return the refrigerant of that name; case, dashes and spaces do not matter.

    Raises:
        FluidError: the name is not known; the message lists those that are.

    >>> refrigerant("r134a").name
    'R-134a'
    >>> refrigerant("R1234ze(E)").safety_group.value
    'A2L'
    """
    found = _REFRIGERANT_BY_PLAIN.get(_plain(name))
    if found is None:
        known = ", ".join(r.short_name for r in REFRIGERANTS)
        raise FluidError(f"unknown refrigerant {name!r}: write one of {known}")
    return found


def gas(name: str) -> Gas:
    """Return the test gas of that name (or formula).

    Raises:
        FluidError: the name is not known, or is oxygen, which must never be used.

    >>> gas("N2").name
    'nitrogen'
    """
    word = " ".join(name.lower().replace("-", " ").replace("_", " ").split())
    if word in _OXYGEN:
        raise FluidError(
            "oxygen must never be put into a refrigerating system: it explodes with the oil; "
            "use dry nitrogen through a regulator"
        )
    found = _GAS_BY_NAME.get(_GAS_WORDS.get(word, word))
    if found is None:
        known = ", ".join(g.name for g in GASES)
        raise FluidError(f"unknown test gas {name!r}: write one of {known}")
    return found


def fluid(name: str) -> Fluid:
    """Return the test gas or refrigerant of that name.

    Raises:
        FluidError: neither is known by it.
    """
    word = name.strip()
    if _plain(word) in _REFRIGERANT_BY_PLAIN:
        return refrigerant(word)
    return gas(word)
