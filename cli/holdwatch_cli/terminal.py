"""Printing: the one place where a command talks to its user."""

from __future__ import annotations


def say(line: str) -> None:
    """Print a line at once, also into a pipe."""
    print(line, flush=True)  # noqa: T201 (the terminal's edge)
