"""A visit: dye, sections, follow-through, report; what each refuses to take for granted."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import Any

import pytest

from holdwatch_procedures.story.balance import balance
from holdwatch_procedures.story.charge_pairs import Allowances, Pair
from holdwatch_procedures.story.components import component_tree
from holdwatch_procedures.story.dye import dye_advice, too_much_after
from holdwatch_procedures.story.evidence import likelihoods, rank
from holdwatch_procedures.story.follow_through import (
    Act,
    cautions_for,
    check_closable,
    follow_through,
    open_points,
)
from holdwatch_procedures.story.report_model import (
    build_report,
    content_hash,
    differences,
    read_report,
)
from holdwatch_procedures.story.rows import StoryError, load_row
from holdwatch_procedures.story.sections import Standing, read_sections
from holdwatch_procedures.story.units_under_test import UnitUnderTest
from holdwatch_procedures.story.work_orders import (
    DyeEntry,
    HoldEntry,
    Points,
    Strength,
    WorkOrder,
)

DAY = "2026-05-04"
VAN = UnitUnderTest(
    fleet_number="BM-01", refrigerant="R134a", nameplate_charge_g=900, evaporators=2
)
TREE = component_tree()


# -- dye --------------------------------------------------------------------------------------


def dye(ml: float, day: str, way: str = "into the running low side") -> DyeEntry:
    row = {"dye": "yellow dye for PAG", "amount_ml": ml, "on": day, "way": way}
    return DyeEntry.model_validate(row)


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
    with pytest.raises(StoryError, match="above 0 ml"):
        too_much_after(one, more_ml=0, on=date(2025, 5, 4), oil_ml=150)


def test_dye_leaves_with_the_oil_and_later_dye_is_not_known_yet() -> None:
    held = [dye(8, "2024-05-04"), dye(8, "2027-05-04")]
    advice = dye_advice(
        held, on=date(2026, 5, 4), oil_ml=150, oil_changed_on=date(2025, 1, 1), cleaned_off=False
    )
    assert advice.in_unit == ()
    assert not advice.start_with_lamp


# -- sections ---------------------------------------------------------------------------------


def hold(section: str, value: float, low: float, high: float, outcome: str) -> HoldEntry:
    row = {
        "hold_id": f"h-{section}",
        "on": DAY,
        "procedure": "pressure-decay",
        "outcome": outcome,
        "section": section,
        "g_per_year": value,
        "low": low,
        "high": high,
        "sentence": f"{section}: {outcome}",
    }
    return HoldEntry.model_validate(row)


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
    with pytest.raises(StoryError, match="no hold"):
        read_sections([], TREE, limit_g_per_year=60)
    with pytest.raises(StoryError, match="place 'roof'"):
        read_sections([hold("roof", 1, 0, 2, "fail")], TREE, limit_g_per_year=60)


# -- follow-through ---------------------------------------------------------------------------

REPAIR = {
    "place": "compressor.shaft-seal",
    "act": "renewed",
    "on": DAY,
    "opened_main_part": True,
}
ANSWERS: dict[str, dict[str, Any]] = {
    "recover": {},
    "cores-and-caps": {},
    "drier": {},
    "oil": {"note": "20 ml out, 20 ml in"},
    "prove": {},
    "evacuate": {},
    "recharge": {},
    "look-again": {"look_again_on": "2026-06-04"},
}


def order(**changes: Any) -> WorkOrder:
    vacuum = {"hold_id": "2", "on": DAY, "procedure": "standing-vacuum", "outcome": "pass"}
    row = {
        "number": "2026-17",
        "unit": "BM-01",
        "opened_on": DAY,
        "complaint": "cools badly on hot days",
        "repairs": [REPAIR],
        "weighings": [
            {"kind": "recovered", "grams": 610, "on": DAY},
            {"kind": "charged", "grams": 900, "on": DAY},
        ],
        "holds": [hold("system", 2, -9, 12, "pass").model_dump(), vacuum],
        "answers": [
            {"point": key, "answer": "done", "on": DAY, **more} for key, more in ANSWERS.items()
        ],
        "advice": ["Come back in June."],
        **changes,
    }
    return load_row(WorkOrder, row, where="work order")


def still_open(visit: WorkOrder, **more: Any) -> dict[str, str]:
    points = open_points(visit, VAN, follow_through(), **more)
    return {point.key: point.missing for point in points}


def test_a_repair_with_every_answer_and_proof_closes() -> None:
    assert still_open(order()) == {}
    check_closable(open_points(order(), VAN, follow_through()), order())


def test_a_repair_without_answers_asks_for_everything_in_order() -> None:
    asked = still_open(order(answers=[]), dye_in_unit=True)
    assert list(asked) == [
        "recover", "cores-and-caps", "drier", "oil", "clean-dye", "prove", "evacuate", "recharge",
        "look-again",
    ]  # fmt: skip
    assert set(asked.values()) == {"not answered"}
    with pytest.raises(StoryError, match="2026-17 cannot close: recover: not answered; cores"):
        check_closable(open_points(order(answers=[]), VAN, follow_through()), order())


def test_the_drier_goes_with_a_main_part_only() -> None:
    hose = order(answers=[], repairs=[{**REPAIR, "opened_main_part": False}])
    assert "drier" not in still_open(hose)
    outside = order(
        answers=[],
        repairs=[{**REPAIR, "act": "cleaned", "opened_main_part": False, "opened_circuit": False}],
    )
    assert list(still_open(outside)) == ["cores-and-caps", "look-again"]
    assert still_open(order(answers=[], repairs=[])) == {}


def answers_with(point: str, **change: Any) -> list[dict[str, Any]]:
    given = {key: {"answer": "done", **more} for key, more in ANSWERS.items()}
    given[point] = change
    return [{"point": key, "on": DAY, **more} for key, more in given.items()]


@pytest.mark.parametrize(
    ("changes", "point", "says"),
    [
        ({"holds": []}, "prove", "no nitrogen hold of the whole system"),
        (
            {"holds": [hold("front", 2, -9, 12, "pass").model_dump()]},
            "prove",
            "no nitrogen hold of the whole system",
        ),
        (
            {
                "holds": [
                    hold("system", 2, -9, 12, "pass").model_dump(),
                    hold("system", 20, -90, 120, "inconclusive").model_dump(),
                ]
            },
            "prove",
            "was inconclusive",
        ),
        (
            {"holds": [{**hold("system", 2, -9, 12, "pass").model_dump(), "on": "2026-05-01"}]},
            "prove",
            "since the repair",
        ),
        ({"answers": answers_with("prove", answer="not needed", note="sure")}, "prove", "waived"),
        ({"answers": answers_with("prove", answer="deferred", note="later")}, "prove", "put off"),
        ({"answers": answers_with("oil", answer="done")}, "oil", "figures are missing"),
        ({"answers": answers_with("drier", answer="deferred", note="no part")}, "drier", "a day"),
        ({"answers": answers_with("look-again", answer="done")}, "look-again", "no day"),
        (
            {"answers": answers_with("look-again", answer="done", look_again_on=DAY)},
            "look-again",
            "not after",
        ),
        (
            {"weighings": [{"kind": "charged", "grams": 700, "on": DAY}]},
            "recharge",
            "nameplate says 900 g",
        ),
        ({"weighings": [{"kind": "charged", "grams": 900, "on": DAY}]}, "recover", "no recovered"),
    ],
)
def test_done_is_not_done_without_its_proof(changes: dict[str, Any], point: str, says: str) -> None:
    assert says in still_open(order(**changes))[point]


def test_a_refusal_with_its_reason_closes_a_point_that_may_be_refused() -> None:
    fine = order(answers=answers_with("drier", answer="not needed", note="renewed last month"))
    assert still_open(fine) == {}
    with pytest.raises(StoryError, match="needs a reason"):
        order(answers=answers_with("drier", answer="not needed"))


def test_cautions_stand_where_the_act_is_and_fire_only_where_it_burns() -> None:
    table = follow_through()
    told = " ".join(cautions_for(Act.NITROGEN, table, flammable=False))
    assert "Never oxygen or air" in told
    assert "burns" not in told
    assert "burns" in " ".join(cautions_for(Act.CHARGE, table, flammable=True))
    assert "Ultraviolet" in " ".join(cautions_for(Act.LAMP, table, flammable=False))
    proof = next(
        p for p in open_points(order(answers=[]), VAN, follow_through()) if p.key == "prove"
    )
    assert any("regulator" in caution for caution in proof.cautions)


# -- report -----------------------------------------------------------------------------------


def made_report(visit: WorkOrder | None = None) -> Any:
    this = visit or order()
    pair = Pair(900, datetime(2025, 5, 4, tzinfo=UTC), 610, datetime(2026, 5, 4, tzinfo=UTC))
    return build_report(
        VAN,
        this,
        history=[this],
        made_on=date(2026, 5, 5),
        version="0.1.0",
        balance=balance([pair], Allowances(), nameplate_g=900, evaporators=2),
        ranking=rank([], TREE, likelihoods()),
        sections=read_sections(
            [hold("low-side", 200, 175, 225, "fail")], TREE, limit_g_per_year=60
        ),
    )


def test_a_report_reads_back_and_says_what_matters() -> None:
    report = made_report()
    again = read_report(json.loads(report.to_json()))
    assert again == report
    assert report.customer.come_back_on == date(2026, 6, 4)
    assert "g a year were lost" in report.customer.outlook
    assert "noticed between" in report.customer.outlook
    assert report.customer.proof == ("system: pass",)
    assert len(report.shop.suspects) == 5


def test_any_change_to_a_report_shows() -> None:
    given = json.loads(made_report().to_json())
    leaf = given["shop"]["work_order"]["weighings"][0]
    leaf["grams"] += 1e-9
    with pytest.raises(StoryError, match="changed afterwards"):
        read_report(given)
    given["content_sha256"] = content_hash(given)  # a forger who hashes anew
    forged = read_report(given)
    told = differences(forged, made_report())
    assert len(told) == 1
    assert told[0].startswith("shop.work_order.weighings[0].grams")


def test_a_changed_verdict_in_the_store_is_named() -> None:
    changed = order(holds=[hold("system", 2, -9, 12, "fail").model_dump()])
    told = "\n".join(differences(made_report(), made_report(changed)))
    assert "shop.proofs" in told
    assert differences(made_report(), made_report()) == []


def test_the_hash_does_not_depend_on_the_order_of_keys() -> None:
    content = {"b": 1, "a": {"d": 0.1, "c": None}}
    turned = {"a": {"c": None, "d": 0.1}, "b": 1}
    # sha256 of {"a":{"c":null,"d":0.1},"b":1}, by sha256sum
    assert content_hash(content) == content_hash(turned)


# -- work orders ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"closed_on": "2026-05-01"}, "before it was opened"),
        ({"holds": [{**hold("system", 1, 0, 2, "fail").model_dump(), "low": 9.0}]}, "above `high`"),
        ({"findings": [{"place": "condenser"}]}, "`findings.0.means` is missing"),
        ({"answers": [{"point": "a", "answer": "done", "on": DAY}] * 2}, "answered twice"),
        ({"mood": "good"}, "unknown key `mood`"),
    ],
)
def test_a_wrong_work_order_is_refused_by_its_key(changes: dict[str, Any], says: str) -> None:
    with pytest.raises(StoryError, match=says):
        order(**changes)


def test_a_work_order_reads_back_from_its_json() -> None:
    visit = order()
    assert load_row(WorkOrder, json.loads(visit.model_dump_json()), where="again") == visit
