"""Judging a recorded trace offline, with the very machine that judges live."""

from __future__ import annotations

from itertools import accumulate
from operator import sub
from typing import TYPE_CHECKING, Protocol

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures.hold import Hold
from holdwatch_procedures.marks import EXTENDED, MARK_WORD
from holdwatch_procedures.sequence import WAIT_NS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.recipe import Recipe
    from holdwatch_procedures.verdict import Verdict


ROOM_PA = (30e3, 120e3)
"""What a barometer may read where people work: from the highest towns to the deepest mines, Pa."""


BATCH = 1024
"""Rows that are put before the hold at a time; what comes of them does not depend on it."""


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
    court = _Court(recipe, Hold(recipe, fluids, version=version))
    line = 2  # line 1 is the header
    for batch in _batches(rows):
        court.hear(batch, line)
        if court.hold.verdict is not None:
            return court.hold.verdict
        line += len(batch)
    court.check_pressure()
    return court.hold.finish()


def _batches(rows: Iterable[Row]) -> Iterator[list[Row]]:
    """Gather rows; those before one that cannot be read come before its error."""
    batch: list[Row] = []
    try:
        for row in rows:
            batch.append(row)
            if len(batch) == BATCH:
                yield batch
                batch = []
    except Exception:
        yield batch
        raise
    yield batch


class _Court:
    """Puts a trace's rows before a hold, and refuses those that cannot be judged."""

    def __init__(self, recipe: Recipe, hold: Hold) -> None:
        self.hold = hold
        self._recipe = recipe
        self._roles: dict[str, str | None] = {}
        self._barometers: set[str] = set()
        self._pressure = False

    def hear(self, rows: list[Row], line: int) -> None:
        """Take rows, the first of which stands in the given line; stop at a verdict."""
        if not rows:
            return
        if self._is_plain(rows):
            self._feed(rows)
            return
        for number, row in enumerate(rows, start=line):
            self._hear_one(row, number)
            if self.hold.verdict is not None:
                return

    def _is_plain(self, rows: list[Row]) -> bool:
        """Whether none of the rows needs a look of its own: none late, no mark, no odd room."""
        channels = [row.channel for row in rows]
        if not self._roles.keys() >= set(channels) or None in [row.quantity for row in rows]:
            return False
        low, high = ROOM_PA
        rooms = [row.value for row in rows if row.channel in self._barometers]
        times = [row.t_ns for row in rows]
        behind = min(map(sub, times, accumulate(times, max)))
        return (
            behind >= -WAIT_NS
            and not self.hold.is_late(min(times))
            and all(low <= room <= high for room in rooms)
        )

    def _feed(self, rows: Iterable[Row]) -> None:
        self.hold.feed_many(
            [
                (row.t_ns, row.channel, row.quantity, row.value, row.quality)
                for row in rows
                if row.quantity is not None
            ]
        )

    def _hear_one(self, row: Row, line: int) -> None:
        if self.hold.is_late(row.t_ns):
            raise UnusableTraceError(
                f"line {line}: {row.t_ns / 1e9:g} s is more than 2 s older than a line before "
                "it; sort the trace by time"
            )
        if row.quantity is None:
            _check_word(row.word, line, self._recipe)
            self.hold.mark(row.t_ns, row.word)
            return
        if row.channel not in self._roles:
            self._learn(row, line)
        if row.channel in self._barometers:
            _check_room(row.value, line)
        self._feed((row,))

    def _learn(self, row: Row, line: int) -> None:
        """Take in a channel's first reading."""
        role = self._roles[row.channel] = _checked_role(row, line, self._recipe)
        if role == Role.BAROMETER:
            self._barometers.add(row.channel)
        self._pressure |= role is not None and row.quantity is not Quantity.TEMPERATURE

    def check_pressure(self) -> None:
        """Refuse a trace without any pressure that the recipe has a role for."""
        if not self._pressure:
            names = ", ".join(sorted(self._roles)) or "none"
            raise UnusableTraceError(
                f"no channel of the trace has a pressure role (channels: {names}); name it "
                'vacuum, low_side or high_side, or give it a role under [channels."NAME"] of the '
                "recipe"
            )


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
