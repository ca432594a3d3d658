"""Validates what is kept of vehicles: frozen models, checked whole, with one clear error."""

from __future__ import annotations

import tomllib
from importlib import resources
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, StringConstraints, ValidationError

from holdwatch_physics.substances import FluidError, refrigerant

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic_core import ErrorDetails


class VehicleError(ValueError):
    """A story's row, table or sum cannot be used; the message says what, where and how to mend.

    Attributes:
        at_terminal: The command that mends it, for those who sit at a terminal; may be empty.
    """

    def __init__(self, told: str, *, at_terminal: str = "") -> None:
        super().__init__(told)
        self.at_terminal = at_terminal


class NotKnownError(VehicleError):
    """What was asked for by its name is not there."""


class RefusedError(VehicleError):
    """What was asked for is not possible as things stand."""


class Row(BaseModel):
    """A frozen row: unknown keys and numbers that are not finite are refused.

    ``model_dump(mode="json")`` gives what a store or a file keeps; :func:`load_row` reads it back.
    """

    model_config = ConfigDict(
        extra="forbid", frozen=True, allow_inf_nan=False, str_strip_whitespace=True
    )


def _canonical_refrigerant(name: object) -> str:
    try:
        return refrigerant(str(name)).name
    except FluidError as error:
        raise ValueError(str(error)) from error


RefrigerantName = Annotated[str, BeforeValidator(_canonical_refrigerant)]
"""A refrigerant in its canonical spelling, whatever spelling came in."""

Word = Annotated[str, StringConstraints(min_length=1, max_length=100)]
"""A name or key: something, but not a page."""

Text = Annotated[str, StringConstraints(max_length=4000)]
"""Free words of a person."""

_Model = TypeVar("_Model", bound=BaseModel)


def load_row(model: type[_Model], mapping: Mapping[str, Any], *, where: str) -> _Model:
    """Return the checked row of a mapping, as JSON or TOML gives it.

    Args:
        model: The kind of row.
        mapping: Its keys and values.
        where: What the message names as the place, for example the file.

    Raises:
        VehicleError: One message that names every wrong key.
    """
    try:
        return model.model_validate(mapping)
    except ValidationError as error:
        told = "; ".join(in_words(detail, model) for detail in error.errors(include_url=False))
        raise VehicleError(f"{where}: {told}") from error


def load_toml(model: type[_Model], text: str, *, where: str) -> _Model:
    """Return the checked table of a TOML text.

    Raises:
        VehicleError: The text is no TOML, or a key is wrong.
    """
    try:
        mapping = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise VehicleError(f"{where}: this is not TOML: {error}") from error
    return load_row(model, mapping, where=where)


def packaged_text(name: str) -> str:
    """Return a data table that comes with the package, as its TOML text (to copy and edit)."""
    return (resources.files(__package__) / "data" / name).read_text(encoding="utf-8")


def in_words(detail: ErrorDetails, model: type[BaseModel] | None = None) -> str:
    """Return one complaint of pydantic as words that name the key."""
    key = ".".join(str(part) for part in detail["loc"])
    message = detail["msg"].removeprefix("Value error, ")
    if detail["type"] == "extra_forbidden":
        if model is None or len(detail["loc"]) != 1:
            return f"unknown key `{key}`"
        return f"unknown key `{key}`; known here: {', '.join(sorted(model.model_fields))}"
    if detail["type"] == "missing":
        return f"`{key}` is missing"
    if not key:
        return message
    given = detail["input"]
    shown = f" (got {given!r})" if isinstance(given, str | int | float) else ""
    return f"`{key}`: {message[:1].lower()}{message[1:]}{shown}"
