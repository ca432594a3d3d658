"""Options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

Data = Annotated[Path, typer.Option(help="Folder of the SQLite file.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of text.")]
Day = Annotated[
    str | None, typer.Option("--on", metavar="DATE", help="Day, as 2026-05-04; today if left out.")
]
Port = Annotated[
    int | None, typer.Option(min=0, max=65535, help="Port of the bay screen; 0 takes a free one.")
]
Config = Annotated[Path | None, typer.Option(help="Configuration, TOML (docs/shop.example.toml).")]
FOLDER = Path("holdwatch-data")
