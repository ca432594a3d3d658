"""Pictures of a story: known by their bytes, kept under their hash, read back as they were."""

from __future__ import annotations

import contextlib
import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from holdwatch_procedures.vehicles import NotKnownError, VehicleError

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable

    from holdwatch_daemon.jobs.access import Page, StoryBook

MOST_BYTES: Final = 12 * 1024 * 1024
"""The largest picture that is taken; one of a telephone has 3 to 8 MB."""
MOST_NAME: Final = 100
_JPEG: Final = b"\xff\xd8\xff"
_PNG: Final = b"\x89PNG\r\n\x1a\n"


@dataclass(frozen=True, slots=True)
class Photograph:
    """A stored picture: its hash, what it is (``image/jpeg`` …), its size and its name."""

    sha256: str
    kind: str
    size: int
    name: str


def kind_of(content: bytes) -> str | None:
    """Return the media type of a picture by its first bytes; None for anything else.

    >>> kind_of(b"GIF89a"), kind_of(bytes.fromhex("ffd8ffe0"))
    (None, 'image/jpeg')
    """
    if content.startswith(_JPEG):
        return "image/jpeg"
    if content.startswith(_PNG) and content[12:16] == b"IHDR":
        return "image/png"
    if content[:4] == b"RIFF" and content[8:12] == b"WEBP":
        return "image/webp"
    return None


def store_photograph(page: Page, folder: Path, content: bytes, name: str) -> Photograph:
    """Keep a picture; one that is kept already stays as it is.

    Args:
        page: The transaction.
        folder: The book's folder of pictures.
        content: The picture's bytes.
        name: What it was called; shown to people only.

    Raises:
        VehicleError: It is no picture of a kind that is shown safely, or too large.
    """
    if len(content) > MOST_BYTES:
        raise VehicleError(
            f"the picture has {len(content) / 2**20:.1f} MB, at most {MOST_BYTES / 2**20:.0f} are "
            "kept: take it smaller"
        )
    kind = kind_of(content)
    if kind is None:
        raise VehicleError("this is no picture: send a JPEG, PNG or WebP")
    sha256 = hashlib.sha256(content).hexdigest()
    shown = "".join(letter for letter in Path(name).name if letter.isprintable())[:MOST_NAME]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write(folder / sha256, content)
    except OSError as error:
        raise VehicleError(f"{folder}: the picture cannot be kept: {error.strerror}") from error
    page.connection.execute(
        "INSERT INTO photographs VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (sha256, shown, len(content), page.now),
    )
    return Photograph(sha256, kind, len(content), shown)


def check_stored(connection: sqlite3.Connection, hashes: Iterable[str]) -> None:
    """Refuse pictures that are not kept.

    Raises:
        VehicleError: Names the first one.
    """
    for sha256 in hashes:
        found = connection.execute("SELECT 1 FROM photographs WHERE sha256 = ?", (sha256,))
        if found.fetchone() is None:
            raise VehicleError(f"no picture {sha256[:12]}… is kept: send it before its finding")


def photograph(book: StoryBook, sha256: str) -> tuple[Photograph, bytes]:
    """Return a picture that is kept.

    Raises:
        NotKnownError: There is none of that hash, or its file is gone or was changed.
    """
    row = book.ask(
        lambda c: c.execute("SELECT name FROM photographs WHERE sha256 = ?", (sha256,)).fetchone()
    )
    if row is None:
        raise NotKnownError(f"no picture {sha256[:12]}… is kept here")
    try:
        content = (book.photo_folder / sha256).read_bytes()
    except OSError as error:
        raise NotKnownError(
            f"the picture {sha256[:12]}… is missing from {book.photo_folder.name}: restore a backup"
        ) from error
    kind = kind_of(content)
    if kind is None or hashlib.sha256(content).hexdigest() != sha256:
        raise NotKnownError(f"the picture {sha256[:12]}… was changed: restore a backup")
    return Photograph(sha256, kind, len(content), row["name"]), content


def _write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all; what is there under its hash stays if it is right."""
    with contextlib.suppress(OSError):
        if path.read_bytes() == content:
            return
    handle, waiting = tempfile.mkstemp(dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(waiting).replace(path)
    except BaseException:
        Path(waiting).unlink(missing_ok=True)
        raise
