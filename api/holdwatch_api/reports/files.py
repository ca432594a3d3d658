"""A report as a file in each of its forms, and read back from one."""

from __future__ import annotations

import base64
import logging
from typing import TYPE_CHECKING, Final, Literal

from holdwatch_api.reports.page import read_html, read_json, report_html
from holdwatch_api.reports.pictures import (
    Pictures,
    picture_differences,
    report_pictures,
    shown_pictures,
)
from holdwatch_daemon.report import against_store, make_report, note_file, noted_file
from holdwatch_daemon.version import version
from holdwatch_procedures.vehicles import RefusedError, VehicleError

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import date

    from holdwatch_daemon.jobs import Page, StoryDesk
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.vehicles import Report

Form = Literal["html", "json", "pdf"]
FORMS: Final[tuple[Form, ...]] = ("html", "json", "pdf")


def write_report(
    desk: StoryDesk, visit: str, forms: tuple[Form, ...], *, made_on: date
) -> tuple[Report, list[bytes]]:
    """Return a visit's report with a file of each form, noted so that each is known again.

    Raises:
        VehicleError: No such visit, rows that the tables do not know, or a PDF that cannot be made
            here.
    """
    report = make_report(desk.book, visit, desk.tables, made_on=made_on, version=version())
    pictures = report_pictures(desk.book, report)
    contents = [_content(report, form, pictures) for form in forms]

    def note(page: Page) -> None:
        for form, content in zip(forms, contents, strict=True):
            note_file(page, report, form, content)

    desk.book.write(note)
    return report, contents


def verify_file(
    desk: StoryDesk, content: bytes, fluids: Callable[[], Fluids], *, where: str
) -> tuple[Report | None, list[str]]:
    """Return the report in a file, and every place at which file and store differ.

    The report is None where the file carries none, or was changed.
    """
    try:
        report = _read(desk, content, where=where)
    except VehicleError as error:
        return None, [str(error)]
    told = against_store(desk.book, report, desk.tables, fluids)
    if _is_html(content):
        shown = shown_pictures(content.decode("utf-8"), where=where)
        told += picture_differences(desk.book, report, shown)
    return report, told


def _is_html(content: bytes) -> bool:
    return content.lstrip()[:1] == b"<"


def _read(desk: StoryDesk, content: bytes, *, where: str) -> Report:
    """Return the report in a file; one that was handed out is known by the file's own hash.

    Raises:
        VehicleError: It carries no report, or was changed.
    """
    noted = noted_file(desk.book, content)
    if noted is not None:
        return read_json(noted, where=f"{where}, as noted when it was made")
    if content.startswith(b"%PDF"):
        raise VehicleError(
            f"{where}: no PDF with these bytes was made from this store: it was changed, or is of "
            "another shop"
        )
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        raise VehicleError(f"{where}: this is no report of holdwatch: {error}") from error
    if text.lstrip().startswith("{"):
        return read_json(text, where=where)
    return read_html(text, where=where)


def _content(report: Report, form: Form, pictures: Pictures) -> bytes:
    if form == "json":
        return (report.to_json() + "\n").encode()
    page = report_html(report, pictures)
    return _pdf(page, report) if form == "pdf" else page.encode()


def _pdf(page: str, report: Report) -> bytes:
    """Return the page as PDF, with the report's JSON attached to it.

    Raises:
        VehicleError: WeasyPrint or its system libraries are missing.
    """
    for name in ("weasyprint", "weasyprint.progress", "fontTools"):
        logging.getLogger(name).setLevel(logging.ERROR)  # they tell every step
    try:
        from weasyprint import HTML  # noqa: PLC0415 - an extra that few need
    except ImportError as error:
        raise RefusedError(
            "a PDF needs WeasyPrint, which is not installed: pip install 'holdwatch[pdf]', or "
            "write .html and print it from a browser"
        ) from error
    except OSError as error:
        raise RefusedError(
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
