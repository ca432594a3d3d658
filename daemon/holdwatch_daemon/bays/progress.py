"""Tells how a hold stands, running or finished, as the message that leaves the process."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.messages import Bounds, HoldProgress
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.wording import render, said

if TYPE_CHECKING:
    from holdwatch_daemon.bays.runner import HoldRunner
    from holdwatch_daemon.store.answers import HoldRow
    from holdwatch_daemon.store.hold_identity import HoldIdentity
    from holdwatch_procedures.holds import Recipe

_UNKNOWN = Bounds(value=None, low=None, high=None)


def progress_of(runner: HoldRunner) -> HoldProgress:
    """Return how a hold stands now."""
    progress, verdict = runner.progress(), runner.verdict
    leak = _UNKNOWN
    if progress.leak is not None:
        grams = progress.leak.g_per_year
        bounds = (_finite(figure) for figure in (grams.value, grams.low, grams.high))
        leak = Bounds.model_validate(dict(zip(("value", "low", "high"), bounds, strict=True)))
    change = progress.pressure_change_compensated_pa
    if change is None:
        change = progress.pressure_change_raw_pa
    return HoldProgress.model_validate(
        _fixed(runner.identity, runner.identity.recipe)
        | {
            "phase": str(progress.phase),
            "elapsed_s": progress.elapsed_s,
            "since_mark_s": progress.since_mark_s,
            "sentence": render(progress.sentence),
            "leak_g_per_year": leak,
            "smallest_visible_g_per_year": _finite(progress.smallest_visible_g_per_year),
            "criterion_g_per_year": _finite(progress.criterion_g_per_year),
            "pressure_change_pa": Bounds(value=_finite(change), low=None, high=None),
            "earliest_end_s": progress.earliest_end_s,
            "latest_end_s": progress.latest_end_s,
            "outcome": None if verdict is None else str(verdict.outcome),
            "verdict_sentence": None if verdict is None else render(verdict.sentence),
            "said": said(
                sentence=progress.sentence,
                verdict_sentence=None if verdict is None else verdict.sentence,
                criterion_text=runner.identity.recipe.criterion.say,
            ),
        }
    )


def progress_of_stored(
    identity: HoldIdentity, row: HoldRow, verdict: dict[str, Any], end_s: float
) -> HoldProgress:
    """Return how a hold of an earlier process ended, from its stored verdict."""
    grams = verdict["leak"]["g_per_year"]
    change = verdict["pressure_change_pa"]
    mark_s, told = verdict.get("mark_s"), verdict.get("said", {}).get("sentence")
    change_pa = change["compensated"] if change["compensated"] is not None else change["raw"]
    return HoldProgress.model_validate(
        _fixed(identity, identity.recipe)
        | {
            "phase": "done",
            "elapsed_s": end_s,
            "since_mark_s": None if mark_s is None else end_s - mark_s,
            "sentence": row.sentence or "",
            "leak_g_per_year": {key: grams[key] for key in ("value", "low", "high")},
            "smallest_visible_g_per_year": verdict["smallest_visible_g_per_year"],
            "criterion_g_per_year": verdict["criterion"].get("g_per_year"),
            "pressure_change_pa": {"value": change_pa, "low": None, "high": None},
            "earliest_end_s": None,
            "latest_end_s": end_s,
            "outcome": row.outcome,
            "verdict_sentence": row.sentence,
            "said": said(criterion_text=identity.recipe.criterion.say)
            | {name: told for name in ("sentence", "verdict_sentence") if told is not None},
        }
    )


def _fixed(identity: HoldIdentity, recipe: Recipe) -> dict[str, Any]:
    return {
        "hold_id": identity.id,
        "procedure": recipe.procedure,
        "recipe": recipe.name,
        "started": rfc3339(identity.started_utc_ns),
        "refrigerant": recipe.refrigerant,
        "criterion_kind": recipe.criterion.kind,
        "criterion_limit": recipe.criterion.limit,
        "criterion_text": recipe.criterion.text,
    }


def _finite(value: float | None) -> float | None:
    """JSON has no infinity: a figure that is not finite is not known yet."""
    return value if value is not None and math.isfinite(value) else None
