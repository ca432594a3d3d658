"""A real PostgreSQL server on a private socket, and an empty database for each test."""

from __future__ import annotations

import getpass
import os
import pwd
import shutil
import signal
import subprocess
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import psycopg
import pytest
from system_parts import require

if TYPE_CHECKING:
    from collections.abc import Iterator


class Postgres:
    """A server without network; it refuses to run as the superuser, so then it runs as its own."""

    def __init__(self, folder: Path, account: str) -> None:
        self.folder = folder
        self._account = account
        self._user = None if account == getpass.getuser() else account
        self._bin = _programs()
        self._process: subprocess.Popen[bytes] | None = None

    def dsn(self, database: str) -> str:
        return f"host={self.folder} user={self._account} dbname={database}"

    def initialise(self) -> None:
        words = ["--auth=trust", "--encoding=UTF8", "--locale=C", "--no-sync", "--wal-segsize=1"]
        command = [str(self._bin / "initdb"), "-D", str(self.folder / "data"), *words]
        subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, cwd=self.folder, user=self._user
        )

    def start(self) -> None:
        words = ["-k", str(self.folder), "-c", "listen_addresses=", "-c", "fsync=off"]
        command = [str(self._bin / "postgres"), "-D", str(self.folder / "data"), *words]
        self._process = subprocess.Popen(
            command, stderr=subprocess.DEVNULL, cwd=self.folder, user=self._user
        )
        until = time.monotonic() + 60.0
        while time.monotonic() < until:
            try:
                psycopg.connect(self.dsn("postgres")).close()
            except psycopg.OperationalError:
                time.sleep(0.1)
            else:
                return
        pytest.fail("PostgreSQL did not start within 60 s")

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """Stop it: SIGINT ends connections in order, SIGQUIT leaves as in a crash."""
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(30)
            self._process = None


def _programs() -> Path:
    """Return the folder of the server's programs, which Debian keeps out of the search path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else Path(require("initdb", "postgresql")).parent


@contextmanager
def server() -> Iterator[Postgres]:
    """A server of its own for as long as the block lasts."""
    _programs()
    account = getpass.getuser()
    folder = Path(tempfile.mkdtemp(prefix="holdwatch-pg-"))
    if os.getuid() == 0:
        account = "postgres"
        entry = pwd.getpwnam(account)  # the system package makes it
        os.chown(folder, entry.pw_uid, entry.pw_gid)
    made = Postgres(folder, account)
    try:
        made.initialise()
        made.start()
        yield made
    finally:
        made.stop(signal.SIGQUIT)
        shutil.rmtree(folder)


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Postgres]:
    """One server for all tests of a run."""
    with server() as made:
        yield made


@pytest.fixture
def postgres(postgres_server: Postgres) -> str:
    """An empty database's address, as libpq has it."""
    dsn = postgres_server.dsn("postgres")
    with psycopg.connect(dsn, autocommit=True) as connection:
        connection.execute("DROP SCHEMA IF EXISTS holdwatch CASCADE")
    return dsn
