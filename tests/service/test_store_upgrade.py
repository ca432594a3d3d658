"""Files of every earlier schema version, as they were left, opened by this program."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path

import pytest
from store_readings import assert_equal_to_plain_sql
from store_shop import START_S, contents

from holdwatch_daemon.store import answers, history, schema
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids

DATA = Path(__file__).parents[1] / "data"
NOW = "2026-09-21T14:00:00.000Z"


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
        if version >= 2:
            connection.row_factory = sqlite3.Row
            (hold,) = answers.list_holds(connection, None, 10)
            assert len(list(answers.judged_readings(connection, hold.id))) == 141
    finally:
        opened.connection.close()
        opened.lock.release()
