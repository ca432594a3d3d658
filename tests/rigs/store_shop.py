"""A store with something of everything in it, for tests that copy, damage, thin or upgrade it."""

from __future__ import annotations

import json
import math
import random
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import sqlite3

START_S = 1_790_000_000 // 3600 * 3600
GAUGE, CLAMP = 1, 2


def fill(
    connection: sqlite3.Connection,
    *,
    seconds: int = 7200,
    holds: tuple[tuple[int, int], ...] = ((600, 1500),),
    story: bool = True,
    events: int = 200,
) -> None:
    """Write readings of two channels at 1 Hz, holds over spans of seconds, events and a vehicle."""
    chance = random.Random(5)
    connection.execute("BEGIN")
    put = connection.execute
    put("INSERT INTO boots VALUES (1, 'boot-a', '2026-09-21T13:00:00Z', 0)")
    put("INSERT INTO channels VALUES (1, 'gauge/pressure', 'gauge', 'pressure_gauge', 'Pag')")
    put("INSERT INTO channels VALUES (2, 'clamp/temperature', 'clamp', 'temperature', 'K')")
    put("INSERT INTO probes VALUES ('gauge', 'bluetooth', NULL, '2026-09-21T13:00:00Z')")
    connection.executemany(
        "INSERT INTO readings VALUES (?, 1, ?, ?, ?, 'good', NULL)",
        [
            (
                channel,
                second * 10**9,
                (START_S + second) * 10**9,
                1.0e6 + 300.0 * math.sin(second / 90.0) + chance.gauss(0.0, 20.0)
                if channel == GAUGE
                else 295.0 + chance.gauss(0.0, 0.01),
            )
            for channel in (GAUGE, CLAMP)
            for second in range(seconds)
        ],
    )
    tables = {row[0] for row in put("SELECT name FROM sqlite_master WHERE type = 'table'")}
    number = 0
    for first, last in holds if "holds" in tables else ():
        hold = f"bay-1-{first}"
        put(
            "INSERT INTO holds (id, bay, unit, procedure, recipe, recipe_toml, refrigerant,"
            " started, started_utc_ns, ended, end_t_ns, outcome, sentence, simulated, version)"
            " VALUES (?, 'bay-1', 'BM-03', 'pressure-decay', 'nitrogen', 'x = 1', 'R134a',"
            " 'then', ?, 'later', ?, 'pass', 'Pass.', 0, '0.1.0')",
            (hold, (START_S + first) * 10**9, (last - first) * 10**9),
        )
        put("INSERT INTO hold_channels VALUES (?, 'low_side', 'gauge/pressure')", (hold,))
        put("INSERT INTO hold_segments VALUES (?, 1, ?, ?)", (hold, first * 10**9, first * 10**9))
        put("INSERT INTO hold_marks VALUES (?, 1, 1000, 'valve_closed')", (hold,))
        put("INSERT INTO curve_points VALUES (?, 0, 10.0, '{\"t_s\": 10.0}')", (hold,))
        put(
            "INSERT INTO verdicts VALUES (?, 'bay-1', 'BM-03', 'later', 'pass', 'Pass.', '{}')",
            (hold,),
        )
        for kind in ("hold.started", "verdict"):
            number += 1
            put(
                "INSERT INTO events VALUES (?, ?, ?, 'then', 'bay-1', ?, ?, ?)",
                (
                    number,
                    f"e-{number}",
                    f"holdwatch.{kind}",
                    number,
                    hold,
                    body(number, kind, bay="bay-1", baysequence=number, subject=hold),
                ),
            )
    for _ in range(events):
        number += 1
        put(
            "INSERT INTO events VALUES (?, ?, 'holdwatch.probe.lost', 'then', NULL, NULL, 'gauge',"
            " ?)",
            (number, f"e-{number}", body(number, "probe.lost", subject="gauge")),
        )
    if story and "units_under_test" in tables:
        put(
            "INSERT INTO units_under_test (id, fleet_number, plate, vin, description, refrigerant,"
            " nameplate_charge_g, oil_kind, oil_grade, oil_amount_ml, evaporators, volume_litres,"
            " volume_relative_u, volume_how, volume_source, volume_measured_on, max_pressure_kpa_g,"
            " own_places, changed) VALUES (1, 'BM-03', 'LIB 003', NULL, 'bookmobile',"
            " 'R134a', 600.0, 'PAG', '46', 120.0, 1, 2.5, 0.1, 'stated', 'plate', NULL, 1800.0,"
            " '{}', 'then')"
        )
        put("INSERT INTO unit_identifiers VALUES ('BM03', 1)")
        put(
            "INSERT INTO work_orders VALUES (1, '2026-0001', 1, 'BM-03', '2026-05-04', NULL, 'c',"
            " 't')"
        )
        put("INSERT INTO visit_weighings VALUES (1, 1, 'charged', 600.0, '2026-05-04', 5.0, 0)")
        put("INSERT INTO photographs VALUES ('ab12', 'hose.jpg', 9, 'then')")
    if story and "vehicles" in tables:
        fleet = {
            "fleet_number": "BM-03",
            "plate": "LIB 003",
            "description": "bookmobile",
            "refrigerant": "R134a",
            "nameplate_charge_g": 600.0,
        }
        put(
            "INSERT INTO vehicles VALUES (1, 'BM-03', 'bookmobile', ?, 'then')",
            (json.dumps(fleet),),
        )
        put("INSERT INTO vehicle_identifiers VALUES ('BM03', 1)")
        weighing = {"kind": "charged", "grams": 600.0, "on": "2026-05-04", "tolerance_g": 5.0}
        job = {
            "number": "2026-0001",
            "unit": "BM-03",
            "opened_on": "2026-05-04",
            "complaint": "c",
            "weighings": [weighing],
        }
        put(
            "INSERT INTO jobs VALUES (1, '2026-0001', 1, '2026-05-04', NULL, ?, 't')",
            (json.dumps(job),),
        )
        put("INSERT INTO photographs VALUES ('ab12', 'hose.jpg', 9, 'then')")
    connection.execute("COMMIT")


def body(number: int, kind: str, **more: Any) -> str:
    """An event as it is stored."""
    event = {
        "specversion": "1.0",
        "id": f"e-{number}",
        "source": "/holdwatch/county-library",
        "type": f"holdwatch.{kind}",
        "time": "2026-09-21T13:00:00.000Z",
        "sequence": number,
        "data": {"text": "no reading " * 20},
    }
    return json.dumps(event | more)


def contents(connection: sqlite3.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table, sorted."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    return {
        name: sorted(map(tuple, connection.execute(f'SELECT * FROM "{name}"')), key=repr)  # noqa: S608 - names of its own
        for (name,) in names
    }
