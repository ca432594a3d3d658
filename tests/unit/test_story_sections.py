"""Dye and sections: what is in the unit, and which part of it leaks."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from story_rows import DAY, dye, hold

from holdwatch_procedures.vehicles.components import component_tree
from holdwatch_procedures.vehicles.dye import dye_advice, too_much_after
from holdwatch_procedures.vehicles.job import HoldEntry, Points, Strength
from holdwatch_procedures.vehicles.sections import Standing, read_sections
from holdwatch_procedures.vehicles.suspects import likelihoods, rank
from holdwatch_procedures.vehicles.validation import VehicleError

TREE = component_tree()


# -- dye --------------------------------------------------------------------------------------


def test_dye_from_an_earlier_visit_starts_the_search_with_the_lamp() -> None:
    advice = dye_advice([dye(8, "2025-05-04")], on=date(2026, 5, 4), oil_ml=150)
    assert advice.start_with_lamp
    assert not advice.too_much
    assert advice.share_of_oil == pytest.approx(8 / 150)
    assert any("lamp" in sentence for sentence in advice.sentences)


def test_dye_of_the_same_day_has_had_no_time() -> None:
    advice = dye_advice([dye(8, DAY)], on=date(2026, 5, 4), oil_ml=150)
    assert not advice.start_with_lamp
    assert any("little" in sentence for sentence in advice.sentences)


def test_too_much_dye_is_warned_about_before_and_after() -> None:
    held = [dye(8, "2024-05-04"), dye(8, "2025-05-04")]
    advice = dye_advice(held, on=date(2026, 5, 4), oil_ml=150)
    assert advice.too_much  # 16 of 150 ml
    assert any("11 %" in sentence for sentence in advice.sentences)
    one = held[:1]
    assert too_much_after(one, more_ml=8, on=date(2025, 5, 4), oil_ml=150) is not None
    assert too_much_after(one, more_ml=5, on=date(2025, 5, 4), oil_ml=150) is None
    assert too_much_after(one, more_ml=5, on=date(2025, 5, 4), oil_ml=None) is not None
    with pytest.raises(VehicleError, match="above 0 ml"):
        too_much_after(one, more_ml=0, on=date(2025, 5, 4), oil_ml=150)


def test_dye_leaves_with_the_oil_and_later_dye_is_not_known_yet() -> None:
    held = [dye(8, "2024-05-04"), dye(8, "2027-05-04")]
    advice = dye_advice(
        held, on=date(2026, 5, 4), oil_ml=150, oil_changed_on=date(2025, 1, 1), cleaned_off=False
    )
    assert advice.in_unit == ()
    assert not advice.start_with_lamp


# -- sections ---------------------------------------------------------------------------------


def test_sections_say_which_part_leaks() -> None:
    read = read_sections(
        [
            hold("system", 210, 180, 240, "fail"),
            hold("high-side", 4, -10, 15, "pass"),
            hold("low-side", 200, 175, 225, "fail"),
            hold("compressor", 5, -10, 18, "pass"),
        ],
        TREE,
        limit_g_per_year=60,
    )
    standing = {part.key: part.standing for part in read.sections}
    assert standing["low-side"] is Standing.LEAKS
    assert standing["high-side"] is Standing.TIGHT
    assert read.carriers == ("low-side",)
    assert read.consistent
    assert read.comparisons[0].covered
    # 210 - (4 + 200 + 5) = 1; bounds √(30² + 11² + 25² + 13²) = 42.6 below, 44.2 above (by hand)
    assert read.comparisons[0].difference == pytest.approx(1.0)
    assert read.comparisons[0].low == pytest.approx(1 - 42.6, abs=0.1)
    assert read.comparisons[0].high == pytest.approx(1 + 44.2, abs=0.1)
    shares = {part.key: part.share for part in read.sections}
    assert shares["low-side"] == pytest.approx(200 / 209)


def test_what_the_sections_said_ranks_the_suspects() -> None:
    read = read_sections(
        [
            hold("high-side", 4, -10, 15, "pass"),
            hold("low-side", 200, 175, 225, "fail"),
        ],
        TREE,
        limit_g_per_year=60,
    )
    findings = read.findings(date(2026, 5, 4))
    assert {(f.place, f.points, f.strength) for f in findings} == {
        ("high-side", Points.AGAINST, Strength.STRONG),
        ("low-side", Points.FOR, Strength.STRONG),
    }
    shares = rank(findings, TREE, likelihoods()).shares
    low_side = sum(share for key, share in shares.items() if key in TREE.leaves_of("low-side"))
    assert low_side > 0.98


def test_a_whole_that_leaks_more_than_its_parts_is_said() -> None:
    read = read_sections(
        [
            hold("low-side", 200, 180, 220, "fail"),
            hold("front", 3, -8, 12, "pass"),
            hold("rear", 2, -8, 12, "pass"),
        ],
        TREE,
        limit_g_per_year=60,
    )
    assert read.consistent is False
    assert "between them leaks" in read.sentence
    assert read.findings(date(2026, 5, 4)) == ()


def test_parts_that_leak_more_than_the_whole_are_said() -> None:
    read = read_sections(
        [
            hold("system", 100, 90, 110, "fail"),
            hold("high-side", 100, 90, 110, "fail"),
            hold("low-side", 95, 85, 105, "fail"),
        ],
        TREE,
        limit_g_per_year=60,
    )
    assert read.consistent is False
    assert "shut-off" in read.sentence


def test_a_part_that_was_not_held_may_carry_the_rest() -> None:
    read = read_sections(
        [hold("system", 200, 180, 220, "fail"), hold("high-side", 3, -9, 12, "pass")],
        TREE,
        limit_g_per_year=60,
    )
    assert read.consistent
    assert "hold the rest" in read.comparisons[0].sentence


@pytest.mark.parametrize(
    ("held", "standing"),
    [
        (("front", 20.0, -30.0, 70.0, "pass"), Standing.CANNOT_TELL),  # upper bound above 60
        (("front", 2.0, -9.0, 12.0, "inconclusive"), Standing.CANNOT_TELL),  # no pass was earned
        (("front", 99.0, 80.0, 120.0, "inconclusive"), Standing.CANNOT_TELL),
        (("front", 99.0, 80.0, 120.0, "fail"), Standing.LEAKS),
    ],
)
def test_only_a_pass_makes_a_part_tight(held: Any, standing: Standing) -> None:
    read = read_sections([hold(*held)], TREE, limit_g_per_year=60)
    assert read.sections[0].standing is standing


def test_holds_without_figures_or_against_each_other_tell_nothing() -> None:
    bare = HoldEntry.model_validate(
        {"hold_id": "1", "on": DAY, "procedure": "pressure-decay", "outcome": "inconclusive"}
    )
    assert read_sections([bare], TREE, limit_g_per_year=60).sections[0].standing is (
        Standing.CANNOT_TELL
    )
    against = [hold("rear", 100, 90, 110, "fail"), hold("rear", 2, -5, 9, "pass")]
    assert "contradict" in read_sections(against, TREE, limit_g_per_year=60).sections[0].sentence
    with pytest.raises(VehicleError, match="no hold"):
        read_sections([], TREE, limit_g_per_year=60)
    with pytest.raises(VehicleError, match="place 'roof'"):
        read_sections([hold("roof", 1, 0, 2, "fail")], TREE, limit_g_per_year=60)
