"""What readings say of their instrument: stuck, at its end, out of step, twice, by which clock."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import pytest
from daemon_rig import (
    BAY,
    CLAMP,
    GAUGE,
    START_UTC_NS,
    FedAdapter,
    TurnedClock,
    events,
    reading,
    seeded,
    settled,
    shop,
    shop_table,
    start,
)

from holdwatch_daemon.intake.checks import (
    ClockWatch,
    Figures,
    OrderWatch,
    PairWatch,
    Parting,
    ShopChecks,
    StuckWatch,
)
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    import random
    from collections.abc import Callable
    from pathlib import Path

    from holdwatch_daemon.intake.checks import Checked
    from holdwatch_daemon.store.events import Draft

SECOND = "BM-bay1-second/pressure"
LIVELY = Figures(0.0, 3.5e6, resolution=100.0, noise=200.0)


def stuck_after(
    watch: StuckWatch, value: Callable[[int], float], seconds: int, first: int = 0
) -> int | None:
    """Second at which a watch convicts an instrument that reads once a second."""
    for second in range(first, seconds):
        if watch.push(second * 10**9, value(second)) is not None:
            return second
    return None


def rounded(chance: random.Random, level: float, noise: float, step: float) -> float:
    return round(chance.gauss(level, noise) / step) * step


def lively(watch: StuckWatch, seconds: int = 200, level: float = 1.5e6) -> None:
    """Let an instrument be seen moving by its noise."""
    chance = seeded(1)
    assert stuck_after(watch, lambda _: rounded(chance, level, 100.0, 100.0), seconds) is None


@pytest.mark.parametrize("figures", [LIVELY, Figures(), Figures(resolution=100.0)])
def test_an_instrument_seen_moving_is_stuck_after_five_equal_minutes(figures: Figures) -> None:
    watch = StuckWatch(figures)
    lively(watch)
    assert stuck_after(watch, lambda _: 1.5e6, 600, 200) in {499, 500}


def test_a_run_must_be_unlikely_for_the_stated_noise() -> None:
    watch = StuckWatch(Figures(resolution=100.0, noise=25.0))
    lively(watch)
    # erf(0.5 / 0.25 / sqrt 2) = 0.9545; 0.9545 to the power of 446 is less than 1e-9.
    found = stuck_after(watch, lambda _: 1.5e6, 1000, 200)
    assert found is not None
    assert 640 < found < 650


def test_an_instrument_never_seen_moving_is_left_to_the_hold() -> None:
    assert stuck_after(StuckWatch(LIVELY), lambda _: 1.5e6, 20_000) is None


@pytest.mark.parametrize("value", [0.0, 3.5e6, 3.6e6])
def test_a_value_at_an_end_of_the_range_is_not_called_stuck(value: float) -> None:
    watch = StuckWatch(LIVELY)
    lively(watch)
    assert stuck_after(watch, lambda _: value, 2_000, 200) is None


def test_what_was_lively_at_another_level_is_not_convicted() -> None:
    watch = StuckWatch(Figures())  # as a vacuum gauge, whose noise falls with the pressure
    lively(watch)
    assert stuck_after(watch, lambda _: 40.0, 2_000, 200) is None


@pytest.mark.parametrize("ratio", [0.1, 0.25, 0.4, 1.0, 3.0])
@pytest.mark.parametrize("stated", [True, False])
def test_a_live_instrument_that_drifts_is_not_convicted(ratio: float, stated: bool) -> None:
    """Its value wanders slowly over steps, so that it stands by turns on an edge and amid one."""
    chance = seeded(round(100 * ratio))
    known = Figures(resolution=100.0, noise=300.0)  # stated too high, as a cautious owner may
    watch = StuckWatch(known if stated else Figures())

    def value(second: int) -> float:
        level = 1.5e6 + 300.0 * math.sin(second / 9000.0)
        return rounded(chance, level, 100.0 * ratio, 100.0)

    assert stuck_after(watch, value, 86_400) is None


def test_a_reading_that_came_twice_is_told_from_one_out_of_order() -> None:
    watch = OrderWatch()
    said = [watch.push(t) for t in (1, 3, 2, 3, 2, 4)]
    assert said == ["new", "new", "out_of_order", "duplicate", "duplicate", "new"]


def test_a_clock_that_is_off_is_told_once_and_again_when_it_is_right() -> None:
    watch = ClockWatch()
    told = [
        watch.push((t + ahead) * 10**9, t * 10**9, 99 * 10**9, 99 * 10**9)
        for t, ahead in ((1, 0), (2, 4), (3, 180), (4, 181), (5, 3), (6, 0), (7, 0))
    ]
    assert told == [None, None, (True, 180.0), None, None, (False, 0.0), None]


class TwoGauges:
    """Two gauges on one line that read once a second."""

    def __init__(self, seed: int = 1, noise: float = 200.0) -> None:
        self.watch = PairWatch(LIVELY, LIVELY)
        self.told: list[Parting] = []
        self._chance = seeded(seed)
        self._noise = noise
        self.second = 0

    def read(
        self, seconds: int, pressure: Callable[[int], float], apart: Callable[[int], float]
    ) -> None:
        for _ in range(seconds):
            t, self.second = self.second, self.second + 1
            for which, extra in ((0, 0.0), (1, apart(t))):
                value = pressure(t) + extra + self._chance.gauss(0.0, self._noise)
                found = self.watch.push(which, t * 10**9, value)  # type: ignore[arg-type]
                if found is not None:
                    self.told.append(found)


def test_drift_between_two_gauges_is_told_once_with_its_figure() -> None:
    gauges = TwoGauges()
    gauges.read(600, lambda _: 1.5e6, lambda _: 8_000.0)
    assert gauges.told == [], "a steady difference is theirs by nature"
    gauges.read(3600, lambda _: 1.5e6, lambda t: 8_000.0 + 4.0 * (t - 600))
    (told,) = gauges.told
    assert told.apart
    assert told.drift is not None
    # 0.2 % of the span of 3500 kPa is passed after 1750 s, and three minutes must agree.
    assert -8_000.0 < told.drift < -7_000.0
    gauges.read(600, lambda _: 1.5e6, lambda _: 8_000.0)
    assert [one.apart for one in gauges.told] == [True, False]


def test_two_gauges_that_differ_from_the_start_are_told() -> None:
    gauges = TwoGauges()
    gauges.read(400, lambda _: 1.5e6, lambda _: 40_000.0)
    (told,) = gauges.told
    assert told.apart
    assert told.difference == pytest.approx(-40_000.0, abs=500.0)


@pytest.mark.parametrize(
    "pressure",
    [
        lambda t: 1.5e6 - 20.0 * t,  # a large leak, both follow
        lambda t: min(1.5e6, 5_000.0 * t),  # charging
        lambda t: 1.5e6 + 8_000.0 * ((t // 600) % 2),  # steps of the regulator
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_gauges_that_agree_within_their_figures_are_left_in_peace(
    pressure: Callable[[int], float], seed: int
) -> None:
    gauges = TwoGauges(seed)
    # One has a gain error of 0.3 % of reading, as two honest gauges may.
    gauges.read(7200, pressure, lambda t: 0.003 * pressure(t))
    assert gauges.told == []


def second_gauge(tmp_path: Path, **figures: Any) -> dict[str, Any]:
    table = shop_table(tmp_path / "data")
    table["probe"][0] |= figures
    second = dict(table["probe"][0], name="BM-bay1-second", address="02:00:00:00:00:04")
    table["probe"].append(second)
    table["bay"][0]["roles"]["low_side.2"] = SECOND
    return table


def take(checks: ShopChecks, clock: TurnedClock, one: Reading) -> Checked:
    return checks.of(one.channel).take(one, clock.utc_ns(), clock.mono_ns())


async def test_a_hold_runs_with_two_gauges_on_one_line(tmp_path: Path) -> None:
    clock, adapter, chance = TurnedClock(), FedAdapter(), seeded(3)
    async with Service(parse_config(second_gauge(tmp_path)), clock, [adapter]) as service:
        await start(service)
        for _ in range(30):
            clock.now_ns += 10**9
            first = reading(clock, GAUGE, 1.5e6 + chance.gauss(0.0, 150.0))
            adapter.put(first, first._replace(channel=SECOND), reading(clock, CLAMP, 295.0))
            await settled(service, adapter)
        assert service.bays[BAY].runner is not None
        assert {one.role for one in service.live(BAY).values} >= {"low_side", "low_side.2"}


def test_gauges_out_of_step_are_both_suspect_while_they_are(tmp_path: Path) -> None:
    checks, clock, chance = (
        ShopChecks(parse_config(second_gauge(tmp_path))),
        TurnedClock(),
        seeded(2),
    )
    drafts: list[Draft] = []
    qualities: list[str] = []
    for second in range(2400):
        clock.now_ns += 10**9
        for channel in (GAUGE, SECOND):
            extra = 6.0 * max(second - 600, 0) if channel == SECOND else 0.0
            value = 1.5e6 + extra + chance.gauss(0.0, 150.0)
            one = reading(clock, GAUGE, value)._replace(channel=channel)
            checked = take(checks, clock, one)
            assert checked.reading is not None
            drafts += checked.drafts
            qualities.append(str(checked.reading.quality))
    (draft,) = drafts
    assert draft.type == "holdwatch.reading.doubted"
    assert draft.data["kind"] == "out_of_step"
    assert draft.data["channels"] == [GAUGE, SECOND]
    assert "drifted apart by" in draft.data["text"]
    assert draft.data["drift_pa"] < -7_000
    assert qualities[:600] == ["good"] * 600
    assert qualities[-2:] == ["suspect"] * 2


def test_what_is_beyond_the_range_is_saturated_and_told_once(tmp_path: Path) -> None:
    checks, clock = ShopChecks(shop(tmp_path)), TurnedClock()
    drafts: list[Draft] = []
    qualities: list[str] = []
    for value in (1.0e6, 3.5e6, 3.6e6, 1.0e6, 3.5e6, *[1.0e6] * 40):
        clock.now_ns += 10**9
        checked = take(checks, clock, reading(clock, GAUGE, value))
        assert checked.reading is not None
        drafts += checked.drafts
        qualities.append(str(checked.reading.quality))
    assert qualities[:6] == ["good", "saturated", "saturated", "good", "saturated", "good"]
    assert [draft.type.rpartition(".")[2] for draft in drafts] == ["doubted", "trusted"]
    below = take(checks, clock, reading(clock, GAUGE, -5.0)._replace(mono_ns=clock.now_ns + 1))
    assert below.reading is not None
    assert below.reading.quality is Quality.SATURATED, "its range begins at 0"


def test_a_stuck_gauge_is_suspect_until_it_moves(tmp_path: Path) -> None:
    checks, clock = ShopChecks(shop(tmp_path)), TurnedClock()
    drafts: list[Draft] = []

    def read(value: float) -> str:
        clock.now_ns += 10**9
        checked = take(checks, clock, reading(clock, GAUGE, value))
        drafts.extend(checked.drafts)
        assert checked.reading is not None
        return str(checked.reading.quality)

    chance = seeded(1)
    assert {read(rounded(chance, 1.5e6, 200.0, 100.0)) for _ in range(200)} == {"good"}
    said = [read(1.5003e6) for _ in range(400)]
    assert (said[298], said[302], said[-1]) == ("good", "suspect", "suspect")
    assert read(1.5001e6) == "good"
    assert [draft.data["kind"] for draft in drafts] == ["stuck", "stuck"]


async def test_each_reading_is_taken_once_and_its_order_counted(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        first = reading(clock, GAUGE, 1.0e5)
        utc_ns, mono_ns = first.utc_ns + 10**9, first.mono_ns + 10**9
        later = first._replace(value=2e5, utc_ns=utc_ns, mono_ns=mono_ns)
        between = first._replace(mono_ns=first.mono_ns + 5 * 10**8, value=1.5e5)
        clock.now_ns += 10**9
        adapter.put(first, later, first._replace(value=9e5), between)
        await settled(service, adapter)
        await service.events.tell()
        stored = await service.store.ask(
            lambda c: c.execute("SELECT value FROM readings ORDER BY mono_ns").fetchall()
        )
        state = service._book.states["BM-bay1-gauge"]
        assert [value for (value,) in stored] == [1.0e5, 1.5e5, 2.0e5]
        assert (state.readings, state.duplicates, state.out_of_order) == (3, 1, 1)
        assert service.live(BAY).values[0].value == 2e5, "the newest by its time"
        metrics = {one.name: one.value for one in service.metrics() if one.labels}
    assert "holdwatch_probe_duplicates_total" in metrics


async def test_a_device_with_a_wrong_clock_is_told_and_judged_by_arrival(tmp_path: Path) -> None:
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(shop(tmp_path / "data"), clock, [adapter]) as service:
        for _ in range(3):
            clock.now_ns += 10**9
            one = reading(clock, CLAMP, 295.0)
            adapter.put(one._replace(utc_ns=one.utc_ns - 3600 * 10**9))
        await settled(service, adapter)
        await service.events.tell()
        told = [one for one in await events(service) if one.type == "holdwatch.reading.doubted"]
        assert service.live(BAY).values[0].age_s < 1.0
    (event,) = told
    assert event.data["kind"] == "clock"
    assert event.data["ahead_s"] == -3600.0
    assert event.bay == BAY


def calibrated(tmp_path: Path, **figures: Any) -> dict[str, Any]:
    table = shop_table(tmp_path / "data")
    table["probe"][0]["calibration"] = {"pressure": figures}
    table["probe"][1]["calibration"] = {"temperature": {"offset": 0.5, "unit": "degC"}}
    return table


async def test_a_calibrated_value_is_recorded_shown_and_noted(tmp_path: Path) -> None:
    config = parse_config(calibrated(tmp_path, offset=-1.5, scale=1.01, how="two points"))
    clock, adapter = TurnedClock(), FedAdapter()
    async with Service(config, clock, [adapter]) as service:
        adapter.put(reading(clock, GAUGE, 1.0e6), reading(clock, CLAMP, 294.65))
        await settled(service, adapter)
        shown = {one.role: one.value for one in service.live(BAY).values}
        assert shown["low_side"] == pytest.approx(1.0e6 * 1.01 - 1500.0)
        assert shown["pipe_temperature"] == pytest.approx(295.15)
        noted = [one for one in await events(service) if one.type == "holdwatch.probe.calibrated"]
    by_channel = {one.data["channel"]: one.data for one in noted}
    assert by_channel[GAUGE]["offset"] == -1.5
    assert by_channel[GAUGE]["scale"] == 1.01
    assert by_channel[GAUGE]["unit"] == "kPag"
    assert by_channel[GAUGE]["how"] == "two points"
    async with Service(config, clock, [adapter]) as service:
        again = [one for one in await events(service) if one.type == "holdwatch.probe.calibrated"]
        assert len(again) == len(noted), "told when it changes, not at each start"
    del (table := calibrated(tmp_path))["probe"][0]["calibration"]
    async with Service(parse_config(table), clock, [adapter]) as service:
        last = [one for one in await events(service) if one.type == "holdwatch.probe.calibrated"]
    assert last[-1].data["channel"] == GAUGE
    assert (last[-1].data["offset"], last[-1].data["scale"]) == (0.0, 1.0)


def test_a_calibrated_range_moves_with_its_values(tmp_path: Path) -> None:
    config = parse_config(calibrated(tmp_path, offset=-2.0))
    gauge = config.probe_named("BM-bay1-gauge")
    assert gauge is not None
    assert gauge.figures("pressure")["range"] == pytest.approx([-2.0, 3498.0])
    checks, clock = ShopChecks(config), TurnedClock()
    at_zero = take(checks, clock, reading(clock, GAUGE, 500.0))
    assert at_zero.reading is not None
    assert at_zero.reading.quality is Quality.GOOD, "half of a zeroed gauge's readings are below 0"
    assert at_zero.reading.quantity is Quantity.PRESSURE_GAUGE
    assert at_zero.reading.utc_ns >= START_UTC_NS
