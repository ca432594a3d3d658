"""The charge balance against the GUM formula, Monte Carlo and sums by hand."""

from __future__ import annotations

import json
import math
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from holdwatch_procedures.vehicles.balance import (
    Allowances,
    Pair,
    balance,
    chi_square_limit,
    half_width,
)
from holdwatch_procedures.vehicles.charge_history import last_repair, pair_up, unit_balance
from holdwatch_procedures.vehicles.job import Job, Repair, Weighing, WeighingKind
from holdwatch_procedures.vehicles.validation import VehicleError
from holdwatch_procedures.vehicles.vehicle import Vehicle

START = datetime(2024, 5, 4, tzinfo=UTC)
YEAR = timedelta(days=365.25)
CLEAN = Allowances(5.0, (0.0, 0.0))


def pair(charged: float, recovered: float, years: float = 1.0, after: float = 0.0) -> Pair:
    begin = START + after * YEAR
    return Pair(charged, begin, recovered, begin + years * YEAR)


def test_a_year_by_hand_and_by_the_gum_formula() -> None:
    made = balance([pair(600.0, 500.0)], CLEAN)
    u = math.sqrt(2.0) * 5.0 / math.sqrt(3.0)  # two weighings, u = a/√3 each (GUM 4.3.7, 5.1.2)
    assert made.value == pytest.approx(100.0)
    assert made.standard_u == pytest.approx(u)
    assert made.high is not None
    assert made.high - made.value == pytest.approx(1.959964 * u, rel=1e-5)
    assert made.value - made.low == pytest.approx(1.959964 * u, rel=1e-5)


def test_the_standard_uncertainty_of_two_15_g_weighings_is_the_tabulated_one() -> None:
    # ±15 g → 8.6603 g; difference of two such masses 12.247 g (arithmetic from a/√3).
    assert balance([pair(600, 500)], Allowances(15.0, (0, 0))).standard_u == pytest.approx(
        12.247, abs=1e-3
    )


def test_half_a_year_doubles_the_rate_and_its_interval() -> None:
    whole, half = balance([pair(600, 500)], CLEAN), balance([pair(600, 500, 0.5)], CLEAN)
    assert half.value == pytest.approx(2 * whole.value)
    assert half.standard_u == pytest.approx(2 * whole.standard_u)


@pytest.mark.parametrize("limits", [(0.0, 0.0), (0.0, 30.0), (10.0, 90.0)])
@pytest.mark.parametrize("visits", [(1.0,), (1.0, 0.5), (0.4, 1.0, 0.8)])
def test_the_interval_holds_the_truth_as_often_as_it_says(
    limits: tuple[float, float], visits: tuple[float, ...]
) -> None:
    """Monte Carlo with rectangular weighings and one unrecovered amount for the unit."""
    rng = np.random.default_rng(7)
    truth, runs = 80.0, 2000
    allowances = Allowances(5.0, limits)
    held = 0
    errors = []
    for _ in range(runs):
        stays = rng.uniform(*limits)
        pairs, begin = [], 0.0
        for years in visits:
            lost = truth * years
            charged = 900.0 + rng.uniform(-5, 5)
            recovered = 900.0 - lost - stays + rng.uniform(-5, 5)
            pairs.append(pair(charged, recovered, years, begin))
            begin += years
        made = balance(pairs, allowances)
        assert made.high is not None
        held += made.low <= truth <= made.high
        errors.append(made.value - truth)
    # 2000 runs know a coverage of 95 % to ±1.5 % (three sigma); rectangular errors taken as normal
    # lie up to 1 % on the safe side.
    assert 0.935 <= held / runs <= 0.975
    assert np.std(errors) == pytest.approx(made.standard_u, rel=0.05)
    assert np.mean(errors) == pytest.approx(0.0, abs=4 * made.standard_u / math.sqrt(runs))


def test_amounts_that_differ_each_visit_are_held_more_often_still() -> None:
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(1000):
        pairs = [
            pair(900 + rng.uniform(-5, 5), 820 - rng.uniform(0, 40) + rng.uniform(-5, 5), 1, n)
            for n in range(3)
        ]
        made = balance(pairs, Allowances(5.0, (0.0, 40.0)))
        assert made.high is not None
        held += made.low <= 80.0 <= made.high
    assert held / 1000 >= 0.95


