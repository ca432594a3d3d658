"""Reads what a job keeps of a hold, and stores a judged trace as a hold."""

from __future__ import annotations

import tomllib
import uuid
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.store import answers, rows
from holdwatch_daemon.store.rows import FlaggedReading, Ids
from holdwatch_daemon.store.vehicles import job_of_hold
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.reading import Reading
from holdwatch_procedures.holds import Mark, Readings, curve_of, load_recipe
from holdwatch_procedures.vehicles import (
    WHOLE,
    CurvePointRow,
    HoldEntry,
    VehicleError,
    load_row,
    normalise,
)

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence

    from holdwatch_daemon.settings.shop import BayConfig
    from holdwatch_daemon.store.answers import HoldRow
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds import CurvePoint, Hold, HoldEvent, Recipe, Row, Verdict
    from holdwatch_procedures.vehicles import Vehicle

IMPORTED: Final = "import"
"""The bay of a hold that came as a trace."""
CURVE_POINTS: Final = 120
"""Most points of a curve in a report."""


def unit_figures(unit: Vehicle) -> dict[str, Any]:
    """Return what a recipe takes from a unit of the story where it says nothing itself.

    A volume brings its uncertainty along: a measured one makes every later hold sharper.
    """
    figures: dict[str, Any] = {
        "refrigerant": unit.refrigerant,
        "charge_g": unit.nameplate_charge_g,
        "max_pressure_kpa_g": unit.max_pressure_kpa_g,
    }
    if unit.volume is not None:
        figures["volume_l"] = unit.volume.litres
        figures["volume_uncertainty"] = unit.volume.relative_u
    return {key: value for key, value in figures.items() if value is not None}


def section_figures(unit: Vehicle, section: str) -> dict[str, float]:
    """Return what a recipe takes from a section of a unit: its own volume, with its uncertainty.

    Empty where it is not known: the unit's own volume would give a wrong rate.
    """
    volume = unit.section_volumes.get(section)
    if volume is None:
        return {}
    return {"volume_l": volume.litres, "volume_uncertainty": volume.relative_u}


