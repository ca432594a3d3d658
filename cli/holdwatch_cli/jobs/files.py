"""``holdwatch vehicle export`` and ``import``: the story as files."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING
from urllib.parse import quote

from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.running_service import at
from holdwatch_daemon.jobs import Form, export_text, stories_of, take

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_cli.jobs.desk import Desk


def run_export(desk: Desk, out: Path, *, vehicle: str | None, table: str) -> int:
    """Write a file; its suffix says which form.

    Raises:
        UserError: Another suffix, or a file that cannot be written.
        VehicleError: An unknown table.
    """
    stories = stories_of(desk.book, vehicle)
    text = export_text(stories, _form(out), table)
    try:
        out.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UserError(f"{out}: cannot be written: {error.strerror}") from error
    visits = sum(len(story.visits) for story in stories)
    content = {"file": str(out), "vehicles": len(stories), "visits": visits}
    return desk.answer(content, [f"Wrote {out}: {len(stories)} vehicles, {visits} visits."])


def run_import(desk: Desk, file: Path, *, table: str) -> int:
    """Take a file in, all of it or nothing.

    Raises:
        UserError: A file that cannot be read.
        VehicleError: A row that cannot be; names file and row.
    """
    form = _form(file)
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{file}: cannot be read: {error}") from error
    if desk.service is not None:
        kind = "text/csv" if form == "csv" else "application/json"
        path = f"{at('story')}?table={quote(table)}"
        told = json.loads(desk.service.ask("POST", path, text.encode(), kind))
        units, visits = told["vehicles"], told["visits"]
    else:
        units, visits = desk.book.write(
            lambda page: take(page, desk.tables, text, form, table, where=str(file))
        )
    content = {"file": str(file), "vehicles": units, "visits": visits}
    return desk.answer(content, [f"Took {units} vehicles and {visits} visits from {file}."])


def _form(file: Path) -> Form:
    if file.suffix == ".json":
        return "json"
    if file.suffix == ".csv":
        return "csv"
    raise UserError(f"{file}: name the file .json (everything) or .csv (one table)")
