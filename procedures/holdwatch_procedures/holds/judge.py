"""Judges a recorded trace offline, with the very machine that judges live."""

from __future__ import annotations

from itertools import accumulate, compress, islice
from operator import attrgetter, sub
from typing import TYPE_CHECKING, Any, Protocol, TypeAlias, cast

from holdwatch_physics.reading import Quality, Quantity, Role, role_of
from holdwatch_procedures.holds.events import Decided
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.order import EXTENDED, MARK_WORD, WAIT_NS, Mark, Readings

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.events import HoldEvent
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.verdict import Verdict


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


Columns: TypeAlias = """tuple[
    Sequence[int],
    Sequence[str],
    Sequence[Quantity | None],
    Sequence[float],
    Sequence[Quality],
    Sequence[str],
]"""
"""Rows that follow one another, one or more: what a `Row` has, column by column."""

_FIELDS = attrgetter("t_ns", "channel", "quantity", "value", "quality", "word")


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
    return judge_columns(_columns(rows), recipe, fluids, version=version)


def judge_columns(
    batches: Iterable[Columns], recipe: Recipe, fluids: Fluids, *, version: str
) -> Verdict:
    """Return the verdict on a trace as `judge` does, of rows that come column by column."""
    court = _Court(recipe, Hold(recipe, fluids, version=version))
    line = 2  # line 1 is the header
    for columns in batches:
        verdict = court.hear(columns, line)
        if verdict is not None:
            return verdict
        line += len(columns[0])
    court.check_pressure()
    return conclude(court.hold)


def _columns(rows: Iterable[Row]) -> Iterator[Columns]:
    """Gather rows; those before one that cannot be read come before its error."""
    fields = map(_FIELDS, rows)
    error: Exception | None = None
    while error is None:
        batch: list[tuple[Any, ...]] = []
        try:
            batch.extend(islice(fields, BATCH))
        except Exception as failed:  # noqa: BLE001 - raised below, behind the rows before it
            error = failed
        if not batch:
            break
        times_ns, channels, quantities, values, qualities, words = zip(*batch, strict=True)
        yield times_ns, channels, quantities, values, qualities, words
    if error is not None:
        raise error


class _Court:
    """Puts a trace's rows before a hold, and refuses those that cannot be judged."""

    def __init__(self, recipe: Recipe, hold: Hold) -> None:
        self.hold = hold
        self._recipe = recipe
        self._roles: dict[str, str | None] = {}
        self._barometers: set[str] = set()
        self._pressure = False

    def hear(self, rows: Columns, line: int) -> Verdict | None:
        """Take rows, the first of which stands in the given line; stop at a verdict."""
        if self._is_plain(rows):
            times_ns, channels, quantities, values, qualities, _words = rows
            of_readings = cast("Sequence[Quantity]", quantities)
            batch = Readings(times_ns, channels, of_readings, values, qualities)
            return _verdict_in(self.hold.take(batch))
        for number, row in enumerate(zip(*rows, strict=True), start=line):
            verdict = _verdict_in(self._hear_one(number, *row))
            if verdict is not None:
                return verdict
        return None

    def _is_plain(self, rows: Columns) -> bool:
        """Whether none of the rows needs a look of its own: none late, no mark, no odd room."""
        times_ns, channels, quantities, values, _qualities, _words = rows
        if not self._roles.keys() >= set(channels) or None in set(quantities):
            return False
        low, high = ROOM_PA
        rooms = compress(values, map(self._barometers.__contains__, channels))
        ordered = sorted(times_ns)
        if (
            ordered != list(times_ns)
            and min(map(sub, times_ns, accumulate(times_ns, max))) < -WAIT_NS
        ):
            return False
        return not self.hold.is_late(ordered[0]) and all(low <= room <= high for room in set(rooms))

    def _hear_one(
        self,
        line: int,
        t_ns: int,
        channel: str,
        quantity: Quantity | None,
        value: float,
        quality: Quality,
        word: str,
    ) -> list[HoldEvent]:
        if self.hold.is_late(t_ns):
            raise UnusableTraceError(
                f"line {line}: {t_ns / 1e9:g} s is more than 2 s older than a line before "
                "it; sort the trace by time"
            )
        if quantity is None:
            _check_word(word, line, self._recipe)
            return self.hold.take(Mark(t_ns, word))
        if channel not in self._roles:
            self._learn(channel, quantity, line)
        if channel in self._barometers:
            _check_room(value, line)
        return self.hold.take(Readings((t_ns,), (channel,), (quantity,), (value,), (quality,)))

    def _learn(self, channel: str, quantity: Quantity, line: int) -> None:
        """Take in a channel's first reading."""
        role = self._roles[channel] = _checked_role(channel, quantity, line, self._recipe)
        if role == Role.BAROMETER:
            self._barometers.add(channel)
        self._pressure |= role is not None and quantity is not Quantity.TEMPERATURE

    def check_pressure(self) -> None:
        """Refuse a trace without any pressure that the recipe has a role for."""
        if not self._pressure:
            names = ", ".join(sorted(self._roles)) or "none"
            raise UnusableTraceError(
                f"no channel of the trace has a pressure role (channels: {names}); name it "
                'vacuum, low_side or high_side, or give it a role under [channels."NAME"] of the '
                "recipe"
            )


def _verdict_in(events: list[HoldEvent]) -> Verdict | None:
    """The verdict where it is among events; it is the last of them."""
    last = events[-1] if events else None
    return last.verdict if isinstance(last, Decided) else None


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


def _checked_role(channel: str, quantity: Quantity, line: int, recipe: Recipe) -> str | None:
    """The role that a channel plays, checked against what it measures."""
    name = recipe.role_name(channel)
    role = None if name is None else role_of(name)
    if role is None:
        return None
    measures_pressure = quantity is not Quantity.TEMPERATURE
    if role.is_pressure != measures_pressure:
        wanted = "a pressure" if role.is_pressure else "a temperature"
        raise UnusableTraceError(
            f"line {line}: channel {channel!r} has the role {name} and must carry "
            f"{wanted}; check its unit or its role"
        )
    return name
