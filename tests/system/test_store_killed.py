"""A process killed in the middle of rolling: the next one finds no gap and no double."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from store_readings import NOW, assert_equal_to_plain_sql

from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import roll_all
from holdwatch_daemon.store.rows import Ids

if TYPE_CHECKING:
    from pathlib import Path

ROLLING = """
import sys
from pathlib import Path
from holdwatch_daemon.store.opening import open_database
from holdwatch_daemon.store.rolling import Roller
from holdwatch_daemon.store.rows import Ids, insert_readings
from store_readings import readings

opened = open_database(Path(sys.argv[1]), "now")
connection, ids = opened.connection, Ids("boot-1", simulated=False)
roller = Roller(ids, "boot-1")
for first in range(int(sys.argv[2]), 10**6, 40):
    connection.execute("BEGIN IMMEDIATE")
    insert_readings(connection, ids, readings(range(first, first + 40), seed=first))
    connection.execute("COMMIT")
    connection.execute("BEGIN IMMEDIATE")
    roller.step(connection, first * 10**9, 70)
    connection.execute("COMMIT")
    print(first, flush=True)
"""


@pytest.mark.parametrize("after_s", [0.2, 0.37])
def test_after_kills_the_tiers_are_complete(tmp_path: Path, after_s: float) -> None:
    path, script = tmp_path / "holdwatch.db", tmp_path / "rolling.py"
    script.write_text(ROLLING)
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    first = 0
    for _ in range(2):
        command = [sys.executable, str(script), str(path), str(first)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=environment) as child:
            assert child.stdout is not None
            child.stdout.readline()
            time.sleep(after_s)
            child.send_signal(signal.SIGKILL)
            lines = child.stdout.read().split()
        first += 40 * (len(lines) + 2)
    opened = open_database(path, NOW)
    connection = opened.connection
    (marked,) = connection.execute("SELECT COUNT(*) FROM rolled").fetchone()
    assert marked == 2, "it was killed while it rolled"
    roll_all(connection, Ids("other", simulated=False))
    assert_equal_to_plain_sql(connection)
    connection.close()
    opened.lock.release()
