"""Tokens and screens waiting to be paired, in a small SQLite file beside the store.

The file is apart from the store so that a command can write it while the service runs, and so
that a copy of the store, made to be handed on, holds nobody's rights.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import secrets
import sqlite3
import stat
import threading
import time
from contextlib import closing, contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from holdwatch_daemon.errors import HoldwatchError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

TokenScope: TypeAlias = Literal["watch", "operate"]

FILE: Final = "access.db"
"""Name of the file, in the folder of the store."""
PAIRING_S: Final = 600
"""How long a code is good for, s."""
MOST_WAITING: Final = 16
"""Screens that may wait to be paired at once."""
MOST_OF_ONE: Final = 3
"""Screens of one address that may wait at once."""
MOST_TOKENS: Final = 200
# RFC 8628, section 6.1: twenty consonants, no letter that is read as another, no word.
_ALPHABET: Final = "BCDFGHJKLMNPQRSTVWXZ"
_CODE_LETTERS: Final = 8
_NOTE_USE_EVERY_S: Final = 300
_LOOK_EVERY_S: Final = 0.25
_YOUNG_NS: Final = 1_000_000_000
_BUSY_S: Final = 10.0

_SCHEMA: Final = """
CREATE TABLE IF NOT EXISTS tokens (
  id TEXT PRIMARY KEY, name TEXT NOT NULL, scope TEXT NOT NULL CHECK (scope IN ('watch','operate')),
  sha256 BLOB NOT NULL UNIQUE, made INTEGER NOT NULL, used INTEGER, expires INTEGER) STRICT;
CREATE TABLE IF NOT EXISTS pairings (
  code TEXT PRIMARY KEY, secret_sha256 BLOB NOT NULL UNIQUE, address TEXT NOT NULL,
  asked INTEGER NOT NULL, scope TEXT CHECK (scope IN ('watch','operate')), name TEXT,
  expires INTEGER) STRICT;
