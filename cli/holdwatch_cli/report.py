"""``holdwatch report``: a visit's report as files, and the check of one against the store."""

from __future__ import annotations

import base64
import logging
from pathlib import Path
from typing import TYPE_CHECKING, Final

from holdwatch_api.report_page import read_html, read_json, report_html
from holdwatch_cli.errors import UserError
from holdwatch_cli.terminal import say
from holdwatch_daemon.story_report import against_store, make_report, note_file, noted_file
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.story.rows import StoryError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from holdwatch_cli.story_desk import Desk
    from holdwatch_procedures.story.report_model import Report

CHANGED: Final = 1
"""Exit status of a file that differs from the store, or was changed."""
_KINDS: Final = (".html", ".json", ".pdf")


def run_report(desk: Desk, visit: str | None, out: Sequence[Path], *, made_on: date) -> int:
    """Write a visit's report into files; return the exit status.

    Raises:
        UserError: No visit named, a suffix or a file that cannot be used.
        StoryError: No such visit.
    """
    if visit is None:
        raise UserError("name the visit (holdwatch report 2026-0001), or a file with --verify")
    wrong = [path for path in out if path.suffix not in _KINDS]
    if wrong:
        raise UserError(f"{wrong[0]}: name the file .html, .json or .pdf")
    report = make_report(desk.book, visit, desk.tables, made_on=made_on, version=version())
    if desk.as_json and not out:
        say(report.to_json())
        return 0
    files = list(out) or [Path(f"report-{report.shop.work_order.number}.html")]
    contents = [(path, _content(report, path.suffix)) for path in files]
    for path, content in contents:
        try:
            path.write_bytes(content)
        except OSError as error:
            raise UserError(f"{path}: cannot be written: {error.strerror}") from error
    with desk.book.writing() as page:
        for path, content in contents:
            note_file(page, report, path.suffix.removeprefix("."), content)
    told = {"files": [str(path) for path in files], "content_sha256": report.content_sha256}
    text = [f"Wrote {path}" for path in files]
    return desk.answer(told, [*text, f"Content SHA-256 {report.content_sha256}"])


def run_verify(desk: Desk, file: Path) -> int:
    """Check a report's file against the store; return 0, or 1 where anything was changed.

    Raises:
        UserError: The file cannot be read.
    """
    try:
        content = file.read_bytes()
    except OSError as error:
        raise UserError(f"{file}: cannot be read: {error.strerror}") from error
    try:
        report = _read(desk, file, content)
    except StoryError as error:
        return _verdict(desk, file, None, [str(error)])
    found = against_store(desk.book, report, desk.tables, Fluids.load)
    return _verdict(desk, file, report, found)


def _verdict(desk: Desk, file: Path, report: Report | None, changed: Sequence[str]) -> int:
    sha256 = None if report is None else report.content_sha256
    content = {"file": str(file), "agrees": not changed, "sha256": sha256, "changed": [*changed]}
    if not changed and report is not None:
        holds = len(report.shop.work_order.holds)
        desk.answer(
            content,
            [f"{file}: unchanged, and the store agrees: {holds} holds with readings and verdicts."],
        )
        return 0
    desk.answer(content, [f"{file}: NOT as the store has it:", *(f"- {one}" for one in changed)])
    return CHANGED


def _read(desk: Desk, file: Path, content: bytes) -> Report:
    """Return the report in a file; one that was handed out is known by the file's own hash.

    Raises:
        StoryError: It carries no report, or was changed.
    """
    noted = noted_file(desk.book, content)
    if noted is not None:
        return read_json(noted, where=f"{file}, as noted when it was made")
    if content.startswith(b"%PDF"):
        raise StoryError(
            f"{file}: no PDF with these bytes was made from this store: it was changed, or is of "
            "another shop"
        )
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise StoryError(f"{file}: this is no report of holdwatch: {error}") from error
    if text.lstrip().startswith("{"):
        return read_json(text, where=str(file))
    return read_html(text, where=str(file))


def _content(report: Report, suffix: str) -> bytes:
    if suffix == ".json":
        return (report.to_json() + "\n").encode()
    page = report_html(report)
    return _pdf(page, report) if suffix == ".pdf" else page.encode()


def _pdf(page: str, report: Report) -> bytes:
    """Return the page as PDF, with the report's JSON attached to it.

    Raises:
        UserError: WeasyPrint or its system libraries are missing.
    """
    for name in ("weasyprint", "weasyprint.progress", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)  # they tell every step
    try:
        from weasyprint import HTML  # noqa: PLC0415 - an extra that few need
    except ImportError as error:
        raise UserError(
            "a PDF needs WeasyPrint, which is not installed: pip install 'holdwatch[pdf]', or "
            "write .html and print it from a browser"
        ) from error
    except OSError as error:
        raise UserError(
            f"WeasyPrint lacks a library of the system ({str(error).splitlines()[0]}): install "
            "Pango (Debian: apt install libpango-1.0-0 libpangoft2-1.0-0), or write .html and "
            "print it from a browser"
        ) from error
    data = base64.b64encode(report.to_json().encode()).decode()
    attached = (
        f'<link rel="attachment" title="report.json" href="data:application/json;base64,{data}">'
    )
    made = HTML(string=page.replace("</head>", f"{attached}</head>", 1)).write_pdf()
    return bytes(made)
