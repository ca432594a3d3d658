"""Log lines as systemd's journal takes them: each with its priority, without a second time."""

from __future__ import annotations

import logging
import os
from typing import TYPE_CHECKING, TextIO

if TYPE_CHECKING:
    from collections.abc import Mapping

PLAIN = "%(asctime)s %(levelname)s %(name)s: %(message)s"
# sd-daemon(3): critical 2, error 3, warning 4, informational 6, debug 7.
_PRIORITIES = (
    (logging.CRITICAL, 2),
    (logging.ERROR, 3),
    (logging.WARNING, 4),
    (logging.INFO, 6),
)


class JournalFormatter(logging.Formatter):
    """Puts a record's priority in front of each of its lines; the journal knows the time."""

    def __init__(self) -> None:
        super().__init__("%(levelname)s %(name)s: %(message)s")

    def format(self, record: logging.LogRecord) -> str:
        """Return the record's lines, each with its mark."""
        priority = next((number for level, number in _PRIORITIES if record.levelno >= level), 7)
        return "\n".join(f"<{priority}>{line}" for line in super().format(record).splitlines())


def formatter_for(stream: TextIO, environment: Mapping[str, str]) -> logging.Formatter:
    """Return the formatter for a stream: the journal's where systemd reads it, else a plain one.

    Args:
        stream: Where log lines go.
        environment: ``JOURNAL_STREAM`` names device and inode of what goes to the journal.
    """
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return logging.Formatter(PLAIN)
    if environment.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}":
        return JournalFormatter()
    return logging.Formatter(PLAIN)
