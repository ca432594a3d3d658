"""``holdwatch plan``: what a hold can see, before it is begun."""

from __future__ import annotations

import json
from pathlib import Path  # noqa: TC003 - read when the command is made
from typing import Annotated

import typer

from holdwatch_cli.judge import read_recipe
from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds import Conditions, Plan
from holdwatch_procedures.holds import plan as forecast
from holdwatch_procedures.wording import duration_text, grams_text


def run_plan(recipe: Path, conditions: Conditions, *, minutes: float | None, as_json: bool) -> int:
    """Print the plan; return the exit status."""
    made = forecast(read_recipe(recipe), Fluids.load(), conditions, minutes=minutes)
    if as_json:
        say(json.dumps(made.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        say(as_text(made))
    return 0


def as_text(made: Plan) -> str:
    """Return the plan for a terminal."""
    recipe = made.recipe
    criterion = f"{recipe.criterion.text} ({grams_text(made.criterion_g_per_year)} a year)"
    if made.needed_min is None:
        lines = [f"This hold cannot see its criterion of {criterion}."]
    else:
        needed = duration_text(made.needed_min * 60)
        lines = [f"About {needed} from the start see the criterion of {criterion}."]
    if made.minutes is not None:
        asked = duration_text(made.minutes * 60)
        seen = made.visible_g_per_year
        sight = "nothing yet" if seen is None else f"leaks above {grams_text(seen)} a year"
        lines.append(f"{asked} see {sight}.")
    lines.append("")
    if made.gauge_pa is not None:
        lines.append(f"at {made.gauge_pa / 1e3:g} kPa (gauge), {recipe.refrigerant}:")
    for minutes, grams in made.table:
        seen_text = "nothing yet" if grams is None else f"{grams_text(grams)} a year"
        lines.append(f"{duration_text(minutes * 60):>10}  {seen_text}")
    lines.append("")
    lines += [f"- {advice}" for advice in made.advice]
    return "\n".join(lines)


def plan(
    recipe: Annotated[Path, typer.Option(help="The recipe, TOML.")],
    minutes: Annotated[
        float | None, typer.Option(min=1, max=10080, help="What a hold of this time can see.")
    ] = None,
    pressure_kpa_g: Annotated[
        float | None,
        typer.Option(help="Test pressure, kPa gauge; else the unit's highest allowed."),
    ] = None,
    no_thermometer: Annotated[
        bool, typer.Option("--no-thermometer", help="Plan without a pipe thermometer.")
    ] = False,
    no_barometer: Annotated[
        bool, typer.Option("--no-barometer", help="Plan without a barometer channel.")
    ] = False,
    swing_k: Annotated[
        float, typer.Option(min=0.01, max=5, help="Swing of the gas that no clamp sees, K.")
    ] = 0.1,
    drift_k_per_h: Annotated[
        float, typer.Option(min=0, max=10, help="Steady drift of the room, K/h.")
    ] = 1.0,
    moist: Annotated[
        bool, typer.Option("--moist", help="Plan a vacuum of a moist system.")
    ] = False,
    json: Json = False,
) -> None:
    """Say how long a hold must last, or what a given time can see.

    Example: holdwatch plan --recipe hold.toml --minutes 60
    """
    conditions = Conditions(
        gauge_pa=None if pressure_kpa_g is None else pressure_kpa_g * 1e3,
        thermometer=not no_thermometer,
        barometer=not no_barometer,
        hidden_k=swing_k,
        drift_k_per_h=drift_k_per_h,
        moist=moist,
    )
    raise typer.Exit(run_plan(recipe, conditions, minutes=minutes, as_json=json))
