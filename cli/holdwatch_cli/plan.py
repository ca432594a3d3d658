"""``holdwatch plan``: what a hold can see, before it is begun."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from holdwatch_cli.judge import read_recipe
from holdwatch_cli.terminal import say
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.plan import Conditions, Plan, plan
from holdwatch_procedures.wording import holds as words

if TYPE_CHECKING:
    from pathlib import Path


def run_plan(recipe: Path, conditions: Conditions, *, minutes: float | None, as_json: bool) -> int:
    """Print the plan; return the exit status."""
    made = plan(read_recipe(recipe), Fluids.load(), conditions, minutes=minutes)
    if as_json:
        say(json.dumps(made.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        say(as_text(made))
    return 0


def as_text(made: Plan) -> str:
    """Return the plan for a terminal."""
    recipe = made.recipe
    criterion = f"{recipe.criterion.text} ({words.grams(made.criterion_g_per_year)} a year)"
    if made.needed_min is None:
        lines = [f"This hold cannot see its criterion of {criterion}."]
    else:
        needed = words.minutes(made.needed_min * 60)
        lines = [f"About {needed} from the start see the criterion of {criterion}."]
    if made.minutes is not None:
        asked = words.minutes(made.minutes * 60)
        seen = made.visible_g_per_year
        sight = "nothing yet" if seen is None else f"leaks above {words.grams(seen)} a year"
        lines.append(f"{asked} see {sight}.")
    lines.append("")
    if made.gauge_pa is not None:
        lines.append(f"at {made.gauge_pa / 1e3:g} kPa (gauge), {recipe.refrigerant}:")
    for minutes, grams in made.table:
        seen_text = "nothing yet" if grams is None else f"{words.grams(grams)} a year"
        lines.append(f"{words.minutes(minutes * 60):>10}  {seen_text}")
    lines.append("")
    lines += [f"- {advice}" for advice in made.advice]
    return "\n".join(lines)
