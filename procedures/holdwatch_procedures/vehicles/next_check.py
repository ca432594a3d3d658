"""Which check would tell most next: the expected drop of entropy of the suspects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_procedures.vehicles.evidence import entropy, normalised

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdwatch_procedures.vehicles.components import ComponentTree
    from holdwatch_procedures.vehicles.evidence import Likelihoods, Means, Ranking


@dataclass(frozen=True, slots=True)
class Check:
    """A look by one means at one place, with what it is expected to tell.

    Attributes:
        means: Key of the means.
        place: Key of the place.
        sentence: The check in words.
        bits: Expected drop of entropy, bits.
        minutes: About how long it takes (common practice, no source).
        chance_found: Chance that it finds something.
    """

    means: str
    place: str
    sentence: str
    bits: float
    minutes: float
    chance_found: float


def next_checks(
    ranking: Ranking, tree: ComponentTree, table: Likelihoods, *, dye_in: bool = True
) -> tuple[Check, ...]:
    """Return the checks not made yet, the one that would tell most first.

    A look by the same means at the same place is not proposed again. Looks that need dye are left
    out where none is in the unit.
    """
    made = {(one.finding.means, one.finding.place) for one in ranking.weighed}
    shares = ranking.shares
    checks = [
        _check(means, place, shares, tree)
        for means in table.means
        if dye_in or not means.needs_dye
        for place in places_for(means, tree)
        if (means.key, place) not in made
    ]
    return tuple(sorted(checks, key=lambda check: (-check.bits, check.minutes)))


def expected_bits(means: Means, inside: frozenset[str], shares: Mapping[str, float]) -> float:
    """Return the mutual information between a look's result and the place of the leak, bits.

    H(place) − P(found) H(place | found) − P(nothing) H(place | nothing), never below 0.
    """
    found = chance_found(means, inside, shares)
    after = {
        result: normalised(
            {key: p * (ratio if key in inside else 1.0) for key, p in shares.items()}
        )
        for result, ratio in ((True, means.found), (False, means.not_found))
    }
    expected = found * entropy(after[True].values()) + (1 - found) * entropy(after[False].values())
    return max(0.0, entropy(shares.values()) - expected)


def chance_found(means: Means, inside: frozenset[str], shares: Mapping[str, float]) -> float:
    """Return the chance that a look finds something."""
    there = sum(p for key, p in shares.items() if key in inside)
    return there * means.sensitivity + (1.0 - there) * means.false_alarm


def _check(means: Means, place: str, shares: Mapping[str, float], tree: ComponentTree) -> Check:
    inside = tree.leaves_of(place)
    return Check(
        means=means.key,
        place=place,
        sentence=f"{means.name}: {tree.name(place)}",
        bits=expected_bits(means, inside, shares),
        minutes=means.minutes,
        chance_found=chance_found(means, inside, shares),
    )


def places_for(means: Means, tree: ComponentTree) -> tuple[str, ...]:
    """Return the places of a tree that a means can look at."""
    if "*" in means.reach:
        return tuple(leaf.key for leaf in tree.leaves)
    here = {place.key for place in tree.places}
    return tuple(key for key in means.reach if key in here)
