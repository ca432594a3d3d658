"""``holdwatch judge``: a trace and a recipe in, a verdict and an exit status out."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path  # noqa: TC003 - read when the command is made
from typing import Annotated, Any

import typer

from holdwatch_adapters.trace import read_trace_columns
from holdwatch_cli.errors import UserError
from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds import Figure, Outcome, Recipe, Verdict, judge_columns, load_recipe
from holdwatch_procedures.wording import Units, render

STATUS = {Outcome.PASS: 0, Outcome.FAIL: 1, Outcome.INCONCLUSIVE: 2}


def read_recipe(path: Path) -> Recipe:
    """Return the recipe of a TOML file.

    Raises:
        UserError: The file cannot be read or is no TOML.
        RecipeError: A key is wrong.
    """
    return load_recipe(read_recipe_table(path), where=str(path))


def read_recipe_table(path: Path) -> dict[str, Any]:
    """Return the table of a recipe's TOML file, not checked yet.

    Raises:
        UserError: The file cannot be read or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot be read: {error}") from error
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{path}: this is not TOML: {error}") from error


def run_judge(trace: Path, recipe: Path, *, as_json: bool) -> int:
    """Judge a trace, print the verdict, return the exit status."""
    checked = read_recipe(recipe)
    rows = read_trace_columns(trace)
    verdict = judge_columns(rows, checked, Fluids.load(), version=version())
    if as_json:
        say(json.dumps(verdict.to_dict(), allow_nan=False, ensure_ascii=False))
    else:
        say(as_text(verdict))
    return STATUS[verdict.outcome]


def as_text(verdict: Verdict) -> str:
    """Return the verdict for a terminal: the sentence, the figures, the reasons."""
    leak = verdict.leak
    lines = [f"{verdict.outcome.upper()}  {render(verdict.sentence, Units())}", ""]
    lines += [
        _line("leak", leak.g_per_year, f"g of {leak.refrigerant} a year"),
        _line("", leak.pa_m3_per_s, "Pa·m³/s"),
        _line("", leak.mol_per_s, "mol/s"),
    ]
    if verdict.smallest_visible_g_per_year is not None:
        visible = verdict.smallest_visible_g_per_year
        lines.append(f"{'could have seen':17}{visible:.3g} g a year")
    lines.append(_pressures(verdict))
    criterion = f"{verdict.criterion_kind} {verdict.criterion_limit:g}"
    lines.append(f"{'criterion':17}{criterion} ({verdict.criterion_source})")
    if verdict.decided_at_s is not None:
        lines.append(f"{'decided at':17}{verdict.decided_at_s / 60:.1f} min")
    lines.append(f"{'readings':17}{verdict.readings_used}, {verdict.readings_sha256[:16]}…")
    lines.append("")
    lines += [f"- {render(reason, Units())}" for reason in verdict.reasons]
    return "\n".join(lines)


def _line(label: str, figure: Figure, unit: str) -> str:
    if figure.value is None:
        return f"{label:17}not known, {unit}"
    shown = f"{label:17}{figure.value:.3g} {unit}"
    if figure.low is not None and figure.high is not None:
        shown += f", between {figure.low:.3g} and {figure.high:.3g}"
    return shown


def _pressures(verdict: Verdict) -> str:
    def shown(pa: Any) -> str:
        return "not known" if pa is None else f"{pa:.1f} Pa"

    return (
        f"{'pressure change':17}{shown(verdict.pressure_change_raw_pa)} as read, "
        f"{shown(verdict.pressure_change_compensated_pa)} temperature-compensated"
    )


def judge(
    trace: Annotated[Path, typer.Argument(help="Recorded readings, CSV.")],
    recipe: Annotated[Path, typer.Option(help="The recipe, TOML.")],
    json: Json = False,
) -> None:
    """Judge a recorded trace.

    Exit status: 0 pass, 1 fail, 2 inconclusive, 3 unusable input.

    Example: holdwatch judge hold.csv --recipe hold.toml --json
    """
    raise typer.Exit(run_judge(trace, recipe, as_json=json))