def filled_from_unit(
    table: Mapping[str, Any], unit: Vehicle, *, said: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return a recipe's table with what it leaves out taken from a unit of the story.

    Args:
        table: The recipe as it was written.
        unit: The unit.
        said: What is said of the unit elsewhere and comes first; it is not filled in here.
    """
    stated = {**(said or {}), **table}
    limits = table.get("limits")
    if isinstance(limits, dict) and "max_pressure_kpa_g" in limits:
        stated["max_pressure_kpa_g"] = limits["max_pressure_kpa_g"]
    if "volume_l" in stated:
        stated["volume_uncertainty"] = None  # the unit's is that of another figure
    figures = {key: value for key, value in unit_figures(unit).items() if key not in stated}
    return figures | dict(table)


def filled_for_bay(
    table: Mapping[str, Any], bay: BayConfig, stored: Vehicle | None
) -> Mapping[str, Any]:
    """Return a recipe's table for a bay with what recipe and configuration leave out.

    The recipe's own figures come first, then the configuration's, then those of the story.
    """
    if stored is None:
        return table
    configured = bay.unit_under_test
    said = {} if configured is None else configured.recipe_figures()
    return filled_from_unit(table, stored, said=said)


def hold_entry(
    connection: sqlite3.Connection, hold_id: str, *, section: str, after_repair: bool
) -> HoldEntry:
    """Return what a visit keeps of a hold: its verdict with the deciding bounds, g a year.

    Raises:
        VehicleError: There is no such hold, or it has not ended.
    """
    row = answers.hold(connection, hold_id)
    if row is None:
        newest = ", ".join(known.id for known in answers.list_holds(connection, None, 5))
        raise VehicleError(f"no hold {hold_id!r} is stored; the newest are {newest or 'none'}")
    if row.ended is None or row.outcome is None:
        raise VehicleError(f"hold {hold_id} is still running: bind it once it has its verdict")
    toml = answers.recipe_toml(connection, hold_id) or ""
    said = answers.verdict(connection, hold_id) or {}
    leak = said.get("leak", {}).get("g_per_year", {})
    given = {
        "hold_id": hold_id,
        "on": row.started[:10],
        "procedure": row.procedure,
        "outcome": said.get("outcome", row.outcome),
        "section": section,
        "g_per_year": leak.get("value"),
        "low": leak.get("low"),
        "high": leak.get("high"),
        "smallest_visible": said.get("smallest_visible_g_per_year"),
        "readings_sha256": said.get("readings_sha256"),
        "sentence": said.get("sentence", row.sentence or ""),
        "criterion": load_recipe(tomllib.loads(toml), where=f"hold {hold_id}").criterion.text,
        "after_repair": after_repair,
    }
    return load_row(HoldEntry, given, where=f"hold {hold_id}")


def check_bindable(connection: sqlite3.Connection, hold_id: str, unit: Vehicle) -> None:
    """Refuse a hold of another unit, or one that a visit has already.

    Raises:
        VehicleError: Names the unit or the visit.
    """
    row = answers.hold(connection, hold_id)
    if row is not None:
        check_unit(row, unit)
    bound = job_of_hold(connection, hold_id)
    if bound is not None:
        raise VehicleError(f"hold {hold_id} is bound to work order {bound} already")


def check_unit(row: HoldRow, unit: Vehicle) -> None:
    """Refuse a hold of another unit.

    Raises:
        VehicleError: Names the unit whose it is.
    """
    if row.unit and normalise(row.unit) not in unit.identifiers:
        raise VehicleError(f"hold {row.id} was one of {row.unit}, not of {unit.name}")


def report_curve(connection: sqlite3.Connection, hold_id: str) -> tuple[CurvePointRow, ...]:
    """Return a hold's curve as a report draws it, thinned evenly, with its last point."""
    points = answers.hold_curve(connection, hold_id)
    step = max(1, -(-len(points) // CURVE_POINTS))
    kept = points[::step]
    if points and kept[-1] is not points[-1]:
        kept.append(points[-1])
    keys = CurvePointRow.model_fields
    return tuple(
        load_row(CurvePointRow, {key: point.get(key) for key in keys}, where=f"curve of {hold_id}")
        for point in kept
    )


@dataclass(frozen=True, slots=True)
class JudgedTrace:
    """A trace with its verdict, ready to be stored as a hold.

    Attributes:
        recipe: What it was judged by.
        verdict: The verdict.
        readings: Time in the hold (ns), role and row of each reading, in the order of time.
        marks: Time in the hold (ns) and word of each mark.
        curve: The curve's points.
    """

    recipe: Recipe
    verdict: Verdict
    readings: tuple[tuple[int, str, Row], ...]
    marks: tuple[tuple[int, str], ...]
    curve: tuple[CurvePoint, ...]


def judge_trace(
    trace: Iterable[Row], recipe: Recipe, fluids: Fluids, *, version: str
) -> JudgedTrace:
    """Judge a trace as ``holdwatch judge`` does, and again as it will be stored.

    Raises:
        UnusableTraceError: The trace cannot be judged.
        VehicleError: The store could not keep it so that it judges to the same.
    """
    # numpy is slow to load
    from holdwatch_procedures.holds import conclude, judge  # noqa: PLC0415

    lines = list(trace)
    verdict = judge(lines, recipe, fluids, version=version)
    marks = [(line.t_ns, line.word) for line in lines if line.quantity is None]
    played = [
        (line.t_ns, role, line)
        for line in lines
        if line.quantity is not None and (role := recipe.role_name(line.channel)) is not None
    ]
    readings = sorted(played, key=lambda item: item[:2])
    marks.sort(key=lambda mark: mark[0])
    again, events = _replayed(recipe, readings, marks, fluids, version)
    stored = conclude(again)
    if stored.readings_sha256 != verdict.readings_sha256:
        raise VehicleError(
            "the trace has two readings of one role at one time, which the store cannot keep "
            "apart: leave one of each pair out"
        )
    return JudgedTrace(recipe, verdict, tuple(readings), tuple(marks), tuple(curve_of(events)))


def judge_for(
    unit: Vehicle,
    section: str,
    trace: Iterable[Row],
    recipe: Mapping[str, Any],
    fluids: Fluids,
    *,
    where: str,
    version: str,
) -> JudgedTrace:
    """Judge a trace of a unit, or of a section of it.

    What the recipe leaves out is the unit's; a section's volume is its own: where none is stored,
    the recipe must say it.

    Raises:
        RecipeError, UnusableTraceError, VehicleError: Recipe or trace cannot be used.
    """
    said = {} if section == WHOLE else {"volume_l": None}
    if "volume_l" not in recipe:
        recipe = {**recipe, **section_figures(unit, section)}
    table = filled_from_unit(recipe, unit, said=said)
    return judge_trace(trace, load_recipe(table, where=where), fluids, version=version)


def _replayed(
    recipe: Recipe,
    readings: Sequence[tuple[int, str, Row]],
    marks: Sequence[tuple[int, str]],
    fluids: Fluids,
    version: str,
) -> tuple[Hold, list[HoldEvent]]:
    """Give a hold what the store will give back: the first of equal (time, role), in its order.

    Returns:
        The hold, ended, and all its events.
    """
    from holdwatch_procedures.holds import Hold  # noqa: PLC0415 - numpy is slow to load

    hold = Hold(recipe, fluids, version=version)
    events: list[HoldEvent] = []
    waiting = list(reversed(marks))
    kept: set[tuple[int, str]] = set()
    for t_ns, role, row in readings:
        while waiting and waiting[-1][0] <= t_ns:
            events += hold.take(Mark(*waiting.pop()))
        if (t_ns, role) not in kept and row.quantity is not None:
            kept.add((t_ns, role))
            one = Readings((t_ns,), (role,), (row.quantity,), (row.value,), (row.quality,))
            events += hold.take(one)
    for t_ns, word in reversed(waiting):
        events += hold.take(Mark(t_ns, word))
    events += hold.finish()
    return hold, events


def store_trace(
    connection: sqlite3.Connection, judged: JudgedTrace, *, unit: str, started_utc_ns: int
) -> str:
    """Write a judged trace as a hold that has ended; return its id.

    Its readings can be exported and judged again like those of any other hold.
    """
    day = datetime.fromtimestamp(started_utc_ns // 1_000_000_000, UTC).strftime("%Y%m%dT%H%M%SZ")
    hold_id = f"{IMPORTED}-{day}-{uuid.uuid4().hex[:6]}"
    recipe, verdict = judged.recipe, judged.verdict
    first_ns = min((item[0] for item in judged.readings), default=0)
    last_ns = max((item[0] for item in judged.readings), default=0)
    rows.insert_hold(
        connection,
        {
            "id": hold_id,
            "bay": IMPORTED,
            "unit": unit,
            "procedure": recipe.procedure,
            "recipe": recipe.name,
            "recipe_toml": recipe.to_toml(),
            "refrigerant": recipe.refrigerant,
            "started": rfc3339(started_utc_ns),
            "started_utc_ns": started_utc_ns,
            "version": verdict.version,
        },
    )
    ids = Ids(hold_id, simulated=False)
    for role in sorted({item[1] for item in judged.readings}):
        rows.insert_hold_channel(connection, hold_id, role, f"{hold_id}/{role}")
    boot = ids.boot(connection, started_utc_ns)
    rows.insert_segment(connection, hold_id, boot, 0, min(first_ns, 0))
    rows.insert_readings(
        connection,
        ids,
        [
            FlaggedReading(
                Reading(
                    f"{hold_id}/{role}",
                    row.quantity,
                    started_utc_ns + t_ns,
                    t_ns,
                    row.value,
                    row.quality,
                )
            )
            for t_ns, role, row in judged.readings
            if row.quantity is not None
        ],
    )
    for t_ns, word in judged.marks:
        rows.insert_mark(connection, hold_id, t_ns, word)
    rows.insert_curve(connection, hold_id, 0, judged.curve)
    ended = rfc3339(started_utc_ns + last_ns)
    rows.end_hold(connection, hold_id, ended, last_ns, verdict)
    return hold_id
