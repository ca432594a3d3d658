"""Holds what is to be said: a message key with its values, in SI units."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

Value: TypeAlias = "float | str | Say | tuple[Say, ...]"
"""What a sentence is made from: a figure in SI, a name, or other sentences."""


@dataclass(frozen=True, slots=True, init=False)
class Say:
    """A sentence before it is rendered: its key in the catalogue and the values that go into it.

    Two of the same key and values are equal; that is how repeated remarks are told apart.

    Attributes:
        key: The message key, for example ``hold.risen``.
        items: Names and values. A pressure is in Pa, a temperature in K, a time in s, a mass in
            g (a leak in g a year); what a value measures stands in the catalogue.

    >>> Say("hold.gap", missing_s=70.0)["missing_s"]
    70.0
    """

    key: str
    items: tuple[tuple[str, Value], ...]

    def __init__(self, key: str, /, **values: Value) -> None:
        object.__setattr__(self, "key", key)
        object.__setattr__(self, "items", tuple(values.items()))

    def __getitem__(self, name: str) -> Value:
        for own, value in self.items:
            if own == name:
                return value
        raise KeyError(f"{self.key} has no value {name!r}")

    def to_dict(self) -> dict[str, Any]:
        """Return key and values as a JSON object; a figure that is not finite is null there."""
        return {"key": self.key, "values": {name: _to_json(value) for name, value in self.items}}

    @classmethod
    def from_dict(cls, told: Mapping[str, Any]) -> Say:
        """Return what :meth:`to_dict` wrote.

        Raises:
            KeyError, TypeError, AttributeError: It is not such an object.
        """
        values = {name: _from_json(value) for name, value in told["values"].items()}
        return cls(str(told["key"]), **values)


NOTHING = Say("nothing")
"""What there is to say where there is nothing."""


def sentences(*told: Say) -> Say:
    """Return several sentences, one behind the other."""
    return Say("sentences", told=told)


def as_written(text: str) -> Say:
    """Return words that somebody wrote or another program gave, which nobody translates."""
    return Say("as_written", text=text)


def _to_json(value: Value) -> object:
    if isinstance(value, Say):
        return value.to_dict()
    if isinstance(value, tuple):
        return [each.to_dict() for each in value]
    if isinstance(value, str):
        return value
    return value if math.isfinite(value) else None


def _from_json(value: object) -> Value:
    if isinstance(value, dict):
        return Say.from_dict(value)
    if isinstance(value, list):
        return tuple(Say.from_dict(each) for each in value)
    if value is None:
        return math.nan
    if isinstance(value, str | int | float):
        return value
    raise TypeError(f"{type(value).__name__} is no value of a sentence")
