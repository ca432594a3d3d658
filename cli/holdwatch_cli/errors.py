"""Turning what a user can mend into one sentence on standard error."""

from __future__ import annotations

import sys

EXIT_UNUSABLE = 3
"""Exit status for input that cannot be used: a file, a figure, an option."""


class UserError(Exception):
    """Something the user can mend; the message says what, where and how."""


def is_users(error: BaseException) -> bool:
    """Whether an error is one that the message alone explains.

    Errors of the rooms below are told by their module, so that none of them need be imported
    for the commands that do not use it.
    """
    known = {"RecipeError", "UnusableTraceError", "TraceError", "UnitError", "FluidError"}
    known |= {"LeakError", "HoldwatchError", "AdapterError", "ServeError", "VehicleError"}
    names = {
        kind.__name__ for kind in type(error).__mro__ if kind.__module__.startswith("holdwatch")
    }
    return isinstance(error, UserError) or bool(names & known)


def tell(error: BaseException | str) -> None:
    """Print the error in one place, in one form."""
    mend = getattr(error, "at_terminal", "")
    more = f" ({mend})" if mend else ""
    print(f"holdwatch: {error}{more}", file=sys.stderr)  # noqa: T201 (this is the terminal's edge)
