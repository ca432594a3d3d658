"""Makes ``tests/data/schema-N.sqlite``: files as each schema version left them, with real rows.

python tests/rigs/make_schemas.py

Run once for a new version, when its migration is released; files that are there stay as they are.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path

from store_shop import fill

from holdwatch_daemon.store import schema

FOLDER = Path(__file__).parents[1] / "data"


def make(version: int) -> None:
    path = FOLDER / f"schema-{version}.sqlite"
    if path.exists():
        return
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA page_size=1024")  # small files
    schema.migrate(connection, "2026-01-01T00:00:00.000Z", upto=version)
    fill(connection, seconds=300, holds=((60, 200),), events=20)
    connection.execute("VACUUM")
    connection.close()


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for number in range(1, schema.VERSION + 1):
        make(number)
