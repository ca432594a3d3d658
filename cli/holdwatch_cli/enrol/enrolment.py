"""An enrolment: what is to be written of a probe, and how the options say it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from holdwatch_cli.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path


@dataclass(slots=True)
class Enrolment:
    """What is to be written; None where nothing was said.

    Attributes:
        name: The probe's name in this shop.
        probe: Keys of its table.
        bay: The bay it serves.
        role: What it means there.
        channel: Its channel; else what the role measures.
        offset: Calibration offset in the probe's unit, given by hand.
        scale: Calibration scale, given by hand.
        points: Two comparisons with a reference: said and true, in the probe's unit.
    """

    name: str | None = None
    probe: dict[str, Any] = field(default_factory=dict)
    bay: str | None = None
    role: str | None = None
    channel: str | None = None
    offset: float | None = None
    scale: float | None = None
    points: list[tuple[float, float]] = field(default_factory=list)

    @property
    def is_empty(self) -> bool:
        """Whether nothing was said at all."""
        calibrates = self.offset is not None or self.scale is not None or bool(self.points)
        return self.name is None and not self.probe and self.bay is None and not calibrates


def pair(text: str) -> tuple[float, float]:
    """Read ``LOW:HIGH``.

    Raises:
        ValueError: It is not that.
    """
    low, colon, high = text.partition(":")
    try:
        ends = float(low), float(high)
    except ValueError:
        ends = (0.0, 0.0)
    if not colon or not ends[0] < ends[1]:
        raise ValueError(f"{text!r} is no range: write LOW:HIGH, the lower first, such as 0:3500")
    return ends


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
