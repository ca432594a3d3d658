"""Judging a recorded trace offline, with the very machine that judges live."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures.hold import EXTENDED, MARK_WORD, Hold

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.recipe import Recipe
    from holdwatch_procedures.verdict import Verdict


ROOM_PA = (30e3, 120e3)
"""What a barometer may read where people work: from the highest towns to the deepest mines, Pa."""


class Row(Protocol):
    """One line of a trace."""

    @property
    def t_ns(self) -> int:
        """Time since the trace's start, ns."""
        ...

    @property
    def channel(self) -> str:
        """Channel name; ``mark`` for a mark."""
        ...

    @property
    def quantity(self) -> Quantity | None:
        """What is measured; None for a mark."""
        ...

    @property
    def value(self) -> float:
        """Pa or K."""
        ...

    @property
    def quality(self) -> Quality:
        """How far it may be believed."""
        ...

    @property
    def word(self) -> str:
        """The mark's word; empty for a reading."""
        ...


class UnusableTraceError(ValueError):
    """A trace cannot be judged; the message says which line, why, and how to mend it."""


def judge(rows: Iterable[Row], recipe: Recipe, fluids: Fluids, *, version: str) -> Verdict:
    """Return the verdict on a trace.

    Rows after the verdict are not read.

    Raises:
        UnusableTraceError: A line is more than 2 s older than one before it, a channel measures
            what its role cannot be, or no line belongs to a pressure role of the recipe.
        RecipeError, FluidError: As :class:`Hold`.
    """
    hold = Hold(recipe, fluids, version=version)
    feed, mark, is_late = hold.feed, hold.mark, hold.is_late
    roles: dict[str, str | None] = {}
    pressures = 0
    for line, row in enumerate(rows, start=2):  # line 1 is the header
        if is_late(row.t_ns):
            raise UnusableTraceError(
                f"line {line}: {row.t_ns / 1e9:g} s is more than 2 s older than a line before "
                "it; sort the trace by time"
            )
        if row.quantity is None:
            _check_word(row.word, line, recipe)
            mark(row.t_ns, row.word)
        else:
            if row.channel not in roles:
                roles[row.channel] = _checked_role(row, line, recipe)
            role = roles[row.channel]
            if role is None:
                continue
            if role == Role.BAROMETER:
                _check_room(row.value, line)
            pressures += row.quantity is not Quantity.TEMPERATURE
            feed(row.t_ns, role, row.quantity, row.value, row.quality)
        if hold.verdict is not None:
            return hold.verdict
    if not pressures:
        names = ", ".join(sorted(roles)) or "none"
        raise UnusableTraceError(
            f"no channel of the trace has a pressure role (channels: {names}); name it vacuum, "
            'low_side or high_side, or give it a role under [channels."NAME"] of the recipe'
        )
    return hold.finish()


def _check_word(word: str, line: int, recipe: Recipe) -> None:
    """Refuse a mark that is not this procedure's: a slip of the pen must not move its clock."""
    own = MARK_WORD[recipe.procedure]
    if word != own and not word.startswith("note") and EXTENDED.fullmatch(word) is None:
        raise UnusableTraceError(
            f"line {line}: mark {word!r} means nothing to a {recipe.procedure}; write {own!r}, or "
            "'note' and a remark"
        )


def _check_room(pressure_pa: float, line: int) -> None:
    low, high = ROOM_PA
    if not low <= pressure_pa <= high:
        raise UnusableTraceError(
            f"line {line}: no room has {pressure_pa / 1e3:g} kPa; a barometer reads "
            f"{low / 1e3:g} to {high / 1e3:g} kPa absolute"
        )


def _checked_role(row: Row, line: int, recipe: Recipe) -> str | None:
    """The role that the row's channel plays, checked against what it measures."""
    name = recipe.role_name(row.channel)
    role = None if name is None else role_of(name)
    if role is None or row.quantity is None:
        return None
    measures_pressure = row.quantity is not Quantity.TEMPERATURE
    if role.is_pressure != measures_pressure:
        wanted = "a pressure" if role.is_pressure else "a temperature"
        raise UnusableTraceError(
            f"line {line}: channel {row.channel!r} has the role {name} and must carry "
            f"{wanted}; check its unit or its role"
        )
    return name
