"""Holds the component tree of a vehicle's system: where leaks can be, and how often they are."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final, Self

from pydantic import Field, PrivateAttr, model_validator

from holdwatch_procedures.vehicles.validation import (
    Row,
    VehicleError,
    Word,
    load_toml,
    packaged_text,
)

if TYPE_CHECKING:
    from holdwatch_procedures.vehicles.vehicle import Vehicle

ELSEWHERE: Final = "elsewhere"
"""Every place that is not in the tree."""
OWN_WEIGHT: Final = 6.0
"""Weight of a place that a unit adds of its own (common practice, no source)."""


class Place(Row):
    """One component: a leaf with the weight of a leak there, or a branch without one.

    ``evaporators`` is the least number of them that a unit with this place has.
    """

    key: Word
    name: Word
    parent: Word | None = None
    weight: float | None = Field(default=None, gt=0, le=1e6)
    evaporators: int = Field(default=1, ge=1, le=2)


class ComponentTree(Row):
    """Places by key, each under its parent; one root."""

    places: tuple[Place, ...] = Field(alias="place", min_length=1)
    elsewhere: float = Field(gt=0, le=1e6)
    source: Word
    _by_key: dict[str, Place] = PrivateAttr(default_factory=dict)
    _leaves: tuple[Place, ...] = PrivateAttr(default=())
    _below: dict[str, frozenset[str]] = PrivateAttr(default_factory=dict)

    @model_validator(mode="after")
    def _is_a_tree(self) -> Self:
        twice = [key for key, n in Counter(p.key for p in self.places).items() if n > 1]
        if twice or any(place.key == ELSEWHERE for place in self.places):
            raise ValueError(f"place `{(twice or [ELSEWHERE])[0]}` stands twice")
        known: set[str] = set()
        for place in self.places:
            if place.parent is not None and place.parent not in known:
                raise ValueError(
                    f"place `{place.key}`: its parent `{place.parent}` must stand before it"
                )
            known.add(place.key)
        if sum(place.parent is None for place in self.places) != 1:
            raise ValueError("exactly one place has no `parent`: the whole system")
        branches = {place.parent for place in self.places}
        for place in self.places:
            if (place.key in branches) == (place.weight is not None):
                raise ValueError(
                    f"place `{place.key}`: a place with others below it has no `weight`, one "
                    "without has one"
                )
        return self

    def model_post_init(self, _context: Any, /) -> None:
        """Index the places by key, and the leaves below each."""
        self._by_key = {place.key: place for place in self.places}
        self._leaves = tuple([place for place in self.places if place.weight is not None])
        below: dict[str, set[str]] = {place.key: set() for place in self.places}
        for place in reversed(self.places):  # every place stands after its parent
            if place.weight is not None:
                below[place.key].add(place.key)
            if place.parent in below:
                below[place.parent] |= below[place.key]
        self._below = {key: frozenset(leaves) for key, leaves in below.items()}

    def place(self, key: str) -> Place:
        """Return a place by its key.

        Raises:
            VehicleError: No such place; the message lists those there are.
        """
        found = self._by_key.get(key)
        if found is not None:
            return found
        raise VehicleError(
            f"place {key!r} is not in the component tree: write one of {', '.join(self._by_key)}, "
            "or add it to the unit's own places"
        )

    @property
    def root(self) -> str:
        """The key of the whole system."""
        return self.places[0].key

    @property
    def leaves(self) -> tuple[Place, ...]:
        """The places that can leak."""
        return self._leaves

    def name(self, key: str) -> str:
        """Return the name of a place, also of what lies outside the tree."""
        if key == ELSEWHERE:
            return "a place not listed"
        return (self._by_key.get(key) or self.place(key)).name

    def leaves_of(self, key: str) -> frozenset[str]:
        """Return the keys of every leaf at or below a place."""
        below = self._below.get(key)
        return self._below[self.place(key).key] if below is None else below


def component_tree(text: str | None = None, *, where: str = "component tree") -> ComponentTree:
    """Return the tree of a TOML text, or the one that comes with the package.

    Raises:
        VehicleError: The text is no such tree.
    """
    return load_toml(ComponentTree, text or packaged_text("components.toml"), where=where)


def tree_of(unit: Vehicle, tree: ComponentTree) -> ComponentTree:
    """Return the tree of one unit: without what it has not, with its own places.

    Raises:
        VehicleError: An own place under a parent that is no branch, or with a key that is taken.
    """
    kept = [place for place in tree.places if place.evaporators <= unit.evaporators]
    branches = {place.key for place in kept if place.weight is None}
    taken = {place.key for place in kept} | {ELSEWHERE}
    for key, parent in unit.own_places.items():
        if parent not in branches or key in taken:
            raise VehicleError(
                f"own place {key!r} under {parent!r}: the parent is one of "
                f"{', '.join(sorted(branches))}, and the name must be new"
            )
        kept.append(Place(key=key, name=key, parent=parent, weight=OWN_WEIGHT))
        taken.add(key)
    return ComponentTree.model_construct(
        places=tuple(kept), elsewhere=tree.elsewhere, source=tree.source
    )
