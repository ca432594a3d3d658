"""Weights and dates as people write them (``600@2025-05-04``), read and balanced."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

from holdwatch_procedures.vehicles.balance import Balance, balance
from holdwatch_procedures.vehicles.charge_pairs import Allowances, Pair
from holdwatch_procedures.vehicles.record import StoryError

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures beside the weights, as they are given."""

    scale_tolerance_g: float
    unrecovered_g: str
    hose_loss_g: float
    nameplate_g: float | None
    evaporators: int
    noticed_share_lost: float


def balance_of_texts(
    charged: Sequence[str], recovered: Sequence[str], figures: Figures, dashes: str
) -> Balance:
    """Return the balance of weights that are written as ``GRAMS@DATE``.

    Args:
        charged: What went in.
        recovered: What came out after each, in the same order.
        figures: The figures beside them.
        dashes: What stands before a name where it is told, for example ``--`` of options.

    Raises:
        StoryError: A weight that cannot be read or has no partner, or weights that cannot be.
    """
    return balance(
        read_pairs(charged, recovered, dashes),
        Allowances(
            figures.scale_tolerance_g,
            read_range(figures.unrecovered_g, dashes),
            figures.hose_loss_g,
        ),
        nameplate_g=figures.nameplate_g,
        evaporators=figures.evaporators,
        noticed_share_lost=figures.noticed_share_lost,
    )


def read_pairs(charged: Sequence[str], recovered: Sequence[str], dashes: str = "--") -> list[Pair]:
    """Return the n-th charge with the n-th recovery.

    Raises:
        StoryError: A weight that has no partner, or one that cannot be read.
    """
    if not charged or len(charged) != len(recovered):
        raise StoryError(
            f"{len(charged)} {dashes}charged and {len(recovered)} {dashes}recovered: each charge "
            f"needs the recovery that followed it, in the same order ({dashes}charged "
            f"600@2025-05-04 {dashes}recovered 540@2026-05-02)"
        )
    pairs = []
    for filled, emptied in zip(charged, recovered, strict=True):
        put_in, at = read_weight(f"{dashes}charged", filled)
        taken_out, later = read_weight(f"{dashes}recovered", emptied)
        if later < at:
            raise StoryError(
                f"{dashes}recovered {emptied} is before its {dashes}charged {filled}: the n-th "
                "recovery pairs with the n-th charge and follows it"
            )
        pairs.append(Pair(put_in, at, taken_out, later))
    return pairs


def read_weight(option: str, text: str) -> tuple[float, datetime]:
    """Return grams and moment of ``GRAMS@DATE``; a bare date stands for its start, UTC.

    Raises:
        StoryError: The text is no such thing.
    """
    grams, at, day = text.partition("@")
    if not at:
        raise StoryError(f"{option} {text}: write GRAMS@DATE, for example 600@2025-05-04")
    return read_grams(option, text, grams), read_date(option, text, day)


def read_grams(option: str, whole: str, grams: str) -> float:
    """Return the number of grams; a unit behind it is refused, also the right one."""
    word = grams.strip()
    if re.fullmatch(r"[+-]?[\d.,]+\s*[^\W\d_]+\.?", word):
        raise StoryError(f"{option} {whole}: write grams as a bare number, without a unit")
    if re.fullmatch(r"\d+,\d+", word):
        raise StoryError(f"{option} {whole}: write the decimal point as a point, not a comma")
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0.0):
        raise StoryError(f"{option} {whole}: {word!r} is no mass in grams, 0 or more")
    return value


def read_date(option: str, whole: str, day: str) -> datetime:
    """Return an ISO 8601 date, or date and time, as a moment; without a zone it is UTC."""
    word = day.strip()
    try:
        moment = datetime.combine(date.fromisoformat(word), time(), tzinfo=UTC)
    except ValueError:
        try:
            moment = datetime.fromisoformat(word)
        except ValueError:
            raise StoryError(
                f"{option} {whole}: {word!r} is no date in ISO 8601, for example 2025-05-04"
            ) from None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def read_range(text: str, dashes: str = "--") -> tuple[float, float]:
    """Return the two figures of ``LOW:HIGH``, g.

    Raises:
        StoryError: The text is no such thing.
    """
    name = f"{dashes}unrecovered{'-' if dashes else '_'}g"
    low, colon, high = text.partition(":")
    if not colon:
        raise StoryError(f"{name} {text}: write LOW:HIGH in grams, for example 0:30")
    figures = (
        read_grams(name, text, low),
        read_grams(name, text, high),
    )
    if figures[0] > figures[1]:
        raise StoryError(f"{name} {text}: write the lower figure first")
    return figures
