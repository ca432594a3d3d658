"""Every speed goal, measured, with the machine's raw limits beside them.

Run it on a machine that does nothing else: ``python -m benchmarks run performance [--only NAME …]
[--write]``. With ``--write`` the table of docs/performance.md is made anew. It takes some ten
minutes; the longest is the month's history.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from page_table import write_table
from performance_serve import feed_share, idle_share, longest_stand_ms
from performance_traces import DECAY_10_H, MILLION, write_hold

if TYPE_CHECKING:
    from collections.abc import Callable

HERE: Final = Path(__file__).parent
PAGE: Final = HERE.parent / "docs" / "performance.md"
MARKS: Final = ("<!-- table: benchmarks/performance.py -->", "<!-- end of table -->")
EXIT_VERDICTS: Final = (0, 1, 2)


@dataclass(frozen=True, slots=True)
class Line:
    """One goal, what was measured, and what this machine needs for the bare minimum of it."""

    what: str
    goal: str
    measured: str
    limit: str = ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", nargs="*", choices=sorted(PARTS), help="only these parts")
    parser.add_argument("--write", action="store_true", help="into docs/performance.md")
    options = parser.parse_args()
    lines: list[Line] = []
    for name in options.only or PARTS:
        print(f"{name} …", file=sys.stderr, flush=True)
        with tempfile.TemporaryDirectory() as folder:
            lines += PARTS[name](Path(folder))
    made = table(lines)
    print(made)
    if options.write:
        write_table(PAGE, MARKS, made)


def table(lines: list[Line]) -> str:
    """Return the lines as a table in Markdown, and the machine below it."""
    rows = [f"| {each.what} | {each.goal} | {each.measured} | {each.limit} |" for each in lines]
    head = ["| | goal | measured | raw limit beside it |", "| --- | --- | --- | --- |"]
    return "\n".join([*head, *rows, "", _machine()])


def _machine() -> str:
    load = os.getloadavg()[0]
    return (
        f"Measured with Python {platform.python_version()} and SQLite {sqlite3.sqlite_version} on "
        f"{os.cpu_count()} cores, load {load:.1f} at the end. `python -c pass` takes "
        f"{_wall_ms(['-c', 'pass']):.0f} ms, ten million rounds of an empty loop "
        f"{_loop_ms():.0f} ms, an fsync {_fsync_ms():.1f} ms."
    )


def _wall_ms(words: list[str], rounds: int = 7) -> float:
    """Return how long a Python program takes, ms: the median."""
    times = []
    for _ in range(rounds):
        began = time.perf_counter()
        subprocess.run([sys.executable, *words], check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began)
    return statistics.median(times) * 1e3


def _loop_ms() -> float:
    began = time.perf_counter()
    for _ in range(10_000_000):
        pass
    return (time.perf_counter() - began) * 1e3


def _fsync_ms() -> float:
    times = []
    with tempfile.NamedTemporaryFile(dir=Path.cwd()) as file:
        for _ in range(20):
            file.write(b"x" * 4096)
            file.flush()
            began = time.perf_counter()
            os.fsync(file.fileno())
            times.append(time.perf_counter() - began)
    return statistics.median(times) * 1e3


# -- parts --------------------------------------------------------------------------------------


def help_text(_folder: Path) -> list[Line]:
    took = _wall_ms(["-m", "holdwatch_cli", "--help"])
    bare = _wall_ms(["-c", "import typer"])
    return [
        Line("`holdwatch --help`", "< 250 ms", f"{took:.0f} ms", f"`import typer` {bare:.0f} ms")
    ]


def judge(folder: Path) -> list[Line]:
    lines = []
    for hold, goal in ((DECAY_10_H, "< 5 s"), (MILLION, "< 10 s")):
        trace, recipe = folder / f"{hold.name}.csv", folder / f"{hold.name}.toml"
        readings = write_hold(hold, trace, recipe)
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "holdwatch_cli", "judge", trace, "--recipe", recipe, "--json"],
            check=False,
            capture_output=True,
        )
        took = time.perf_counter() - began
        if done.returncode not in EXIT_VERDICTS:
            raise RuntimeError(done.stderr.decode())
        bare = _wall_ms(["-c", _READ_CSV, str(trace)], rounds=3) / 1e3
        measured = f"{took:.1f} s, {readings / took:,.0f} readings/s"
        what = f"`judge`, {hold.hours:g} h of {len(hold.channels)} channels, {readings:,} readings"
        lines.append(Line(what, goal, measured, f"csv module and float alone {bare:.1f} s"))
    return lines


_READ_CSV: Final = (
    "import csv, sys\n"
    "with open(sys.argv[1], newline='') as file:\n"
    "    rows = csv.reader(file)\n"
    "    next(rows)\n"
    "    for time, _, value, _ in rows:\n"
    "        float(time), value[:1].isdigit() and float(value)\n"
)


def serve(folder: Path) -> list[Line]:
    import walk  # noqa: PLC0415 - each part brings its own libraries

    memory_mb, first_s = walk.idle(folder)
    bare = _wall_ms(["-c", "import numpy, pydantic"]) / 1e3
    stand_ms = longest_stand_ms(folder)
    share = idle_share(folder)
    return [
        Line(
            "`serve` to its first reading",
            "< 2 s",
            f"{first_s:.2f} s",
            f"`import numpy, pydantic` {bare:.2f} s",
        ),
        Line("longest stand of the event loop at the start", "< 100 ms", f"{stand_ms:.0f} ms"),
        Line("memory of an idle `serve`, 12 bays", "< 250 MB", f"{memory_mb:.0f} MB"),
        Line(
            "CPU of `serve`, 12 bays, 48 channels at 4 Hz, no hold",
            "< 3 % of a core",
            f"{share * 100:.1f} %",
            f"the benchmark's own readings, in a loop that does nothing else "
            f"{feed_share() * 100:.1f} %",
        ),
    ]


def whole_walk(folder: Path) -> list[Line]:
    found = _output(["walk.py"], folder)
    rate = _find(r"whole walk.*?([\d,]+) readings/s", found)
    raw = _find(r"sqlite3 alone.*?([\d,]+) rows/s", found)
    ratio = _find(r"ratio +([\d.]+)", found)
    return [
        Line(
            "decode → bus → 50 bays' holds → SQLite",
            "30,000 readings/s, 0.25 of sqlite3 alone",
            f"{rate} readings/s, {ratio} of sqlite3 alone",
            f"sqlite3 alone {raw} rows/s",
        )
    ]


def latency(folder: Path) -> list[Line]:
    os.sync()  # what the parts before have left to the disk would be waited for
    found = _output(["verdict_latency.py"], folder)
    return [
        Line(
            f"{what}, 1,000 readings/s",
            goal,
            " ".join(_find(rf"{what} +(median.*)", found).split()),
        )
        for what, goal in (("reading to decision", ""), ("reading to message", "p99 < 50 ms"))
    ]


def history(folder: Path) -> list[Line]:
    found = _output(["history_month.py"], folder)
    return [
        Line(
            f"history of {span} out of a month, 20.7 million readings",
            "< 300 ms",
            f"{http} ms over HTTP",
            f"query alone {query} ms",
        )
        for span, query, http in re.findall(
            r"^ *([\w ]+): width .*query +([\d.]+) ms .*HTTP +([\d.]+) ms", found, re.MULTILINE
        )
    ]


def screens(folder: Path) -> list[Line]:
    found = _output(["screen_load.py"], folder)
    return [
        Line(f"screens: {what}", "", " ".join(measured.split()))
        for what, measured in re.findall(r"^(\S.*?)  +(\S.*)$", found, re.MULTILINE)
        if not what.startswith("load")
    ]


def _output(words: list[str], folder: Path) -> str:
    """Run another benchmark and return what it prints; nothing where it is not there."""
    if not (HERE / words[0]).exists():
        return ""
    done = subprocess.run(
        [sys.executable, str(HERE / words[0]), *words[1:]],
        check=False,
        capture_output=True,
        text=True,
        env=os.environ | {"TMPDIR": str(folder)},
    )
    if done.returncode != 0:
        print(f"{words[0]} failed:\n{done.stderr}", file=sys.stderr)
    return done.stdout


def _find(pattern: str, text: str) -> str:
    found = re.search(pattern, text)
    return found[1] if found else "not measured"


PARTS: Final[dict[str, Callable[[Path], list[Line]]]] = {
    "help": help_text,
    "judge": judge,
    "serve": serve,
    "walk": whole_walk,
    "latency": latency,
    "history": history,
    "screens": screens,
}

if __name__ == "__main__":
    main()
