"""``holdwatch balance``: weights and dates in, the loss between visits out."""

from __future__ import annotations

import json
import math
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import TYPE_CHECKING

from holdwatch_cli.errors import UserError
from holdwatch_cli.terminal import say
from holdwatch_procedures.story.balance import Balance, balance
from holdwatch_procedures.story.balance_words import balance_sentence
from holdwatch_procedures.story.charge_pairs import Allowances, Pair
from holdwatch_procedures.story.rows import StoryError
from holdwatch_procedures.story.units_under_test import LAW_G_PER_YEAR

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures beside the weights, as the options give them."""

    scale_tolerance_g: float
    unrecovered_g: str
    hose_loss_g: float
    nameplate_g: float | None
    evaporators: int
    noticed_share_lost: float


def run_balance(
    charged: Sequence[str], recovered: Sequence[str], figures: Figures, *, as_json: bool
) -> int:
    """Print the balance; return the exit status.

    Raises:
        UserError: An option that cannot be used, or weights that cannot be.
    """
    try:
        made = balance(
            read_pairs(charged, recovered),
            Allowances(
                figures.scale_tolerance_g,
                read_range(figures.unrecovered_g),
                figures.hose_loss_g,
            ),
            nameplate_g=figures.nameplate_g,
            evaporators=figures.evaporators,
            noticed_share_lost=figures.noticed_share_lost,
        )
    except StoryError as error:
        raise UserError(str(error)) from error
    if as_json:
        say(json.dumps(made.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        say(as_text(made))
    return 0


def read_pairs(charged: Sequence[str], recovered: Sequence[str]) -> list[Pair]:
    """Return the n-th charge with the n-th recovery.

    Raises:
        UserError: A weight that has no partner, or one that cannot be read.
    """
    if not charged or len(charged) != len(recovered):
        raise UserError(
            f"{len(charged)} --charged and {len(recovered)} --recovered: each charge needs the "
            "recovery that followed it, in the same order (--charged 600@2025-05-04 --recovered "
            "540@2026-05-02)"
        )
    pairs = []
    for filled, emptied in zip(charged, recovered, strict=True):
        put_in, at = read_weight("--charged", filled)
        taken_out, later = read_weight("--recovered", emptied)
        if later < at:
            raise UserError(
                f"--recovered {emptied} is before its --charged {filled}: the n-th recovery pairs "
                "with the n-th charge and follows it"
            )
        pairs.append(Pair(put_in, at, taken_out, later))
    return pairs


def read_weight(option: str, text: str) -> tuple[float, datetime]:
    """Return grams and moment of ``GRAMS@DATE``; a bare date stands for its start, UTC.

    Raises:
        UserError: The text is no such thing.
    """
    grams, at, day = text.partition("@")
    if not at:
        raise UserError(f"{option} {text}: write GRAMS@DATE, for example 600@2025-05-04")
    return read_grams(option, text, grams), read_date(option, text, day)


def read_grams(option: str, whole: str, grams: str) -> float:
    """Return the number of grams; a unit behind it is refused, also the right one."""
    word = grams.strip()
    if re.fullmatch(r"[+-]?[\d.,]+\s*[^\W\d_]+\.?", word):
        raise UserError(f"{option} {whole}: write grams as a bare number, without a unit")
    if re.fullmatch(r"\d+,\d+", word):
        raise UserError(f"{option} {whole}: write the decimal point as a point, not a comma")
    try:
        value = float(word)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0.0):
        raise UserError(f"{option} {whole}: {word!r} is no mass in grams, 0 or more")
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
            raise UserError(
                f"{option} {whole}: {word!r} is no date in ISO 8601, for example 2025-05-04"
            ) from None
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)


def read_range(text: str) -> tuple[float, float]:
    """Return the two figures of ``LOW:HIGH``, g.

    Raises:
        UserError: The text is no such thing.
    """
    low, colon, high = text.partition(":")
    if not colon:
        raise UserError(f"--unrecovered-g {text}: write LOW:HIGH in grams, for example 0:30")
    figures = (
        read_grams("--unrecovered-g", text, low),
        read_grams("--unrecovered-g", text, high),
    )
    if figures[0] > figures[1]:
        raise UserError(f"--unrecovered-g {text}: write the lower figure first")
    return figures


def as_text(made: Balance) -> str:
    """Return the balance for a terminal: the sentence, the figures, the notes."""
    upper = "no upper bound" if made.high is None else f"{made.high:.1f}"
    lines = [
        balance_sentence(made),
        "",
        f"{'loss':17}{made.value:.1f} g a year, between {made.low:.1f} and {upper} (95 %)",
    ]
    if made.percent_per_year is not None:
        lines.append(f"{'of the nameplate':17}{made.percent_per_year:.1f} % a year")
    law = LAW_G_PER_YEAR[made.evaporators]
    parts = "1 evaporator" if made.evaporators == 1 else f"{made.evaporators} evaporators"
    lines.append(f"{'law':17}{law:g} g a year ({parts}): {made.against_law}")
    lines += _outlook(made)
    low, high = made.allowances.unrecovered_g
    lines.append("")
    lines.append(
        f"- Assumed: each weighing within ±{made.allowances.tolerance_g:g} g; between {low:g} and "
        f"{high:g} g stayed in oil and hoses (common practice, no source, unless you stated it); "
        f"{made.allowances.hose_loss_g:g} g lost at the hoses."
    )
    lines += [f"- {note}" for note in made.notes]
    return "\n".join(lines)


def _outlook(made: Balance) -> list[str]:
    lines = []
    if made.noticed is not None:
        first, last = made.noticed
        begin = "any day" if first is None else first.date().isoformat()
        end = "no date that can be named" if last is None else last.date().isoformat()
        share = f"{100 * made.noticed_share_lost:.0f} %"
        lines.append(
            f"{'noticed':17}between {begin} and {end}: {share} of the charge gone (common "
            "practice, no source), if filled to the nameplate at the last recovery"
        )
    widths = ", ".join(
        f"±{width:.1f} g a year after {days} days"
        for days, width in made.one_more().after_days.items()
    )
    lines.append(f"{'one more weighing':18}would narrow this to {widths}")
    return lines
