"""Options that the commands of the story share; light, so that --help is fast."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Data = Annotated[Path, typer.Option(help="Folder of the SQLite file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Day = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="Day, as 2026-05-04; today if left out.")
]
FOLDER = Path("holdwatch-data")
