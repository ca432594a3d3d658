"""The options of ``holdwatch enrol``, read into an enrolment."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_cli.enrol.command import Enrolment
from holdwatch_cli.enrol.wizard import pair
from holdwatch_cli.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path


def range_of(text: str | None) -> tuple[float, float] | None:
    """Read ``--range``.

    Raises:
        UserError: It is no range.
    """
    if text is None:
        return None
    try:
        return pair(text)
    except ValueError as error:
        raise UserError(f"--range: {error}") from error


def path_from(config: Path, file: Path | None) -> str | None:
    """Return a path as the configuration counts it, from its own folder where it lies within."""
    if file is None:
        return None
    whole = file.absolute()
    folder = config.absolute().parent
    return str(whole.relative_to(folder)) if whole.is_relative_to(folder) else str(whole)


def enrolment(
    name: str | None,
    said: Mapping[str, Any],
    bay: str | None,
    role: str | None,
    channel: str | None,
    offset: float | None,
    scale: float | None,
    points: Sequence[str],
) -> Enrolment:
    """Return the enrolment that the options describe.

    Raises:
        UserError: A point cannot be read.
    """
    return Enrolment(
        name=name,
        probe={key: value for key, value in said.items() if value is not None},
        bay=bay,
        role=role,
        channel=channel,
        offset=offset,
        scale=scale,
        points=[_point(text) for text in points],
    )


def only_zero(made: Enrolment) -> None:
    """Refuse options that ``--zero`` would pass over.

    Raises:
        UserError: Others were given.
    """
    if not made.is_empty:
        raise UserError("--zero PROBE measures and writes the offset alone: enrol first, then zero")


def _point(text: str) -> tuple[float, float]:
    said, equals, true = text.partition("=")
    try:
        point = float(said), float(true)
    except ValueError:
        equals = ""
    if not equals:
        raise UserError(f"--point: {text!r} is no point: write SAID=TRUE, such as 1000.4=1000.0")
    return point
