"""``holdwatch report``: a visit's report as files, and the check of one against the store."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from holdwatch_api.reports import FORMS, Form, verify_file, write_report
from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.desk import day_of, desk
from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.report import make_report
from holdwatch_daemon.version import version
from holdwatch_physics.fluids import Fluids

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_procedures.vehicles import Report

CHANGED: Final = 1
"""Exit status of a file that differs from the store, or was changed."""


def run_report(desk: Desk, visit: str | None, out: Sequence[Path], *, made_on: date) -> int:
    """Write a visit's report into files; return the exit status.

    Raises:
        UserError: No visit named, a suffix or a file that cannot be used.
        VehicleError: No such visit.
    """
    if visit is None:
        raise UserError("name the visit (holdwatch report 2026-0001), or a file with --verify")
    forms = tuple(_form(path) for path in out)
    if desk.as_json and not out:
        report = make_report(desk.book, visit, desk.tables, made_on=made_on, version=version())
        say(report.to_json())
        return 0
    forms = forms or ("html",)
    if desk.service is not None:
        report = make_report(desk.book, visit, desk.tables, made_on=made_on, version=version())
        contents = [desk.service.report(visit, form, made_on) for form in forms]
    else:
        report, contents = write_report(desk, visit, forms, made_on=made_on)
    files = list(out) or [Path(f"report-{report.shop.work_order.number}.html")]
    for path, content in zip(files, contents, strict=True):
        try:
            path.write_bytes(content)
        except OSError as error:
            raise UserError(f"{path}: cannot be written: {error.strerror}") from error
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
    report, changed = verify_file(desk, content, Fluids.load, where=str(file))
    return _verdict(desk, file, report, changed)


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


def _form(path: Path) -> Form:
    for form in FORMS:
        if path.suffix == f".{form}":
            return form
    raise UserError(f"{path}: name the file .html, .json or .pdf")


def report(
    visit: Annotated[
        str | None, typer.Argument(help="Number of the visit, or a vehicle with one open visit.")
    ] = None,
    out: Annotated[
        list[Path] | None, typer.Option(help="File: .html, .json or .pdf. Again for more.")
    ] = None,
    verify: Annotated[
        Path | None, typer.Option(help="Check a report's file against the store instead.")
    ] = None,
    on: Annotated[str | None, typer.Option(help="Day of the report, as 2026-05-04.")] = None,
    data: Annotated[Path, typer.Option(help="Folder of the SQLite file.")] = Path("holdwatch-data"),
    json: Json = False,
) -> None:
    """Write a visit's report, for customer and shop, or verify one.

    With --verify the exit status is 0 where file and store agree, 1 where something was changed,
    and every changed place is named.

    Example: holdwatch report 2026-0001 --out report.html --out report.pdf

    Then: holdwatch report --verify report.html
    """
    at = desk(data, as_json=json)
    if verify is not None:
        raise typer.Exit(run_verify(at, verify))
    raise typer.Exit(run_report(at, visit, out or [], made_on=day_of(on)))
