"""Evidence: a combination worked by hand, calibration, and what would tell most next."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwatch_procedures.vehicles.components import (
    ELSEWHERE,
    ComponentTree,
    component_tree,
    tree_of,
)
from holdwatch_procedures.vehicles.job import Finding, Job, Points, Strength
from holdwatch_procedures.vehicles.suspects import (
    Likelihoods,
    chance_found,
    entropy,
    expected_bits,
    likelihoods,
    next_checks,
    priors,
    rank,
    still_standing,
    weigh,
)
from holdwatch_procedures.vehicles.validation import VehicleError
from holdwatch_procedures.vehicles.vehicle import Vehicle

DAY = date(2026, 5, 4)
SMALL = """
elsewhere = 10.0
source = "invented for the sum by hand"
[[place]]
key = "system"
name = "system"
[[place]]
key = "valves"
name = "valves"
parent = "system"
[[place]]
key = "seal"
name = "seal"
parent = "system"
weight = 50.0
[[place]]
key = "high"
name = "high valve"
parent = "valves"
weight = 30.0
[[place]]
key = "low"
name = "low valve"
parent = "valves"
weight = 10.0
"""


@pytest.fixture(scope="module")
def small() -> ComponentTree:
    return component_tree(SMALL)


@pytest.fixture(scope="module")
def table() -> Likelihoods:
    return likelihoods()


def finding(place: str, means: str, points: str, **more: object) -> Finding:
    row = {"place": place, "means": means, "points": points, "on": DAY, **more}
    return Finding.model_validate(row)


def test_the_combination_worked_by_hand(small: ComponentTree, table: Likelihoods) -> None:
    """Weights 50, 30, 10 and 10 elsewhere; the packaged ratios.

    Detector marks the seal: × 6 → 300; the rest stays 30, 10, 10: shares 300/350 …
    A look with dye at the seal finds nothing: × 0.35 → 105, in all 155: 105/155, 30/155, …
    A hold says that the valves leak: × 25 on both → 750 and 250: 750/1115, 250/1115, 105/1115.
    """
    found = [finding("seal", "electronic-detector", "for")]
    shares = rank(found, small, table).shares
    assert shares["seal"] == pytest.approx(300 / 350)
    assert shares["high"] == pytest.approx(30 / 350)
    found.append(finding("seal", "dye", "against"))
    shares = rank(found, small, table).shares
    assert shares["seal"] == pytest.approx(105 / 155)
    assert shares[ELSEWHERE] == pytest.approx(10 / 155)
    found.append(finding("valves", "section-hold", "for"))
    ranking = rank(found, small, table)
    assert [s.place for s in ranking.suspects] == ["high", "low", "seal", ELSEWHERE]
    assert ranking.shares["high"] == pytest.approx(750 / 1115)
    assert ranking.shares["low"] == pytest.approx(250 / 1115)
    assert ranking.shares["seal"] == pytest.approx(105 / 1115)


def test_a_misleading_condition_draws_the_ratio_toward_one(
    small: ComponentTree, table: Likelihoods
) -> None:
    """Dye on the core, soiled by the hose: 12^0.1 = 1.28; nothing by the drain: 0.35^0.3 = 0.73."""
    soiled = finding("high", "dye", "for", misled_by=["core-soiled-by-hose"])
    assert weigh(soiled, table).ratio == pytest.approx(12**0.1)
    drain = finding("seal", "dye", "against", misled_by=["only-by-drain"])
    assert weigh(drain, table).ratio == pytest.approx(0.35**0.3)
    plain = rank([finding("high", "dye", "for")], small, table).shares["high"]
    misled = rank([soiled], small, table).shares["high"]
    assert priors(small)["high"] < misled < plain


def test_every_condition_weakens_and_none_turns_a_finding_round(table: Likelihoods) -> None:
    for condition in table.mislead:
        for means in condition.means:
            for points in condition.points:
                full = weigh(finding("seal", means, points), table).ratio
                misled = finding("seal", means, points, misled_by=[condition.key])
                less = weigh(misled, table).ratio
                assert abs(math.log(less)) < abs(math.log(full))
                assert math.log(less) * math.log(full) >= 0.0


def test_the_inside_of_the_cap_decides_over_a_soiled_core(table: Likelihoods) -> None:
    tree = component_tree()
    findings = [
        finding("low-valve.core", "dye", "for", misled_by=["core-soiled-by-hose"]),
        finding("low-valve.core", "cap-inside", "against"),
    ]
    assert rank(findings, tree, table).shares["low-valve.core"] < priors(tree)["low-valve.core"]


def test_the_same_look_again_says_less(small: ComponentTree, table: Likelihoods) -> None:
    once = finding("seal", "oily-residue", "for")
    # 4, then 4^0.5 = 2: weights 50·8 = 400 against 50 others.
    assert rank([once, once], small, table).shares["seal"] == pytest.approx(400 / 450)
    strong = finding("seal", "oily-residue", "for", strength="strong")
    assert weigh(strong, table).ratio == pytest.approx(4**1.5)


@settings(deadline=None, max_examples=50)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["seal", "high", "low", "valves", "system"]),
            st.sampled_from(["electronic-detector", "dye", "section-hold", "damage-seen"]),
            st.sampled_from(list(Points)),
            st.sampled_from(list(Strength)),
        ),
        max_size=12,
    )
)
def test_shares_always_sum_to_one(looks: list[tuple[str, str, Points, Strength]]) -> None:
    findings = [finding(p, m, d, strength=s) for p, m, d, s in looks]
    shares = rank(findings, component_tree(SMALL), likelihoods()).shares
    assert math.fsum(shares.values()) == pytest.approx(1.0, abs=1e-12)
    assert all(0.0 <= share <= 1.0 for share in shares.values())
    assert ELSEWHERE in shares


def test_shares_are_frequencies_where_the_table_is_true(
    small: ComponentTree, table: Likelihoods
) -> None:
    """Leaks drawn from the priors, looks from the table: of all places given p, a share p leaks."""
    rng = np.random.default_rng(5)
    prior = priors(small)
    looks = [("seal", "electronic-detector"), ("valves", "section-hold"), ("high", "dye")]
    believed, came_true = [], []
    for _ in range(3000):
        leak = rng.choice(list(prior), p=list(prior.values()))
        findings = []
        for place, key in looks:
            means = table.by_key(key)
            there = leak in small.leaves_of(place)
            chance = means.sensitivity if there else means.false_alarm
            points = "for" if rng.random() < chance else "against"
            findings.append(finding(place, key, points))
        for place, share in rank(findings, small, table).shares.items():
            believed.append(share)
            came_true.append(place == leak)
    order = np.argsort(believed)
    for part in np.array_split(order, 6):
        sure = np.array(believed)[part]
        true = np.array(came_true)[part]
        assert true.mean() == pytest.approx(sure.mean(), abs=4 * 0.5 / math.sqrt(len(part)))


def test_the_table_gives_back_its_own_ratios(table: Likelihoods) -> None:
    for means in table.means:
        assert 0.0 < means.false_alarm < means.sensitivity < 1.0
        assert means.sensitivity / means.false_alarm == pytest.approx(means.found)
        ratio = (1 - means.sensitivity) / (1 - means.false_alarm)
        assert ratio == pytest.approx(means.not_found)
        assert means.source


def test_expected_bits_are_the_mutual_information(small: ComponentTree, table: Likelihoods) -> None:
    """The other way about: H(result) - H(result | place)."""

    def binary(p: float) -> float:
        return entropy([p, 1 - p])

    shares = priors(small)
    for means in table.means:
        inside = small.leaves_of("valves")
        there = shares["high"] + shares["low"]
        other_way = binary(chance_found(means, inside, shares)) - (
            there * binary(means.sensitivity) + (1 - there) * binary(means.false_alarm)
        )
        assert expected_bits(means, inside, shares) == pytest.approx(other_way, abs=1e-12)


def test_the_next_check_is_the_one_that_tells_most(table: Likelihoods) -> None:
    tree = component_tree()
    ranking = rank([], tree, table)
    checks = next_checks(ranking, tree, table)
    assert checks[0].bits == max(check.bits for check in checks)
    assert checks[0].means == "section-hold"
    assert checks[0].place in ("high-side", "low-side")
    done = rank([finding(checks[0].place, checks[0].means, "against")], tree, table)
    again = next_checks(done, tree, table)
    assert (checks[0].means, checks[0].place) not in {(c.means, c.place) for c in again}
    assert done.entropy_bits < ranking.entropy_bits
    no_dye = next_checks(ranking, tree, table, dye_in=False)
    assert not any(check.means == "dye" for check in no_dye)
    assert any(check.means == "dye" for check in checks)


def test_a_look_at_everything_tells_nothing(small: ComponentTree, table: Likelihoods) -> None:
    sure = {"seal": 1.0, "high": 0.0, "low": 0.0, ELSEWHERE: 0.0}
    assert expected_bits(table.by_key("dye"), frozenset({"seal"}), sure) == pytest.approx(0.0)


def test_a_unit_has_its_own_places_and_not_what_it_lacks(table: Likelihoods) -> None:
    van = Vehicle(fleet_number="BM-02", refrigerant="R134a", own_places={"heater-tap": "high-side"})
    tree = tree_of(van, component_tree())
    assert "rear-evaporator" not in {place.key for place in tree.places}
    share = rank([finding("heater-tap", "bubbles", "for")], tree, table).shares["heater-tap"]
    assert share > priors(tree)["heater-tap"]
    bad = van.model_copy(update={"own_places": {"x": "condenser"}})
    with pytest.raises(VehicleError, match="own place 'x'"):
        tree_of(bad, component_tree())


def test_a_proved_repair_settles_what_was_found_before_it(small: ComponentTree) -> None:
    def visit(number: str, day: str, **rows: object) -> Job:
        row = {"number": number, "unit": "BM-01", "opened_on": day, **rows}
        return Job.model_validate(row)

    def at(place: str, day: str) -> dict[str, object]:
        return finding(place, "dye", "for").model_dump(mode="json") | {"on": day}

    first = visit("1", "2025-05-04", findings=[at("seal", "2025-05-04"), at("low", "2025-05-04")])
    repair = {"place": "seal", "act": "renewed", "on": "2026-05-04"}
    hold = {"hold_id": "7", "on": "2026-05-04", "procedure": "pressure-decay", "outcome": "pass"}
    later = visit("3", "2027-05-04", findings=[at("seal", "2027-05-04")])
    unproved = visit("2", "2026-05-04", repairs=[repair])
    proved = visit("2", "2026-05-04", repairs=[repair], holds=[hold])
    places = [f.place for f in still_standing([first, unproved, later], small)]
    assert places == ["low", "seal"]
    assert [f.on.year for f in still_standing([first, proved, later], small)] == [2027]


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (finding("seal", "sniffing", "for"), "write one of electronic-detector"),
        (finding("roof", "dye", "for"), "place 'roof'"),
        (finding("seal", "dye", "for", misled_by=["fog"]), "condition 'fog'"),
        (finding("seal", "dye", "for", misled_by=["only-by-drain"]), "does not mislead"),
    ],
)
def test_an_unknown_word_is_named(
    wrong: Finding, says: str, small: ComponentTree, table: Likelihoods
) -> None:
    with pytest.raises(VehicleError, match=says):
        rank([wrong], small, table)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('parent = "valves"\nweight = 10.0', 'parent = "nowhere"\nweight = 10.0', "its parent"),
        ('parent = "valves"\nweight = 10.0', 'parent = "valves"', "no `weight`"),
        ('key = "low"', 'key = "high"', "stands twice"),
        ("elsewhere = 10.0", "elsewhere = 0.0", "elsewhere"),
    ],
)
def test_a_tree_that_is_none_is_refused(old: str, new: str, says: str) -> None:
    assert old in SMALL
    with pytest.raises(VehicleError, match=says):
        component_tree(SMALL.replace(old, new))
