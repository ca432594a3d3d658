"""Compares holds on isolated sections to say which part leaks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.vehicles.job import NOT_JUDGED_HERE, WHOLE, Finding, Points, Strength
from holdwatch_procedures.vehicles.validation import VehicleError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date

    from holdwatch_procedures.vehicles.components import ComponentTree
    from holdwatch_procedures.vehicles.job import HoldEntry

MEANS: Final = "section-hold"
_FAR_BELOW, _NOT_FAR = 0.1, 0.5


class Standing(StrEnum):
    """What a section's hold says of it."""

    LEAKS = "leaks"
    TIGHT = "tight"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Section:
    """A part with what its hold (or holds) said; rates in g a year.

    ``share`` is its estimate over the sum of all parts' (None where an estimate is missing).
    """

    key: str
    name: str
    standing: Standing
    value: float | None
    low: float | None
    high: float | None
    share: float | None
    sentence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A part against the parts of it that were held on their own; rates in g a year.

    ``low`` and ``high`` bound what the whole leaked beyond its parts. ``covered`` says whether the
    parts make up the whole; ``consistent`` whether the difference can be nothing (or, for parts
    that do not make it up, not below nothing).
    """

    whole: str
    parts: tuple[str, ...]
    covered: bool
    difference: float
    low: float
    high: float
    consistent: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class SectionReading:
    """All sections of a visit, how they fit together, and which of them carry the leak."""

    sections: tuple[Section, ...]
    comparisons: tuple[Comparison, ...]
    carriers: tuple[str, ...]
    sentence: str

    @property
    def consistent(self) -> bool | None:
        """Whether every whole agrees with its parts; None where nothing could be compared."""
        if not self.comparisons:
            return None
        return all(comparison.consistent for comparison in self.comparisons)

    def findings(self, on: date) -> tuple[Finding, ...]:
        """Return what the sections say as evidence, one finding for each that says anything.

        A tight section speaks the stronger, the smaller its upper bound is beside the whole leak.
        Nothing is said by parts that do not fit together: their shut-offs may have leaked.
        """
        if self.consistent is False:
            return ()
        leak = max((part.value or 0.0 for part in self.sections), default=0.0)
        return tuple(
            Finding(
                place=part.key,
                means=MEANS,
                points=Points.FOR if part.standing is Standing.LEAKS else Points.AGAINST,
                strength=_strength(part, leak),
                on=on,
                note=part.sentence,
            )
            for part in self.sections
            if part.standing is not Standing.CANNOT_TELL and part.key != WHOLE
        )


def read_sections(
    holds: Sequence[HoldEntry], tree: ComponentTree, *, limit_g_per_year: float
) -> SectionReading:
    """Return what holds on isolated parts (and on the whole) say together.

    A part is tight only if its hold passed and its upper bound is below the limit; it leaks if its
    hold was conclusive and its lower bound above 0; all else cannot be told. Several holds of one
    part are cut to what all of them allow. A hold that was not judged here never makes a part
    tight. A whole is compared with its parts by the difference
    of estimates, the bounds' distances added as independent (root of squares).

    Args:
        holds: The holds, each with its ``section`` in the tree.
        tree: The unit's component tree.
        limit_g_per_year: Leak that matters.

    Raises:
        VehicleError: No hold, an unknown section, or a limit that is not above 0.
    """
    if not holds:
        raise VehicleError("no hold of a section was given")
    if not (math.isfinite(limit_g_per_year) and limit_g_per_year > 0.0):
        raise VehicleError(f"the limit must be above 0 g a year, not {limit_g_per_year:g}")
    by_key: dict[str, list[HoldEntry]] = {}
    for hold in holds:
        tree.place(hold.section)
        by_key.setdefault(hold.section, []).append(hold)
    parts = [_section(key, same, tree, limit_g_per_year) for key, same in by_key.items()]
    known = {part.key: part for part in parts}
    finest = [key for key in known if not _parts_of(key, known, tree)]
    parts = [_with_share(part, finest, known) for part in parts]
    comparisons = tuple(made for key in known if (made := _compare(key, known, tree)) is not None)
    carriers = tuple(key for key in finest if known[key].standing is Standing.LEAKS)
    told = _sentence(parts, comparisons, carriers, finest)
    return SectionReading(tuple(parts), comparisons, carriers, told)


def _section(key: str, holds: Sequence[HoldEntry], tree: ComponentTree, limit: float) -> Section:
    """Put the holds of one part together."""
    name = tree.name(key)
    bounded = [hold for hold in holds if None not in (hold.g_per_year, hold.low, hold.high)]
    if not bounded:
        why = f"The hold of {name} gave no figure."
        return Section(key, name, Standing.CANNOT_TELL, None, None, None, None, why)
    low = max(hold.low for hold in bounded if hold.low is not None)
    high = min(hold.high for hold in bounded if hold.high is not None)
    values = [hold.g_per_year for hold in bounded if hold.g_per_year is not None]
    value = sum(values) / len(values)
    if low > high:
        why = f"The holds of {name} contradict each other: hold it again."
        return Section(key, name, Standing.CANNOT_TELL, None, None, None, None, why)
    value = min(max(value, low), high)
    conclusive = all(hold.outcome != "inconclusive" for hold in bounded)
    passed = all(hold.outcome == "pass" for hold in bounded)
    brought = any(hold.judged_elsewhere for hold in bounded)
    if passed and brought:
        standing = Standing.CANNOT_TELL
        why = f"{name}: its hold was {NOT_JUDGED_HERE}, and proves nothing: hold it again."
    elif passed and high < limit:
        standing, why = Standing.TIGHT, f"{name}: tight to {high:.0f} g a year."
    elif conclusive and low > 0.0:
        more = f" ({NOT_JUDGED_HERE})" if brought else ""
        standing = Standing.LEAKS
        why = f"{name}: leaks {low:.0f} to {high:.0f} g a year{more}."
    else:
        standing = Standing.CANNOT_TELL
        why = f"{name}: between {low:.0f} and {high:.0f} g a year, which does not tell."
    return Section(key, name, standing, value, low, high, None, why)


def _with_share(part: Section, finest: Sequence[str], known: Mapping[str, Section]) -> Section:
    values = [known[key].value for key in finest]
    if part.key not in finest or part.value is None or None in values:
        return part
    total = sum(max(value, 0.0) for value in values if value is not None)
    share = max(part.value, 0.0) / total if total > 0.0 else None
    return Section(
        part.key, part.name, part.standing, part.value, part.low, part.high, share, part.sentence
    )


def _parts_of(key: str, known: Mapping[str, Section], tree: ComponentTree) -> list[str]:
    """Return the largest held parts inside a held part."""
    whole = tree.leaves_of(key)
    inside = {other: tree.leaves_of(other) for other in known if other != key}
    below = {other: leaves for other, leaves in inside.items() if leaves < whole}
    return [k for k, leaves in below.items() if not any(leaves < more for more in below.values())]


def _compare(key: str, known: Mapping[str, Section], tree: ComponentTree) -> Comparison | None:
    parts = _parts_of(key, known, tree)
    whole = known[key]
    if not parts or None in (whole.value, *(known[part].value for part in parts)):
        return None
    held = [known[part] for part in parts]
    difference = _number(whole.value) - sum(_number(part.value) for part in held)
    below = math.hypot(_down(whole), *(_up(part) for part in held))
    above = math.hypot(_up(whole), *(_down(part) for part in held))
    low, high = difference - below, difference + above
    covered = frozenset().union(*(tree.leaves_of(part) for part in parts)) == tree.leaves_of(key)
    if high < 0.0:
        told = "its parts leak more than it does: a shut-off between them let gas through."
    elif covered and low > 0.0:
        told = "it leaks more than its parts: a joint, valve or hose between them leaks."
    elif low > 0.0:
        told = "it leaks more than the parts that were held: hold the rest."
    else:
        told = "its parts explain it."
    return Comparison(
        whole=key,
        parts=tuple(parts),
        covered=covered,
        difference=difference,
        low=low,
        high=high,
        consistent=high >= 0.0 and (low <= 0.0 or not covered),
        sentence=f"{whole.name}: {told}",
    )


def _number(value: float | None) -> float:
    return 0.0 if value is None else value


def _down(part: Section) -> float:
    return _number(part.value) - _number(part.low)


def _up(part: Section) -> float:
    return _number(part.high) - _number(part.value)


def _sentence(
    parts: Sequence[Section],
    comparisons: Sequence[Comparison],
    carriers: Sequence[str],
    finest: Sequence[str],
) -> str:
    names = {part.key: part.name for part in parts}
    wrong = [comparison for comparison in comparisons if not comparison.consistent]
    if wrong:
        return f"The holds do not fit together: {wrong[0].sentence}"
    if carriers:
        told = " and ".join(names[key] for key in carriers)
        rest = [p for p in parts if p.key in finest and p.standing is Standing.CANNOT_TELL]
        more = f" {rest[0].name} cannot be told yet." if rest else ""
        return f"The leak is in: {told}.{more}"
    if all(part.standing is Standing.TIGHT for part in parts):
        return "Every part that was held is tight to the limit."
    return "No part is shown to leak, and not every part is shown to be tight: hold longer."


def _strength(part: Section, leak: float) -> Strength:
    """How plainly a section speaks, by its bounds beside the largest leak of any section."""
    if part.standing is Standing.LEAKS:
        return Strength.STRONG if _number(part.low) > _NOT_FAR * leak else Strength.PLAIN
    if leak <= 0.0 or _number(part.high) > _NOT_FAR * leak:
        return Strength.WEAK
    return Strength.STRONG if _number(part.high) < _FAR_BELOW * leak else Strength.PLAIN
