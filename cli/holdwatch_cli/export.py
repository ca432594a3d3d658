"""``holdwatch export``: a hold as a trace and a recipe that ``judge`` reads back."""

from __future__ import annotations

import json
import sys
from typing import TYPE_CHECKING

from holdwatch_cli.errors import UserError
from holdwatch_cli.terminal import say
from holdwatch_daemon.bays.export import export_hold, newest_hold

if TYPE_CHECKING:
    from pathlib import Path


def run_export(hold: str, *, data: Path, out: Path | None, as_json: bool) -> int:
    """Write or print a hold's trace and recipe; return the exit status."""
    database = data / "holdwatch.db"
    exported = export_hold(database, newest_hold(database) if hold == "latest" else hold)
    if as_json:
        text = exported.trace.decode()
        say(json.dumps({"hold": hold, "trace": text, "recipe": exported.recipe}))
        return 0
    if out is None:
        sys.stdout.buffer.write(exported.trace)
        sys.stdout.buffer.flush()
        return 0
    recipe = out.with_suffix(".toml")
    try:
        out.write_bytes(exported.trace)
        recipe.write_text(exported.recipe, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{error.filename}: cannot be written: {error.strerror}") from error
    say(f"Wrote {out} and {recipe}; read them back with:")
    say(f"  holdwatch judge {out} --recipe {recipe}")
    return 0
