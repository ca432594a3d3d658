"""How the terminal shows bays: a panel each, its sentence, its figures, and the hold's progress."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from rich.console import Group
from rich.panel import Panel
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

_WORD = {"pass": ("✔ PASS", "bold green"), "fail": ("✘ FAIL", "bold red")}
_OPEN = ("? INCONCLUSIVE", "bold magenta")


@dataclass(slots=True)
class Seen:
    """What the stream has told so far.

    Attributes:
        states: Bay name → its newest state message.
        lives: Bay name → its newest live message.
        lost: Since when there is no connection; None while there is one.
    """

    states: dict[str, dict[str, Any]] = field(default_factory=dict)
    lives: dict[str, dict[str, Any]] = field(default_factory=dict)
    lost: str | None = None

    def take(self, name: str, content: dict[str, Any]) -> None:
        """Take a message of the live stream."""
        if name == "state":
            self.states[content["bay"]] = content
        elif name == "live":
            self.lives[content["bay"]] = content


def view(seen: Seen) -> Group:
    """Return everything that is shown."""
    parts: list[Any] = []
    if seen.lost is not None:
        told = f"No connection since {seen.lost}: all below is from then. Trying again."
        parts.append(Text(told, style="bold black on yellow"))
    if not seen.states:
        parts.append(Text("Waiting for the service."))
    parts += [_bay(state, seen.lives.get(name)) for name, state in seen.states.items()]
    return Group(*parts)


def _bay(state: dict[str, Any], live: dict[str, Any] | None) -> Panel:
    hold = state["hold"]
    parts: list[Any] = [
        Text(f"ALARM  {alarm['text']}", style="bold black on yellow") for alarm in state["alarms"]
    ]
    if hold is not None and hold["outcome"] is not None:
        word, style = _WORD.get(hold["outcome"], _OPEN)
        parts.append(Text(word, style=style))
    parts.append(Text(state["sentence"]))
    if live is not None:
        parts.append(_figures(live))
    if hold is not None and hold["outcome"] is None:
        parts.append(_progress(hold))
    title = ", ".join(
        part for part in (state["label"], state["unit"], state["refrigerant"]) if part
    )
    return Panel(Group(*parts), title=Text(title), title_align="left")


def _figures(live: dict[str, Any]) -> Table:
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    table.add_column()
    table.add_column(justify="right")
    table.add_column()
    table.add_column()
    for value in live["values"]:
        doubt = "" if value["quality"] == "good" else value["quality"].upper()
        shown = value["shown"]
        role = value["role"].replace("_", " ")
        table.add_row(role, Text(shown["text"], style="bold"), shown["unit"], doubt)
    for difference in live["differences"]:
        shown = difference["shown"]
        table.add_row(difference["kind"], Text(shown["text"], style="bold"), shown["unit"], "")
    return table


def _progress(hold: dict[str, Any]) -> Table:
    """The hold's time as a bar: from its beginning to its latest end."""
    elapsed, latest = hold["elapsed_s"], max(hold["latest_end_s"], 1.0)
    table = Table(box=None, show_header=False, padding=(0, 2, 0, 0))
    bar = ProgressBar(total=latest, completed=min(elapsed, latest), width=40)
    left = max(latest - elapsed, 0.0) / 60.0
    told = f"{hold['phase']}, {elapsed / 60.0:.0f} min, at most {left:.0f} min more"
    table.add_row(bar, told)
    visible = hold["smallest_visible_g_per_year"]
    seen = "" if visible is None else f"; visible by now {visible:.3g} g a year"
    table.add_row("", f"limit {hold['criterion_text']}{seen}")
    return table
