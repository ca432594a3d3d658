"""A page of the manual whose table a benchmark writes, between two marks."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def write_table(page: Path, marks: tuple[str, str], table: str) -> None:
    """Put a table between a page's marks, in place of the one that stands there."""
    before, _, rest = page.read_text(encoding="utf-8").partition(marks[0])
    after = rest.partition(marks[1])[2]
    text = f"{before}{marks[0]}\n\n{table}\n\n{marks[1]}{after}"
    page.write_text(text, encoding="utf-8")
