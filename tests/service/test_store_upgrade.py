"""Files of every earlier schema version, as they were left, opened by this program."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from store_readings import assert_equal_to_plain_sql
from store_shop import START_S, contents

from holdwatch_daemon.store import answers, history, schema, vehicles
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids

DATA = Path(__file__).parents[1] / "data"
NOW = "2026-09-21T14:00:00.000Z"
INTO_BODIES = {
    "units_under_test", "unit_identifiers", "work_orders", "visit_weighings", "visit_holds",
    "visit_findings", "visit_dye", "visit_repairs", "visit_parts", "visit_advice", "visit_answers",
}  # fmt: skip
"""Tables of versions 4 to 7 whose rows went into the bodies of vehicles and jobs."""
ROWS_OF_A_JOB = """
INSERT INTO visit_holds VALUES (1, 1, 'h1', '2026-05-04', 'pressure-decay', 'fail', 'system',
    200.5, 60.25, 350.0, 40.0, NULL, 'Leaks.', 'law', 1);
INSERT INTO visit_findings VALUES (1, 1, 'condenser', 'dye', 'for', 'plain',
    '["dye-from-earlier-repair"]', '2026-05-04', 'glows', '[]');
INSERT INTO visit_dye VALUES (1, 1, 'yellow', 8.0, '2026-05-04', 'under vacuum');
INSERT INTO visit_repairs VALUES (1, 1, 'condenser', 'renewed', '2026-05-04', 1, 0, 15.0);
INSERT INTO visit_parts VALUES (1, 1, 'condenser', 2, '');
INSERT INTO visit_advice VALUES (1, 1, 'Come back.'), (1, 2, 'Soon.');
INSERT INTO visit_answers VALUES (1, 1, 'oil', 'done', '15 in', 'K.', '2026-05-04', NULL);
UPDATE units_under_test SET section_volumes =
    '{"compressor": {"litres": 0.3, "relative_u": 0.05, "how": "stated", "source": "the shop"}}';
"""


def test_there_is_a_file_of_every_released_version() -> None:
    found = {path.name for path in DATA.glob("schema-*.sqlite")}
    assert {f"schema-{version}.sqlite" for version in range(1, schema.VERSION)} <= found


@pytest.mark.parametrize("version", range(1, schema.VERSION))
def test_an_earlier_file_keeps_its_rows_and_gets_its_summaries(
    tmp_path: Path, version: int
) -> None:
    kept = DATA / f"schema-{version}.sqlite"
    before = sqlite3.connect(f"{kept.as_uri()}?mode=ro", uri=True)
    wanted = contents(before)
    before.close()
    path = tmp_path / "holdwatch.db"
    shutil.copy(kept, path)
    opened = open_database(path, NOW)
    try:
        assert opened.version_before == version
        connection = opened.connection
        found = contents(connection)
        for name, rows in wanted.items():
            if name in INTO_BODIES:
                assert name not in found
                continue
            if name == "schema_version":
                assert found[name] == [(schema.VERSION, NOW)]
                continue
            # A later version may add columns: what was there stands as it was, at the front.
            width = len(rows[0]) if rows else 0
            assert sorted((row[:width] for row in found[name]), key=repr) == rows, name
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        assert roll_all(connection, Ids("other", simulated=False)) == 600
        assert_equal_to_plain_sql(connection)
        gauge = history.channels(connection, ["gauge/pressure"])
        zoomed = history.history(connection, gauge, START_S * 10**9, (START_S + 300) * 10**9)
        assert len(zoomed["series"][0]["t_s"]) == 300
        if 4 <= version < 8:
            assert_moved(connection)
        if version >= 2:
            connection.row_factory = sqlite3.Row
            (hold,) = answers.list_holds(connection, None, 10)
            assert len(list(answers.judged_readings(connection, hold.id))) == 141
    finally:
        opened.connection.close()
        opened.lock.release()


def assert_moved(connection: sqlite3.Connection) -> None:
    """The bookmobile and its job, as they were rows of several tables."""
    (stored,) = vehicles.list_vehicles(connection, limit=5)
    assert stored.vehicle.plate == "LIB 003"
    assert (stored.vehicle.oil.kind, stored.vehicle.oil.amount_ml) == ("PAG", 120.0)
    assert stored.vehicle.volume is not None
    assert stored.vehicle.volume.litres == 2.5
    assert vehicles.vehicle_named(connection, "bm-03") == stored
    (job,) = vehicles.jobs_of(connection, stored.id)
    assert (job.number, job.complaint, job.closed_on) == ("2026-0001", "c", None)
    assert [weighing.grams for weighing in job.weighings] == [600.0]


def test_every_row_of_a_job_moves_into_its_body(tmp_path: Path) -> None:
    path = tmp_path / "holdwatch.db"
    shutil.copy(DATA / "schema-7.sqlite", path)
    older = sqlite3.connect(path)
    older.executescript(ROWS_OF_A_JOB)
    older.close()
    opened = open_database(path, NOW)
    try:
        (stored,) = vehicles.list_vehicles(opened.connection, limit=5)
        (job,) = vehicles.jobs_of(opened.connection, stored.id)
        assert vehicles.job_of_hold(opened.connection, "h1") == "2026-0001"
    finally:
        opened.connection.close()
        opened.lock.release()
    assert stored.vehicle.section_volumes["compressor"].litres == 0.3
    (held,) = job.holds
    assert (held.hold_id, held.low, held.after_repair) == ("h1", 60.25, True)
    assert held.judged_elsewhere
    assert job.findings[0].misled_by == ("dye-from-earlier-repair",)
    assert (job.findings[0].note, job.dye[0].amount_ml) == ("glows", 8.0)
    assert (job.repairs[0].opened_circuit, job.repairs[0].oil_lost_ml) == (True, 15.0)
    assert (job.parts[0].quantity, job.advice) == (2, ("Come back.", "Soon."))
    assert (job.answers[0].by, job.answers[0].look_again_on) == ("K.", None)