def test_what_stays_in_the_oil_does_not_read_as_a_leak() -> None:
    """A tight unit that keeps 20 g back: without the allowance a leak, with it none."""
    tight = pair(600.0, 580.0)
    assert balance([tight], CLEAN).low > 0.0
    assert balance([tight], Allowances(5.0, (0.0, 30.0))).low < 0.0


@settings(deadline=None)
@given(st.floats(0, 200), st.floats(0, 200), st.floats(0, 300), st.floats(0.1, 20))
def test_a_wider_allowance_never_raises_either_bound(
    low: float, width: float, more: float, tolerance: float
) -> None:
    one = pair(900.0, 700.0)
    narrow = balance([one], Allowances(tolerance, (low, low + width)))
    wide = balance([one], Allowances(tolerance, (low, low + width + more)))
    assert narrow.high is not None
    assert wide.high is not None
    assert wide.high <= narrow.high + 1e-6
    assert wide.low <= narrow.low + 1e-6


@settings(deadline=None)
@given(st.lists(st.floats(0.05, 3.0), min_size=1, max_size=5), st.floats(0.05, 3.0))
def test_a_further_visit_never_makes_the_rate_less_sure(spans: list[float], more: float) -> None:
    begins = np.cumsum([0.0, *(span + 0.01 for span in spans)])
    pairs = [pair(900, 880, t, b) for t, b in zip([*spans, more], begins, strict=True)]
    allowances = Allowances(5.0, (0.0, 30.0))
    fewer = balance(pairs[:-1], allowances).standard_u
    assert balance(pairs, allowances).standard_u <= fewer * (1 + 1e-9)


def test_equal_visits_average_their_scale_errors_and_keep_their_common_one() -> None:
    pairs = [pair(600, 500, 1.0, n) for n in range(4)]
    assert balance(pairs, CLEAN).standard_u == pytest.approx(math.sqrt(2 * 25 / 3) / 2)  # √4 visits
    both = balance(pairs, Allowances(5.0, (0.0, 30.0)))
    assert both.standard_u == pytest.approx(
        math.hypot(math.sqrt(2 * 25 / 3) / 2, 15 / math.sqrt(3))
    )


def test_visits_that_disagree_are_said_and_widen_the_interval() -> None:
    agree = balance([pair(600, 500, 1, 0), pair(600, 505, 1, 1)], CLEAN)
    differ = balance([pair(600, 540, 1, 0), pair(600, 440, 1, 1)], CLEAN)
    assert agree.notes == ()
    assert any("disagree" in note for note in differ.notes)
    assert differ.standard_u > 5 * agree.standard_u


def test_a_unit_that_came_out_empty_has_no_upper_bound() -> None:
    made = balance([pair(600.0, 0.0)], CLEAN, nameplate_g=600)
    assert made.high is None
    assert made.low > 500
    assert made.against_law == "above"
    assert any("empty" in note for note in made.notes)
    assert made.noticed is not None
    assert made.noticed[0] is None


@pytest.mark.parametrize(
    ("recovered", "evaporators", "says"),
    [(590, 1, "below"), (550, 1, "cannot tell"), (530, 1, "above"), (550, 2, "below")],
)
def test_the_loss_against_the_laws_40_and_60_g(
    recovered: float, evaporators: int, says: str
) -> None:
    # 40 g a year with one evaporator, 60 g with two: Directive 2006/40/EC, Regulation 706/2007.
    made = balance([pair(600.0, recovered)], Allowances(5, (0, 10)), evaporators=evaporators)
    assert made.against_law == says


def test_when_it_will_be_noticed_by_hand() -> None:
    """30 % of 600 g are 180 g: at 100 ± 8 g a year gone after 1.67 to 1.96 years."""
    made = balance([pair(600, 500)], CLEAN, nameplate_g=600)
    assert made.percent_per_year == pytest.approx(100 / 6)
    assert made.noticed is not None
    first, last = made.noticed
    refilled = START + YEAR
    assert made.high is not None
    assert first == refilled + 180 / made.high * YEAR
    assert last == refilled + 180 / made.low * YEAR
    assert balance([pair(600, 500)], CLEAN).noticed is None
    slow = balance([pair(600, 600)], CLEAN, nameplate_g=600).noticed
    assert slow is not None
    assert slow[1] is None
    assert balance([pair(600, 650)], CLEAN, nameplate_g=600).noticed is None


def test_what_is_known_to_be_lost_at_the_hoses_is_no_leak() -> None:
    made = balance([pair(600, 500)], Allowances(5.0, (0.0, 0.0), 12.0))
    assert made.value == pytest.approx(88.0)


