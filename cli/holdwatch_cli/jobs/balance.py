"""``holdwatch balance``: weights and dates in, the loss between visits out."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Annotated

import typer

from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_procedures.vehicles import (
    LAW_G_PER_YEAR,
    Figures,
    balance_of_texts,
    balance_sentence,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from holdwatch_procedures.vehicles import Balance


def run_balance(
    charged: Sequence[str], recovered: Sequence[str], figures: Figures, *, as_json: bool
) -> int:
    """Print the balance; return the exit status.

    Raises:
        VehicleError: An option that cannot be used, or weights that cannot be.
    """
    made = balance_of_texts(charged, recovered, figures, "--")
    if as_json:
        say(json.dumps(made.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        say(as_text(made))
    return 0


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


def balance(
    charged: Annotated[
        list[str], typer.Option(help="GRAMS@DATE put in; the n-th pairs with the n-th recovered.")
    ],
    recovered: Annotated[list[str], typer.Option(help="GRAMS@DATE taken out later.")],
    scale_tolerance_g: Annotated[
        float, typer.Option(min=0, max=1000, help="Limit of error of each weighing, g.")
    ] = 5.0,
    unrecovered_g: Annotated[
        str, typer.Option(help="LOW:HIGH, what stays in oil and hoses, g (common practice).")
    ] = "0:30",
    hose_loss_g: Annotated[
        float, typer.Option(min=0, max=1000, help="Lost at the hoses, g a pair.")
    ] = 0.0,
    nameplate_g: Annotated[
        float | None, typer.Option(help="Charge by the plate, g; for percent and dates.")
    ] = None,
    evaporators: Annotated[
        int, typer.Option(min=1, max=2, help="One (40 g a year by law) or two (60 g).")
    ] = 1,
    noticed_share: Annotated[
        float, typer.Option(help="Share of the charge whose loss is noticed (common practice).")
    ] = 0.30,
    json: Json = False,
) -> None:
    """Say what a unit loses a year, from what went in and came out.

    Example: holdwatch balance --charged 600@2025-05-04 --recovered 540@2026-05-02 --nameplate-g 600
    """
    figures = Figures(
        scale_tolerance_g, unrecovered_g, hose_loss_g, nameplate_g, evaporators, noticed_share
    )
    raise typer.Exit(run_balance(charged, recovered, figures, as_json=json))
