"""Log lines under systemd: the journal can tell warnings from the rest."""

from __future__ import annotations

import io
import logging
import os
from typing import TYPE_CHECKING

from holdwatch_cli.journal import JournalFormatter, formatter_for

if TYPE_CHECKING:
    from pathlib import Path


def record(level: int, text: str) -> logging.LogRecord:
    return logging.LogRecord("holdwatch_daemon.outlets.mqtt", level, "", 0, text, None, None)


def test_each_line_of_a_record_has_its_priority() -> None:
    # sd-daemon(3) and syslog(3): 2 critical, 3 error, 4 warning, 6 informational, 7 debug.
    lines = JournalFormatter()
    assert lines.format(record(logging.WARNING, "no TLS")) == (
        "<4>WARNING holdwatch_daemon.outlets.mqtt: no TLS"
    )
    for level, mark in ((50, "<2>"), (40, "<3>"), (35, "<4>"), (20, "<6>"), (10, "<7>")):
        assert lines.format(record(level, "x")).startswith(mark)
    both = lines.format(record(logging.ERROR, "first\nsecond")).splitlines()
    assert both == ["<3>ERROR holdwatch_daemon.outlets.mqtt: first", "<3>second"]


def test_only_the_stream_that_systemd_reads_is_written_so(tmp_path: Path) -> None:
    with (tmp_path / "log").open("w") as stream:
        status = os.fstat(stream.fileno())
        ours = {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino}"}
        assert isinstance(formatter_for(stream, ours), JournalFormatter)
        other = {"JOURNAL_STREAM": f"{status.st_dev}:{status.st_ino + 1}"}
        for environment in (other, {}):
            plain = formatter_for(stream, environment).format(record(logging.WARNING, "no TLS"))
            assert plain.endswith(" WARNING holdwatch_daemon.outlets.mqtt: no TLS")
    assert not isinstance(formatter_for(io.StringIO(), ours), JournalFormatter)
