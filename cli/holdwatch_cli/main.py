"""The command line: which commands there are, each loaded when it is called."""

from __future__ import annotations

import logging
import os
import sys
from difflib import get_close_matches
from importlib import import_module
from typing import TYPE_CHECKING, Annotated, Any, Final, NamedTuple

import typer
from typer.core import TyperGroup
from typer.main import get_command

from holdwatch_cli.errors import EXIT_UNUSABLE, is_users, tell
from holdwatch_cli.journal import formatter_for

if TYPE_CHECKING:
    # typer carries a copy of click inside itself
    from typer._click.core import Command, Context
    from typer._click.formatting import HelpFormatter


class Entry(NamedTuple):
    """Where a command lives, as module and name, and its line in the list of commands."""

    module: str
    name: str
    help: str


COMMANDS: Final = {
    "demo": Entry("demo.command", "demo", "Run two simulated bays to their verdicts."),
    "serve": Entry("serve", "serve", "Watch the configured probes and bays until stopped."),
    "scan": Entry("scan", "scan", "List the probes in the air and their values."),
    "enrol": Entry("enrol.command", "enrol", "Enrol a probe: name, key, figures, role in a bay."),
    "check": Entry("check.command", "check", "Say what is missing on this machine."),
    "judge": Entry("judge", "judge", "Judge a recorded trace."),
    "plan": Entry("plan", "plan", "Say how long a hold must last, or what a time can see."),
    "balance": Entry("jobs.balance", "balance", "Say what a unit loses a year, by weights."),
    "vehicle": Entry("jobs.vehicle_commands", "app", "Vehicles and what their visits say."),
    "job": Entry("jobs.job", "app", "Jobs, a vehicle's stays: weighed, held, found and done."),
    "report": Entry("jobs.report", "report", "Write a visit's report, or verify one."),
    "watch": Entry("watch", "watch", "Follow live values and holds in the terminal."),
    "export": Entry("export", "export", "Write a hold's readings as a trace."),
    "backup": Entry("backup", "backup", "Copy the store, also while the service runs."),
    "restore": Entry("backup", "restore", "Check a backup and put it into a data folder."),
    "salvage": Entry("backup", "salvage", "Recover what can be read of a damaged database."),
    "token": Entry("token", "app", "Tokens: who may watch and who may operate."),
    "fleet": Entry("fleet_commands", "app", "A chain of shops in one PostgreSQL database."),
}

ALIASES: Final = {"visit": "job"}
"""Older names of commands: they work, and are not listed."""


class LazyGroup(TyperGroup):
    """The commands of ``COMMANDS``; a command's module is imported when it is called."""

    def list_commands(self, ctx: Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Return the names, in the order of their list."""
        return list(COMMANDS)

    def get_command(self, ctx: Context, cmd_name: str) -> Command | None:  # noqa: ARG002
        """Import a command and return it; None for an unknown name."""
        entry = COMMANDS.get(ALIASES.get(cmd_name, cmd_name))
        if entry is None:
            return None
        found = getattr(import_module(f"holdwatch_cli.{entry.module}"), entry.name)
        if not isinstance(found, typer.Typer):
            single = typer.Typer(add_completion=False)
            single.command()(found)
            found = single
        found.rich_markup_mode = None  # its rendering takes longer to load than the rest
        return get_command(found)

    def resolve_command(
        self, ctx: Context, args: list[str]
    ) -> tuple[str | None, Command | None, list[str]]:
        """Find the command that the words name; an unknown one is told with those near it."""
        word = args[0]
        if word not in COMMANDS and word not in ALIASES and not word.startswith("-"):
            near = " or ".join(repr(name) for name in get_close_matches(word, COMMANDS))
            ctx.fail(f"No such command {word!r}." + (f" Did you mean {near}?" if near else ""))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: Context, formatter: HelpFormatter) -> None:  # noqa: ARG002
        """Write the list of commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, entry.help) for name, entry in COMMANDS.items()])


app = typer.Typer(
    name="holdwatch",
    cls=LazyGroup,
    help="Watches vacuum and nitrogen holds on air-conditioning systems, and gives verdicts.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


@app.callback()
def options(
    debug: Annotated[bool, typer.Option("--debug", help="Show tracebacks and more log.")] = False,
) -> None:
    """Options that stand before the command."""
    lines = logging.StreamHandler(sys.stderr)
    lines.setFormatter(formatter_for(sys.stderr, os.environ))
    logging.basicConfig(level=logging.DEBUG if debug else logging.INFO, handlers=[lines])
    if not debug:
        # It warns that a program is missing which nothing here needs.
        logging.getLogger("bleak.backends.bluezdbus.version").setLevel(logging.ERROR)
    logging.captureWarnings(True)


def main(arguments: list[str] | None = None) -> None:
    """Run a command and leave with its exit status; errors a user can mend are one sentence."""
    given = (sys.argv[1:] if arguments is None else arguments) or ["--help"]
    try:
        status: Any = app(args=given, prog_name="holdwatch", standalone_mode=False)
    except typer.Abort:
        raise SystemExit(130) from None
    except Exception as error:
        usage = getattr(error, "format_message", None)  # an error in the options themselves
        if usage is not None and usage().startswith("Usage:"):
            sys.stderr.write(f"{usage()}\n")  # a group of commands without one of them
        elif usage is not None:
            tell(f"{usage()} (holdwatch {given[0]} --help shows the options)")
        elif is_users(error) and "--debug" not in given:
            tell(error)
        else:
            raise
        raise SystemExit(EXIT_UNUSABLE) from None
    raise SystemExit(status if isinstance(status, int) else 0)