def test_little_missing_never_makes_the_upper_bound_small() -> None:
    """2 g missing and 0 to 30 g allowed for: the leak may still be what the scale can hide.

    All truths below the bound must be possible: 8 g lost, nothing kept back, the scale off by 6.
    """
    made = balance([pair(600.0, 598.0)], Allowances(5.0, (0.0, 30.0)))
    assert made.value < 0.0
    assert made.high is not None
    assert made.high == pytest.approx(1.0 + 8.07, abs=0.02)  # at most the 2 g can have stayed
    rng = np.random.default_rng(2)
    n = 1_000_000
    leak, stays = rng.uniform(0, 60, n), rng.uniform(0, 30, n)
    missing = leak + stays + rng.uniform(-5, 5, n) + rng.uniform(-5, 5, n)
    alike = leak[np.abs(missing - 2.0) < 0.5]  # of all units, those that look like this one
    assert len(alike) > 1000
    assert np.mean(alike <= made.high) > 0.975


def test_more_out_than_in_is_said() -> None:
    made = balance([pair(600, 650)], CLEAN)
    assert made.value == pytest.approx(-50.0)
    assert any("More came out" in note for note in made.notes)


def test_what_one_more_weighing_would_tell_is_what_it_then_tells() -> None:
    first = pair(600.0, 560.0)
    forecast = balance([first], Allowances(5, (0, 0))).one_more()
    then = balance([first, pair(600.0, 580.0, 180 / 365.25, 1.0)], Allowances(5, (0, 0)))
    assert then.high is not None
    assert forecast.after_days[180] == pytest.approx(then.high - then.value, rel=1e-6)
    assert forecast.days_to_tell_leak == 0
    assert forecast.days_to_tell_law is None  # estimated exactly at the law's 40 g
    unsure = balance([pair(600.0, 596.0, 0.5)], CLEAN).one_more().days_to_tell_leak
    assert unsure is not None
    assert unsure > 100


@pytest.mark.parametrize(
    ("pairs", "says"),
    [
        ([], "at least one charge"),
        ([Pair(600, START, 500, START - YEAR)], "not after its charge"),
        ([Pair(600, START, 500, START)], "not after its charge"),
        ([Pair(0, START, 500, START + YEAR)], "above 0 g"),
        ([Pair(-1, START, 500, START + YEAR)], "0 g or more"),
        ([Pair(1e300, START, 500, START + YEAR)], "at most 1,000 kg"),
        ([Pair(math.nan, START, 500, START + YEAR)], "0 g or more"),
        ([pair(600, 500, 1, 0), pair(600, 500, 1, 0.5)], "two charges"),
    ],
)
def test_weights_that_cannot_be_are_refused(pairs: list[Pair], says: str) -> None:
    with pytest.raises(VehicleError, match=says):
        balance(pairs)


def test_allowances_that_cannot_be_are_refused() -> None:
    with pytest.raises(VehicleError, match="lower figure first"):
        Allowances(5.0, (30.0, 0.0))
    with pytest.raises(VehicleError, match="0 g or more"):
        Allowances(-5.0)


@pytest.mark.parametrize("reach", [0.0, 0.01, 0.5, 3.0, 40.0])
def test_the_mixed_interval_against_scipy(reach: float) -> None:
    """A rectangular error laid over a normal one, by numerical integration."""
    half = half_width(1.0, reach, 0.95)
    shifts = np.linspace(-reach, reach, 20001)
    assert np.mean(stats.norm.cdf(half - shifts) - stats.norm.cdf(-half - shifts)) == pytest.approx(
        0.95, abs=1e-4
    )


@pytest.mark.parametrize("degrees", [1, 2, 5, 20])
def test_the_chi_square_limit_against_scipy(degrees: int) -> None:
    assert chi_square_limit(degrees) == pytest.approx(stats.chi2.ppf(0.99, degrees), rel=0.02)


# -- from weighings to pairs ------------------------------------------------------------------


def weighing(kind: str, grams: float, day: str, **more: object) -> Weighing:
    return Weighing.model_validate({"kind": kind, "grams": grams, "on": day, **more})