"""


class TokenError(HoldwatchError):
    """A token cannot be made, found or paired; the message says how to mend it."""


class CrowdedError(TokenError):
    """Too many screens wait to be paired."""


@dataclass(frozen=True, slots=True)
class Token:
    """What is known of a token; the token itself is not. Times are seconds since 1970, UTC."""

    id: str
    name: str
    scope: TokenScope
    made: int
    used: int | None
    expires: int | None

    def is_good(self, now: float) -> bool:
        """Whether it has not expired."""
        return self.expires is None or now < self.expires


@dataclass(frozen=True, slots=True)
class Asked:
    """A screen that waits: its code, its address, and since when."""

    code: str
    address: str
    asked: int


@dataclass(frozen=True, slots=True)
class _Known:
    sha256: bytes
    token: Token


class TokenBook:
    """The tokens of a shop, shared by the service and the commands through one file.

    A token is 256 random bits, so its plain SHA-256 is kept: what makes a slow hash worth its
    time is that a password can be guessed, and no guessing reaches 2^256. Whoever reads the file
    learns no token from it. Digests are compared in constant time, and being digests they would
    tell a listener nothing about a token even if they were not.

    The file is read by ``look`` where it has changed; it is due every quarter of a second.

    Args:
        path: The file; it and its folder are made when the first token is.
        clock: Wall-clock time, s since 1970.
    """

    def __init__(self, path: Path, clock: Callable[[], float] = time.time) -> None:
        self.path = path
        self._clock = clock
        self._known: tuple[_Known, ...] = ()
        self._seen: tuple[int, int, int] | None = None
        self._looked = float("-inf")
        self._looking = threading.Lock()
        self._noted: dict[str, float] = {}

    @property
    def is_begun(self) -> bool:
        """Whether there ever was a token: the file stays when the last one is revoked."""
        return self.path.exists()

    def bearer(self, text: str) -> Token | None:
        """Return the token of this text, or None where there is none or it has expired."""
        given = _digest(text)
        found: Token | None = None
        for known in self._known:
            if hmac.compare_digest(known.sha256, given):
                found = known.token
        return found if found is not None and found.is_good(self._clock()) else None

    def is_good(self, token_id: str) -> bool:
        """Whether the token of this id was there at the last look and has not expired."""
        now = self._clock()
        return any(each.token.id == token_id and each.token.is_good(now) for each in self._known)

    def tokens(self) -> list[Token]:
        """Return all tokens, the oldest first, expired ones too."""
        return [known.token for known in self._read()] if self.is_begun else []

    def make(self, scope: TokenScope, name: str, expires: int | None = None) -> tuple[Token, str]:
        """Make a token; returns what is kept of it, and the token itself, which is not.

        Raises:
            TokenError: There are too many, or the file cannot be written.
        """
        with self._writing() as connection:
            return self._insert(connection, scope, name, expires)

    def revoke(self, which: str) -> list[Token]:
        """Take a token back by its id, or all of one name; returns those taken back.

        Raises:
            TokenError: There is none of that id or name.
        """
        gone = [token for token in self.tokens() if which in {token.id, token.name}]
        if not gone:
            known = ", ".join(f"{token.id} ({token.name})" for token in self.tokens()) or "none"
            raise TokenError(f"There is no token {which!r}; there are: {known}.")
        with self._writing() as connection:
            connection.executemany("DELETE FROM tokens WHERE id = ?", [(each.id,) for each in gone])
        return gone

    def wants_note(self, token_id: str) -> bool:
        """Whether a use of the token is worth writing down: at most every five minutes."""
        now = self._clock()
        if now - self._noted.get(token_id, float("-inf")) < _NOTE_USE_EVERY_S:
            return False
        self._noted[token_id] = now
        return True

    def note_use(self, token_id: str) -> None:
        """Write down that the token was used just now."""
        with self._writing() as connection:
            connection.execute(
                "UPDATE tokens SET used = ? WHERE id = ?", (int(self._clock()), token_id)
            )

    # -- pairing ------------------------------------------------------------------------------

    def ask(self, address: str) -> tuple[Asked, str]:
        """Let a screen wait to be paired; returns its code, and the secret that it must keep.

        Of one address the newest few wait: a further one takes the place of the oldest.

        Raises:
            CrowdedError: Too many wait.
            TokenError: The file cannot be written.
        """
        now = int(self._clock())
        secret = secrets.token_urlsafe(32)
        code = "".join(secrets.choice(_ALPHABET) for _ in range(_CODE_LETTERS))
        with self._writing() as connection:
            connection.execute(
                "DELETE FROM pairings WHERE rowid IN (SELECT rowid FROM pairings"
                " WHERE address = ? AND scope IS NULL ORDER BY rowid DESC LIMIT -1 OFFSET ?)",
                (address, MOST_OF_ONE - 1),
            )
            waiting = connection.execute("SELECT count(*) FROM pairings").fetchone()[0]
            if waiting >= MOST_WAITING:
                raise CrowdedError(
                    "Too many screens wait to be paired. Try again in ten minutes, or make a "
                    "token with `holdwatch token new` and sign in with it."
                )
            connection.execute(
                "INSERT INTO pairings (code, secret_sha256, address, asked) VALUES (?, ?, ?, ?)",
                (code, _digest(secret), address, now),
            )
        return Asked(code, address, now), secret

    def approve(self, code: str, scope: TokenScope, name: str, expires: int | None = None) -> Asked:
        """Let the waiting screen of this code have a token; a code is good for this once.

        Raises:
            TokenError: No screen shows this code now, or it was approved already.
        """
        wanted = plain_code(code)
        if not self.is_begun:
            raise TokenError("No screen waits to be paired here.")
        with self._writing() as connection:
            row = connection.execute(
                "SELECT code, address, asked FROM pairings WHERE code = ? AND scope IS NULL",
                (wanted,),
            ).fetchone()
            if row is None:
                raise TokenError(
                    f"No screen shows the code {shown_code(wanted)} now. Read it again; a code is "
                    f"good for {PAIRING_S // 60} minutes and once."
                )
            connection.execute(
                "UPDATE pairings SET scope = ?, name = ?, expires = ? WHERE code = ?",
                (scope, name, expires, wanted),
            )
        return Asked(*row)

    def collect(self, secret: str) -> Asked | tuple[Token, str] | None:
        """Return what became of a waiting screen: it waits, its token, or None where it is gone.

        The token is made here, for the holder of the secret, and never stands anywhere in plain.
        """
        if not self.is_begun:
            return None
        with self._writing() as connection:
            row = connection.execute(
                "SELECT code, address, asked, scope, name, expires FROM pairings"
                " WHERE secret_sha256 = ?",
                (_digest(secret),),
            ).fetchone()
            if row is None:
                return None
            code, address, asked, scope, name, expires = row
            if scope is None:
                return Asked(code, address, asked)
            connection.execute("DELETE FROM pairings WHERE code = ?", (code,))
            return self._insert(connection, scope, name, expires)

    # -- the file -----------------------------------------------------------------------------

    def _insert(
        self, connection: sqlite3.Connection, scope: TokenScope, name: str, expires: int | None
    ) -> tuple[Token, str]:
        if connection.execute("SELECT count(*) FROM tokens").fetchone()[0] >= MOST_TOKENS:
            raise TokenError(
                f"There are {MOST_TOKENS} tokens already; take old ones back with "
                "`holdwatch token revoke`."
            )
        text = f"hw_{secrets.token_urlsafe(32)}"
        token = Token(secrets.token_hex(4), name, scope, int(self._clock()), None, expires)
        connection.execute(
            "INSERT INTO tokens (id, name, scope, sha256, made, expires) VALUES (?, ?, ?, ?, ?, ?)",
            (token.id, name, scope, _digest(text), token.made, expires),
        )
        return token, text

    @property
    def is_due(self) -> bool:
        """Whether it is time to look at the file again, and nobody does so already."""
        is_time = time.monotonic() - self._looked >= _LOOK_EVERY_S
        return is_time and not self._looking.locked()

    def look(self) -> None:
        """Read the file where it has changed; in any thread, one at a time.

        A file that is being written stays as it was known: what is written holds only then.

        Raises:
            TokenError: The file cannot be read; no token is known then.
        """
        with self._looking:
            self._looked = time.monotonic()
            try:
                self._look()
            except TokenError as error:
                if getattr(error.__cause__, "sqlite_errorcode", None) == sqlite3.SQLITE_BUSY:
                    return
                self._known, self._seen = (), None
                raise

    def _look(self) -> None:
        with self._told():
            try:
                found = self.path.stat()
            except FileNotFoundError:
                self._known, self._seen = (), None
                self._looked = float("-inf")  # the first token counts at once
                return
        seen = (found.st_mtime_ns, found.st_size, found.st_ino)
        # A file changed a moment ago may change again within one tick of its time stamp.
        is_young = time.time_ns() - found.st_mtime_ns < _YOUNG_NS
        if seen != self._seen or is_young:
            self._known, self._seen = self._read(), seen

    def _read(self) -> tuple[_Known, ...]:
        with self._told(), closing(sqlite3.connect(self.path, timeout=_BUSY_S)) as connection:
            if not self.path.stat().st_size:  # made this moment, by who writes the first token
                return ()
            rows = connection.execute(
                "SELECT sha256, id, name, scope, made, used, expires FROM tokens"
                " ORDER BY made, rowid"
            ).fetchall()
        return tuple(_Known(sha256, Token(*rest)) for sha256, *rest in rows)

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        """Open the file, which is the owner's alone, for one transaction."""
        with self._told():
            self._make_file()
            with closing(
                sqlite3.connect(self.path, timeout=_BUSY_S, isolation_level=None)
            ) as connection:
                connection.execute("BEGIN IMMEDIATE")
                try:
                    for statement in _SCHEMA.split(";"):
                        connection.execute(statement)
                    connection.execute(
                        "DELETE FROM pairings WHERE asked < ?", (int(self._clock()) - PAIRING_S,)
                    )
                    yield connection
                except BaseException:
                    connection.execute("ROLLBACK")
                    raise
                connection.execute("COMMIT")
        self._looked = float("-inf")

    def _make_file(self) -> None:
        self.path.parent.mkdir(parents=True, exist_ok=True)
        # SQLite gives its journal the rights of the file itself.
        with contextlib.suppress(FileExistsError):
            os.close(os.open(self.path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        if os.name == "posix" and stat.S_IMODE(self.path.stat().st_mode) & 0o077:
            self.path.chmod(0o600)

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (OSError, sqlite3.Error) as error:
            raise TokenError(
                f"The tokens in {self.path} cannot be used: {error}. The file must belong to the "
                "user that the service runs as."
            ) from error


def plain_code(code: str) -> str:
    """Return a code as it is kept, however it was typed.

    >>> plain_code(" wdjb-mjht")
    'WDJBMJHT'
    """
    return "".join(letter for letter in code.upper() if letter.isalnum())[:20]


def shown_code(code: str) -> str:
    """Return a code as people read it.

    >>> shown_code("WDJBMJHT")
    'WDJB-MJHT'
    """
    return f"{code[:4]}-{code[4:]}"


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode()).digest()
