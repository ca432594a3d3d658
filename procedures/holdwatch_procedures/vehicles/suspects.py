"""Ranks the suspected places by the findings for and against them, and the checks to make next.

Findings are combined by likelihood ratios; a check is worth its expected drop of entropy.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from functools import cached_property
from operator import attrgetter
from typing import TYPE_CHECKING, Self

from pydantic import Field, model_validator

from holdwatch_procedures.vehicles.components import ELSEWHERE
from holdwatch_procedures.vehicles.job import Finding, Points, Strength
from holdwatch_procedures.vehicles.validation import (
    Row,
    Text,
    VehicleError,
    Word,
    load_toml,
    packaged_text,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from holdwatch_procedures.vehicles.components import ComponentTree
    from holdwatch_procedures.vehicles.job import Job


class Means(Row):
    """A way of looking: how much it says, where it can look, how long it takes.

    ``found`` is P(finding | leak there) / P(finding | leak elsewhere), above 1; ``not_found`` the
    same for finding nothing, below 1.
    """

    key: Word
    name: Word
    found: float = Field(gt=1, le=1e4)
    not_found: float = Field(gt=0, lt=1)
    reach: tuple[Word, ...] = Field(min_length=1)
    minutes: float = Field(gt=0, le=10080)
    needs_dye: bool = False
    source: Word | Text

    @cached_property
    def false_alarm(self) -> float:
        """P(finding | leak elsewhere), from the two ratios."""
        return (1.0 - self.not_found) / (self.found - self.not_found)

    @cached_property
    def sensitivity(self) -> float:
        """P(finding | leak there)."""
        return self.found * self.false_alarm

    def ratio(self, points: Points) -> float:
        """Return the likelihood ratio of a plain finding."""
        return self.found if points is Points.FOR else self.not_found


class Mislead(Row):
    """A condition under which a finding says less: the power that remains of its ratio."""

    key: Word
    text: Text
    means: tuple[Word, ...]
    points: tuple[Points, ...]
    keep: float = Field(ge=0, le=1)
    source: Word


class Likelihoods(Row):
    """The table of means and of what misleads them; a shop keeps its own copy and edits it."""

    means: tuple[Means, ...] = Field(min_length=1)
    mislead: tuple[Mislead, ...] = ()
    strength: dict[Strength, float]
    repeat_power: float = Field(ge=0, le=1)

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        keys = [*(m.key for m in self.means), *(m.key for m in self.mislead)]
        twice = [key for key, n in Counter(keys).items() if n > 1]
        if twice:
            raise ValueError(f"`{twice[0]}` stands twice")
        missing = set(Strength) - set(self.strength)
        if missing or any(not 0.0 < power <= 3.0 for power in self.strength.values()):
            raise ValueError("[strength] needs weak, plain and strong, each above 0 and at most 3")
        known = {m.key for m in self.means}
        for condition in self.mislead:
            if not known.issuperset(condition.means):
                raise ValueError(f"mislead `{condition.key}` names a means that is not listed")
        return self

    def by_key(self, key: str) -> Means:
        """Return a means.

        Raises:
            VehicleError: No such means; the message lists those there are.
        """
        for means in self.means:
            if means.key == key:
                return means
        known = ", ".join(means.key for means in self.means)
        raise VehicleError(f"means {key!r} is not in the likelihood table: write one of {known}")

    def condition(self, key: str) -> Mislead:
        """Return a misleading condition.

        Raises:
            VehicleError: No such condition; the message lists those there are.
        """
        for condition in self.mislead:
            if condition.key == key:
                return condition
        known = ", ".join(condition.key for condition in self.mislead)
        raise VehicleError(
            f"condition {key!r} is not in the likelihood table: write one of {known}"
        )


@dataclass(frozen=True, slots=True)
class Weighed:
    """A finding with the likelihood ratio it was given, and why."""

    finding: Finding
    ratio: float
    why: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Suspect:
    """A place with the share of belief that the leak is there; all shares sum to 1."""

    place: str
    name: str
    share: float
    prior: float
    findings: tuple[Weighed, ...]


@dataclass(frozen=True, slots=True)
class Ranking:
    """The suspects, likeliest first, and the findings that they rest on.

    It supposes one leak. After a repair the proof decides, not this list.
    """

    suspects: tuple[Suspect, ...]
    weighed: tuple[Weighed, ...]

    @property
    def shares(self) -> dict[str, float]:
        """Share of each place, ``elsewhere`` among them."""
        return {suspect.place: suspect.share for suspect in self.suspects}

    @property
    def entropy_bits(self) -> float:
        """How open the question still is, bits; 0 when one place has all."""
        return entropy(self.shares.values())


def likelihoods(text: str | None = None, *, where: str = "likelihood table") -> Likelihoods:
    """Return the table of a TOML text, or the one that comes with the package.

    Raises:
        VehicleError: The text is no such table.
    """
    return load_toml(Likelihoods, text or packaged_text("likelihoods.toml"), where=where)


def entropy(shares: Iterable[float]) -> float:
    """Return −Σ p log₂ p, bits.

    >>> entropy([0.5, 0.5]), entropy([1.0, 0.0])
    (1.0, 0.0)
    """
    return -sum([p * math.log2(p) for p in shares if p > 0.0]) + 0.0


def priors(tree: ComponentTree) -> dict[str, float]:
    """Return the share of each leaf and of ``elsewhere`` before anything was looked at."""
    weights = {leaf.key: leaf.weight or 0.0 for leaf in tree.leaves}
    return normalised({**weights, ELSEWHERE: tree.elsewhere})


def normalised(weights: Mapping[str, float]) -> dict[str, float]:
    """Return weights scaled to sum to 1."""
    total = math.fsum(weights.values())
    return {key: weight / total for key, weight in weights.items()}


def weigh(finding: Finding, table: Likelihoods, *, repeats: int = 0) -> Weighed:
    """Return a finding with its likelihood ratio.

    The table's ratio is raised to a power: the finding's strength, times what each misleading
    condition leaves, times ``repeat_power`` for each earlier look by the same means at the same
    place with the same result. A power below 1 draws the ratio toward 1, from either side.

    Raises:
        VehicleError: A means or condition that is not in the table, or one that does not go with
            the finding.
    """
    means = table.by_key(finding.means)
    power = table.strength[finding.strength]
    why = [f"{means.name}: {means.ratio(finding.points):g} ({means.source})"]
    for key in finding.misled_by:
        condition = table.condition(key)
        if means.key not in condition.means or finding.points not in condition.points:
            raise VehicleError(
                f"condition {key!r} does not mislead {means.name!r} {finding.points} a place; it "
                f"goes with {', '.join(condition.means)} {' and '.join(condition.points)}"
            )
        power *= condition.keep
        why.append(f"misled: {condition.text} ({condition.source})")
    if repeats:
        power *= table.repeat_power**repeats
        why.append("the same look again says less")
    return Weighed(finding, means.ratio(finding.points) ** power, tuple(why))


def rank(findings: Sequence[Finding], tree: ComponentTree, table: Likelihoods) -> Ranking:
    """Return the suspects by Bayes' rule over one leak at one leaf, or elsewhere.

    A finding at a branch speaks for every leaf below it alike: each such leaf's weight is
    multiplied by the ratio, all others' by 1. Findings are taken as independent given the place,
    but for repeated looks. :func:`still_standing` leaves out what a repair has settled.

    Raises:
        VehicleError: A place, means or condition that is not known.
    """
    before = priors(tree)
    weights = dict(before)
    seen: Counter[tuple[str, str, Points]] = Counter()
    weighed = []
    about: dict[str, list[Weighed]] = {key: [] for key in weights}
    for finding in sorted(findings, key=lambda one: one.on):
        leaves = tree.leaves_of(finding.place)
        look = (finding.place, finding.means, finding.points)
        known = weigh(finding, table, repeats=seen[look])
        seen[look] += 1
        weighed.append(known)
        for leaf in leaves:
            weights[leaf] *= known.ratio
            about[leaf].append(known)
    shares = normalised(weights)
    suspects = [
        Suspect(key, tree.name(key), share, before[key], tuple(about[key]))
        for key, share in shares.items()
    ]
    suspects.sort(key=lambda suspect: -suspect.share)
    return Ranking(tuple(suspects), tuple(weighed))


def still_standing(work_orders: Iterable[Job], tree: ComponentTree) -> tuple[Finding, ...]:
    """Return the findings of all visits that no later repair has settled.

    A repair settles the findings about its own place up to its day. A repair that a later nitrogen
    hold of the whole system proved (in its own visit, and judged here) settles every finding up to
    its day: they spoke of a leak that is mended.

    Raises:
        VehicleError: A place that is not in the tree.
    """
    visits = list(work_orders)
    findings = [finding for visit in visits for finding in visit.findings]
    for visit in visits:
        for repair in visit.repairs:
            place = tree.leaves_of(repair.place)
            proved = any(
                hold.outcome == "pass"
                and not hold.judged_elsewhere
                and hold.procedure == "pressure-decay"
                and hold.section == tree.root
                and hold.on >= repair.on
                for hold in visit.holds
            )
            findings = [
                finding
                for finding in findings
                if finding.on > repair.on or not (proved or tree.leaves_of(finding.place) <= place)
            ]
    return tuple(findings)


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
    before = entropy(shares.values())
    checks = [
        _check(means, place, shares, before, tree)
        for means in table.means
        if dye_in or not means.needs_dye
        for place in places_for(means, tree)
        if (means.key, place) not in made
    ]
    checks.sort(key=attrgetter("minutes"))
    checks.sort(key=attrgetter("bits"), reverse=True)  # the shorter stays first among equals
    return tuple(checks)


def expected_bits(means: Means, inside: frozenset[str], shares: Mapping[str, float]) -> float:
    """Return the mutual information between a look's result and the place of the leak, bits.

    H(place) − P(found) H(place | found) − P(nothing) H(place | nothing), never below 0.
    """
    found = chance_found(means, inside, shares)
    return max(0.0, entropy(shares.values()) - _expected_after(means, inside, shares, found))


def chance_found(means: Means, inside: frozenset[str], shares: Mapping[str, float]) -> float:
    """Return the chance that a look finds something."""
    there = sum([p for key, p in shares.items() if key in inside])
    return there * means.sensitivity + (1.0 - there) * means.false_alarm


def _expected_after(
    means: Means, inside: frozenset[str], shares: Mapping[str, float], found: float
) -> float:
    """Expected entropy after a look that finds something with a chance, bits."""
    return found * _entropy_after(means.found, inside, shares) + (1 - found) * _entropy_after(
        means.not_found, inside, shares
    )


def _entropy_after(ratio: float, inside: frozenset[str], shares: Mapping[str, float]) -> float:
    """Entropy once a result has multiplied the weight of every leaf inside by its ratio, bits."""
    weights = [p * (ratio if key in inside else 1.0) for key, p in shares.items()]
    total = math.fsum(weights)
    return entropy([weight / total for weight in weights])


def _check(
    means: Means, place: str, shares: Mapping[str, float], before: float, tree: ComponentTree
) -> Check:
    inside = tree.leaves_of(place)
    found = chance_found(means, inside, shares)
    return Check(
        means=means.key,
        place=place,
        sentence=f"{means.name}: {tree.name(place)}",
        bits=max(0.0, before - _expected_after(means, inside, shares, found)),
        minutes=means.minutes,
        chance_found=found,
    )


def places_for(means: Means, tree: ComponentTree) -> tuple[str, ...]:
    """Return the places of a tree that a means can look at."""
    if "*" in means.reach:
        return tuple([leaf.key for leaf in tree.leaves])
    here = {place.key for place in tree.places}
    return tuple([key for key in means.reach if key in here])
