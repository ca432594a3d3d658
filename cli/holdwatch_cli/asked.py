"""No more of the commands than a call needs: making the options of all takes longer than most."""

from __future__ import annotations

import copy
from typing import TYPE_CHECKING

from typer.main import get_command_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    import typer
    from typer.models import CommandInfo


def asked(app: typer.Typer, given: Sequence[str]) -> typer.Typer:
    """Return the app with the one command or group that the words name.

    Where they name none, its commands are there without their options, enough to list them.
    Words that name an unknown command get the whole app, whose error suggests a near one.
    """
    word = next((each for each in given if not each.startswith("-")), None)
    part = copy.copy(app)
    if word is None:
        part.registered_commands = [_listed(each) for each in app.registered_commands]
        part.registered_groups = [copy.copy(each) for each in app.registered_groups]
        for group in part.registered_groups:
            if group.typer_instance is not None:
                group.typer_instance = copy.copy(group.typer_instance)
                group.typer_instance.registered_commands = []
                group.typer_instance.registered_groups = []
        return part
    part.registered_commands = [each for each in app.registered_commands if _name(each) == word]
    part.registered_groups = [
        each
        for each in app.registered_groups
        if each.typer_instance is not None and each.typer_instance.info.name == word
    ]
    return part if part.registered_commands or part.registered_groups else app


def _name(command: CommandInfo) -> str:
    if command.name is not None or command.callback is None:
        return command.name or ""
    return get_command_name(command.callback.__name__)


def _listed(command: CommandInfo) -> CommandInfo:
    """Return a command that can be listed, by name and first sentence, but has no options."""
    listed = copy.copy(command)
    listed.name = _name(command)
    listed.help = command.help or getattr(command.callback, "__doc__", None)
    listed.callback = _nothing
    return listed


def _nothing() -> None:
    """Stand for a command that is only listed."""