def test_weighings_pair_up_visit_by_visit() -> None:
    history = pair_up(
        [
            weighing("recovered", 700, "2024-05-06"),
            weighing("charged", 900, "2024-05-06"),
            weighing("charged", 900, "2025-05-06"),  # written down the wrong way round
            weighing("recovered", 840, "2025-05-06"),
            weighing("charged", 60, "2025-08-01", tops_up=True),
            weighing("recovered", 870, "2026-05-06"),
            weighing("charged", 900, "2026-05-06"),
        ]
    )
    assert [(p.put_in_g, p.recovered_g, p.weighings) for p in history.pairs] == [
        (900, 840, 2),
        (960, 870, 3),
    ]
    assert [reason for _, reason in history.unpaired] == ["no charge before it is known"]
    assert history.open_charge == (900, date(2026, 5, 6))


def test_a_trial_charge_of_one_day_pairs_with_nothing() -> None:
    history = pair_up(
        [
            weighing("charged", 900, "2024-05-06"),
            weighing("recovered", 840, "2025-05-06"),
            weighing("charged", 300, "2025-05-06"),
            weighing("recovered", 298, "2025-05-06"),
            weighing("charged", 900, "2025-05-06"),
        ]
    )
    assert [(p.put_in_g, p.recovered_g) for p in history.pairs] == [(900, 840)]
    assert [reason for _, reason in history.unpaired] == ["recovered on the day it was charged"]
    assert history.open_charge == (900, date(2025, 5, 6))


def test_the_newest_charge_counts_for_when_it_will_be_noticed() -> None:
    """700 g in a 900 g unit: noticed at 630 g, so 70 g are left to lose, not 270."""
    unit = Vehicle(fleet_number="BM-01", refrigerant="R134a", nameplate_charge_g=900)
    last = [weighing("recovered", 700, "2025-05-06"), weighing("charged", 700, "2025-05-06")]
    orders = [
        order("1", "2024-05-06", weighing("charged", 900, "2024-05-06")),
        order("2", "2025-05-06", *last),
    ]
    made = unit_balance(unit, orders)
    assert made is not None
    assert made.noticed is not None
    first, latest = made.noticed
    assert first is not None
    assert latest is not None
    assert made.high is not None
    assert (first - made.noticed_from).days == int(70 / made.high * 365.25)
    assert latest.year == 2025


def test_a_charge_over_a_charge_is_not_guessed_at() -> None:
    history = pair_up(
        [
            weighing("charged", 900, "2024-05-06"),
            weighing("charged", 300, "2024-09-06"),
            weighing("recovered", 280, "2025-05-06"),
        ]
    )
    assert len(history.pairs) == 1
    assert history.pairs[0].charged_g == 300
    assert "charged again" in history.unpaired[0][1]


def order(number: str, day: str, *weighings: Weighing, repaired: bool = False) -> Job:
    repair = Repair.model_validate({"place": "compressor.shaft-seal", "act": "renewed", "on": day})
    return Job(
        number=number,
        unit="BM-01",
        opened_on=date.fromisoformat(day),
        weighings=weighings,
        repairs=(repair,) if repaired else (),
    )


def test_a_repair_parts_the_balance_into_before_and_after() -> None:
    unit = Vehicle(fleet_number="BM-01", refrigerant="R134a", nameplate_charge_g=900)
    orders = [
        order("1", "2023-05-06", weighing("charged", 900, "2023-05-06")),
        order(
            "2",
            "2024-05-06",
            weighing("recovered", 700, "2024-05-06"),
            weighing("charged", 900, "2024-05-06"),
            repaired=True,
        ),
        order("3", "2025-05-06", weighing("recovered", 885, "2025-05-06", tolerance_g=10)),
    ]
    mended = last_repair(orders)
    before = unit_balance(unit, orders, until=mended)
    after = unit_balance(unit, orders, since=mended)
    assert before is not None
    assert after is not None
    assert before.low > 150
    assert after.low < 0 < before.low
    assert after.allowances.tolerance_g == 10
    assert unit_balance(unit, orders[:1]) is None


def test_the_json_of_a_balance_is_json() -> None:
    made = balance([pair(600, 500)], nameplate_g=600).to_dict()
    assert json.loads(json.dumps(made, allow_nan=False)) == made
    widths = made["one_more_weighing"]["half_width_g_per_year_after_days"]
    assert all(a >= b - 1e-9 for a, b in pairwise(widths.values()))


def test_a_weighing_knows_its_kinds() -> None:
    assert weighing("charged", 1, "2024-01-01").kind is WeighingKind.CHARGED
    with pytest.raises(ValueError, match="tops_up"):
        weighing("recovered", 1, "2024-01-01", tops_up=True)
