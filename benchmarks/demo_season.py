"""Write the demo's story from a played season: ``sh docs/season.sh FOLDER`` first.

    python -m benchmarks run demo_season FOLDER/holdwatch-data/holdwatch.db

Vehicles and visits go over as they are, under names that the demo's bays leave free; of a hold its
verdict and a thinned curve. Readings stay out, and with them their hash.
"""

from __future__ import annotations

import json
import sqlite3
import sys
from pathlib import Path
from typing import Any

OUT = Path(__file__).parents[1] / "cli" / "holdwatch_cli" / "demo_season.json"
NAMES = {"BM-01": "BM-03", "BM-02": "BM-04", "BM-03": "BM-05"}
PLATES = {"LIB 201": "LIB 203", "LIB 202": "LIB 204", "LIB 203": "LIB 205"}
POINTS = 40
COLUMNS = (
    "id", "unit", "procedure", "recipe", "recipe_toml", "refrigerant", "started", "ended",
    "end_t_ns", "outcome", "sentence", "version",
)  # fmt: skip


def main() -> None:
    """Read the database that is named, write the data file."""
    database = Path(sys.argv[1])
    story = json.loads((database.parents[1] / "fleet.json").read_text(encoding="utf-8"))
    for unit in story["units"]:
        unit["plate"] = PLATES[unit["plate"]]
        unit["fleet_number"] = NAMES[unit["fleet_number"]]
    for order in story["work_orders"]:
        order["unit"] = NAMES[order["unit"]]
        for hold in order["holds"]:
            hold["readings_sha256"] = None
    connection = sqlite3.connect(database)
    connection.row_factory = sqlite3.Row
    rows = connection.execute(f"SELECT {', '.join(COLUMNS)} FROM holds").fetchall()  # noqa: S608 - our own names
    holds = [_hold(connection, {name: row[name] for name in COLUMNS}) for row in rows]
    connection.close()
    content = {"story": story, "holds": holds}
    OUT.write_text(json.dumps(content, ensure_ascii=False, indent=0) + "\n", encoding="utf-8")
    print(f"{OUT}: {OUT.stat().st_size / 1e3:.0f} kB, {len(holds)} holds")


def _hold(connection: sqlite3.Connection, row: dict[str, Any]) -> dict[str, Any]:
    row["unit"] = NAMES[row["unit"]]
    (body,) = connection.execute(
        "SELECT body FROM verdicts WHERE hold_id = ?", (row["id"],)
    ).fetchone()
    verdict = json.loads(body)
    verdict.pop("readings_sha256", None)
    points = [
        json.loads(point)
        for (point,) in connection.execute(
            "SELECT body FROM curve_points WHERE hold_id = ? ORDER BY number", (row["id"],)
        )
    ]
    step = max(1, -(-len(points) // POINTS))
    kept = [*points[::step], points[-1]]
    return {"row": row, "verdict": verdict, "curve": [_short(point) for point in kept]}


def _short(point: dict[str, Any]) -> dict[str, Any]:
    return {
        key: float(f"{value:.6g}") if isinstance(value, float) else value
        for key, value in point.items()
    }


if __name__ == "__main__":
    main()
