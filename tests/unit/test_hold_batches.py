"""However readings are handed to a hold, one by one or many at once, it comes to the same."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from hold_builder import (
    decay_recipe,
    decay_rows,
    mark,
    reading,
    shuffled_within,
    vacuum_recipe,
    vacuum_rows,
)

from holdwatch_adapters.trace import read_trace, read_trace_columns
from holdwatch_physics.fluids import Fluids
from holdwatch_physics.reading import Quality, Quantity
from holdwatch_physics.trace_line import (
    TRACE_HEADER,
    TraceValueError,
    mark_line,
    trace_line,
    trace_lines,
)
from holdwatch_procedures.holds.events import CurvePoint, Decided, Noted, PhaseChanged, Restarted
from holdwatch_procedures.holds.hold import Hold
from holdwatch_procedures.holds.judge import judge, judge_columns
from holdwatch_procedures.holds.order import Mark, Readings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from hold_builder import Row

    from holdwatch_procedures.holds.events import HoldEvent
    from holdwatch_procedures.holds.recipe import Recipe


@pytest.fixture(scope="module")
def fluids() -> Fluids:
    return Fluids.load()


def troubled(seed: int) -> Iterator[Row]:
    """A decay with a jump, doubts, a gap, readings twice and late, a barometer and two clamps."""
    chance = random.Random(seed)
    for row in decay_rows(45, slope=1.0, seed=seed):
        second = row.t_ns / 1e9
        if row.quantity is None or 700.0 < second < 780.0:
            yield row if row.quantity is None else row._replace(quality=Quality.STALE)
            continue
        lifted = row
        if row.channel == "low_side" and second > 1500.0:
            lifted = row._replace(value=row.value + 5e3)
        if chance.random() < 0.01:
            lifted = lifted._replace(quality=chance.choice(list(Quality)))
        yield lifted
        if chance.random() < 0.02:
            yield lifted._replace(value=lifted.value + 1.0)
        if chance.random() < 0.01 and second > 10.0:
            yield lifted._replace(t_ns=lifted.t_ns - 3_000_000_000)
        if row.channel != "low_side":
            yield reading(second + 0.3, "pipe_temperature.2", row.value + 0.5)
            yield reading(second + 0.2, "barometer", 101_000.0 + chance.random())
        if second == 2_000.0 and row.channel == "low_side":
            yield mark(2_000.0, "extended 5")


def told(rows: list[Row], recipe: Recipe, fluids: Fluids, sizes: Iterator[int]) -> list[object]:
    """All that a hold tells of rows that reach it in batches of such sizes."""
    hold = Hold(recipe, fluids, version="test")
    events: list[HoldEvent] = []
    waiting: list[tuple[int, str, Quantity, float, Quality]] = []
    size = next(sizes)
    for row in rows:
        if row.quantity is None:
            events += hold.take(Readings.of(waiting))
            waiting = []
            events += hold.take(Mark(row.t_ns, row.word))
            continue
        waiting.append((row.t_ns, row.channel, row.quantity, row.value, row.quality))
        if len(waiting) >= size:
            events += hold.take(Readings.of(waiting))
            waiting, size = [], next(sizes)
    events += hold.take(Readings.of(waiting))
    snapshot = hold.snapshot()
    assert hold.snapshot() == snapshot, "asking changes nothing"
    events += hold.finish()
    return [hold.verdict, events, snapshot]


def ones() -> Iterator[int]:
    while True:
        yield 1


def any_sizes(seed: int) -> Iterator[int]:
    chance = random.Random(seed)
    while True:
        yield chance.choice([1, 2, 7, 40, 300, 2_000])


@pytest.mark.parametrize("seed", [1, 2])
def test_a_troubled_decay_comes_to_the_same_in_any_batches(fluids: Fluids, seed: int) -> None:
    rows = shuffled_within(troubled(seed), 1.9, seed)
    recipe = decay_recipe(50.0)
    straight = told(rows, recipe, fluids, ones())
    events = straight[1]
    assert isinstance(events, list)
    told_kinds = {type(event) for event in events}
    assert {PhaseChanged, Noted, Restarted, CurvePoint} <= told_kinds, "there was something to tell"
    assert [isinstance(event, Decided) for event in events].index(True) == len(events) - 1
    assert told(rows, recipe, fluids, any_sizes(seed)) == straight


def test_a_trace_judged_by_columns_comes_to_what_its_rows_come_to(
    fluids: Fluids, tmp_path: Path
) -> None:
    rows = sorted(troubled(3), key=lambda row: row.t_ns)
    lines = [
        mark_line(row.t_ns, row.word)
        if row.quantity is None
        else trace_line(row.t_ns, row.channel, row.value, row.quantity, row.quality)
        for row in rows
    ]
    trace = tmp_path / "hold.csv"
    trace.write_bytes(TRACE_HEADER + b"".join(lines))
    assert list(read_trace(trace)) == list(read_trace(trace.read_text().splitlines()))
    recipe = decay_recipe(50.0)
    by_columns = judge_columns(read_trace_columns(trace), recipe, fluids, version="test")
    assert by_columns == judge(read_trace(trace), recipe, fluids, version="test")
    assert by_columns == judge(rows, recipe, fluids, version="test")


def test_over_pressure_amid_a_batch_is_told_and_ends_it_as_one_by_one(fluids: Fluids) -> None:
    rows = [
        row._replace(value=row.value + 6e5)
        if row.channel == "low_side" and row.t_ns > 900_000_000_000
        else row
        for row in decay_rows(20)
    ]
    straight = told(rows, decay_recipe(), fluids, ones())
    assert told(rows, decay_recipe(), fluids, any_sizes(5)) == straight


def test_an_isolation_that_nobody_said_is_seen_alike_in_any_batches(fluids: Fluids) -> None:
    pumping = [
        reading(second, "vacuum", 30.0 + 3_000.0 * 0.97**second + 0.2 * (second % 3))
        for second in range(600)
    ]
    holding = [
        row._replace(t_ns=row.t_ns + 600_000_000_000)
        for row in vacuum_rows(20, slope=0.1, start_pa=31.0)
        if row.quantity is not None
    ]
    rows = [*pumping, *holding]
    straight = told(rows, vacuum_recipe(), fluids, ones())
    assert told(rows, vacuum_recipe(), fluids, any_sizes(6)) == straight


@pytest.mark.parametrize("scattered", [True, False])
@pytest.mark.parametrize("values", [[0.0, -0.0, 1e-9], [21.5, 21.6, 1e22]])
def test_lines_of_many_readings_are_those_of_each(values: list[float], *, scattered: bool) -> None:
    chance = random.Random(len(values))
    readings = [
        (
            chance.randrange(10**13),
            chance.choice(["low_side", 'a "b"', "c,d"]),
            chance.choice([*values, chance.uniform(-1e6, 1e6)] if scattered else values),
            chance.choice(list(Quantity)),
            chance.choice(list(Quality)) if scattered else Quality.STALE,
        )
        for _ in range(300)
    ]
    times, channels, numbers, quantities, qualities = zip(*readings, strict=True)
    together = trace_lines(times, channels, numbers, quantities, qualities)
    assert together == b"".join(trace_line(*each) for each in readings)
    with pytest.raises(TraceValueError, match="c,d"):
        trace_lines((0, 1), ("a", "c,d"), (1.0, float("nan")), quantities[:2], (Quality.GOOD,) * 2)
