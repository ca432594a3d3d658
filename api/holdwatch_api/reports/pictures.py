"""The pictures of a report: inside its file where they are small enough, else named by hash."""

from __future__ import annotations

import base64
import hashlib
import re
from html import escape
from typing import TYPE_CHECKING, Final

from holdwatch_daemon.jobs import kind_of, photograph
from holdwatch_procedures.vehicles import NotKnownError, VehicleError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from holdwatch_daemon.jobs import StoryBook
    from holdwatch_procedures.vehicles import Report

Pictures = dict[str, bytes]
"""Bytes of pictures by their SHA-256."""
MOST_EACH: Final = 1024 * 1024
"""A picture of more bytes is named, not shown; the screen sends none that large."""
MOST_TOGETHER: Final = 8 * 1024 * 1024
"""Bytes of all pictures in one file; those after them are named."""
_SHOWN: Final = re.compile(
    r'<img alt="([0-9a-f]{64})" src="data:(image/[a-z]+);base64,([A-Za-z0-9+/=]*)">'
)


def report_pictures(book: StoryBook, report: Report) -> Pictures:
    """Return the pictures that a report shows: those of its findings, within the bounds.

    One that is missing from the store, or was changed there, is left out: ``--verify`` names it.
    """
    shown: Pictures = {}
    together = 0
    for _, sha256 in _named(report):
        try:
            found, content = photograph(book, sha256)
        except NotKnownError:
            continue
        if sha256 in shown or found.size > MOST_EACH or together + found.size > MOST_TOGETHER:
            continue
        shown[sha256] = content
        together += found.size
    return shown


def picture_pages(report: Report, pictures: Mapping[str, bytes]) -> Iterator[str]:
    """Yield the page of pictures, each on a line of its own; nothing where there are none."""
    named = _named(report)
    if not named:
        return
    yield "<main><h1>Pictures</h1>"
    yield '<div class="pictures">'
    for place, sha256 in named:
        if sha256 not in pictures:
            continue
        content = pictures[sha256]
        data = base64.b64encode(content).decode()
        yield "<figure>"
        yield f'<img alt="{sha256}" src="data:{kind_of(content)};base64,{data}">'
        yield f"<figcaption>{escape(place)}</figcaption></figure>"
    yield "</div>"
    left = [f"{place}: {sha256}" for place, sha256 in named if sha256 not in pictures]
    if left:
        items = "".join(f"<li>{escape(line)}</li>" for line in left)
        yield (
            "<h2>Not in this file, by the hash of their bytes (more than "
            f"{MOST_EACH // 2**20} MB each, or {MOST_TOGETHER // 2**20} MB together)</h2>"
            f"<ul>{items}</ul>"
        )
    yield "</main>"


def shown_pictures(text: str, *, where: str) -> Pictures:
    """Return the pictures that an HTML file shows, if each is the one that its hash names.

    Raises:
        VehicleError: Names the picture that is another one.
    """
    shown: Pictures = {}
    for sha256, _kind, data in _SHOWN.findall(text):
        try:
            content = base64.b64decode(data, validate=True)
        except ValueError:
            content = b""
        if hashlib.sha256(content).hexdigest() != sha256 or kind_of(content) is None:
            raise VehicleError(f"{where}, picture {sha256[:12]}…: the file shows another picture")
        shown[sha256] = content
    return shown


def picture_differences(book: StoryBook, report: Report, shown: Mapping[str, bytes]) -> list[str]:
    """Return the pictures that a file leaves out, or has more than the store gives it."""
    expected = report_pictures(book, report)
    places = {sha256: place for place, sha256 in _named(report)}
    return [
        f"picture {sha256[:12]}… of {places[sha256]}: the file does not show it"
        for sha256 in expected
        if sha256 not in shown
    ]


def _named(report: Report) -> list[tuple[str, str]]:
    """Return place and hash of every picture of the report, each once."""
    found: dict[str, str] = {}
    for finding in report.shop.work_order.findings:
        for sha256 in finding.photographs:
            found.setdefault(sha256, finding.place)
    return [(place, sha256) for sha256, place in found.items()]
