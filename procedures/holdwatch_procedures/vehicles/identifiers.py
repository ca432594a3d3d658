"""Names that a vehicle goes by: fleet number, plate, and VIN with its check digit."""

from __future__ import annotations

import re
from enum import StrEnum
from typing import Final

from holdwatch_procedures.vehicles.record import StoryError

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
        StoryError: The VIN has not 17 characters, or holds one that no VIN has.

    >>> vin_check_digit("1M8GDM9A_KP042788".replace("_", "0"))
    'X'
    """
    word = normalise(vin)
    if len(word) != _LENGTH:
        raise StoryError(
            f"VIN {vin!r} has {len(word)} characters, it must have {_LENGTH}: read it again from "
            "the plate or the papers"
        )
    wrong = sorted({letter for letter in word if letter not in _VALUES})
    if wrong:
        raise StoryError(
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
        StoryError: Wrong length, an impossible character, or a check digit that must match.
    """
    word = normalise(vin)
    expected = vin_check_digit(word)
    if word[_CHECK_AT] == expected:
        return word, VinCheck.MATCHES
    if word[0] in _MUST_CHECK:
        raise StoryError(
            f"VIN {vin!r}: the check digit (position 9) is {word[_CHECK_AT]}, these characters ask "
            f"for {expected}: one of them was misread"
        )
    return word, VinCheck.NOT_USED
