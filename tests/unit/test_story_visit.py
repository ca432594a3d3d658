"""A visit: follow-through and report; what each refuses to take for granted."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import Any

import pytest
from story_rows import DAY, dye, hold

from holdwatch_procedures.vehicles.balance import Allowances, Pair, balance
from holdwatch_procedures.vehicles.components import component_tree
from holdwatch_procedures.vehicles.follow_through import (
    Act,
    cautions_for,
    check_closable,
    follow_through,
    open_points,
)
from holdwatch_procedures.vehicles.job import (
    Job,
)
from holdwatch_procedures.vehicles.report import (
    build_report,
    content_hash,
    differences,
    read_report,
)
from holdwatch_procedures.vehicles.sections import read_sections
from holdwatch_procedures.vehicles.suspects import likelihoods, rank
from holdwatch_procedures.vehicles.validation import VehicleError, load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle

VAN = Vehicle(fleet_number="BM-01", refrigerant="R134a", nameplate_charge_g=900, evaporators=2)
TREE = component_tree()


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


def order(**changes: Any) -> Job:
    proof = {"after_repair": True}  # of the repair's own day: it must say so
    vacuum = {"hold_id": "2", "on": DAY, "procedure": "standing-vacuum", "outcome": "pass"} | proof
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
        "holds": [hold("system", 2, -9, 12, "pass").model_dump() | proof, vacuum],
        "answers": [
            {"point": key, "answer": "done", "on": DAY, **more} for key, more in ANSWERS.items()
        ],
        "advice": ["Come back in June."],
        **changes,
    }
    return load_row(Job, row, where="work order")


def still_open(visit: Job, **more: Any) -> dict[str, str]:
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
    waiting = {key: told for key, told in asked.items() if told != "not answered"}
    assert waiting == {
        "recover": "610 g is written down; confirm it by answering",
        "recharge": "900 g is written down; confirm it by answering",
    }
    with pytest.raises(VehicleError, match=r"2026-17 cannot close: recover: 610 g is .*; cores"):
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


def test_a_visit_that_found_but_did_not_mend_tells_its_customer() -> None:
    seen = {"place": "condenser", "means": "dye", "points": "for", "on": DAY}
    visit = {"repairs": [], "findings": [seen]}
    assert still_open(order(**visit, answers=[])) == {"not-repaired": "not answered"}
    told = [{"point": "not-repaired", "answer": "done", "on": DAY}]
    assert still_open(order(**visit, answers=told)) == {}
    silent = order(**visit, answers=told, advice=[])
    assert still_open(silent) == {"not-repaired": "no advice is written down"}


def test_dye_put_in_asks_for_a_day_to_look_again_and_no_cleaning() -> None:
    put_in = dye(8, DAY).model_dump(mode="json")
    assert list(still_open(order(repairs=[], answers=[], dye=[put_in]))) == ["look-again"]


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
                    hold("system", 20, -90, 120, "inconclusive").model_dump()
                    | {"after_repair": True},
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
    with pytest.raises(VehicleError, match="needs a reason"):
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


def made_report(visit: Job | None = None) -> Any:
    this = visit or order()
    pair = Pair(900, datetime(2025, 5, 4, tzinfo=UTC), 610, datetime(2026, 5, 4, tzinfo=UTC))
    return build_report(
        VAN,
        this,
        history=[this],
        tree=TREE,
        table=likelihoods(),
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
    assert report.customer.outlook.startswith("Before the repair")
    proof = "After the repair, whole system under nitrogen: system: pass"
    assert report.customer.proof[0] == proof
    assert "standing-vacuum hold: pass" in report.customer.proof[1]
    assert report.customer.done == ("compressor shaft seal: renewed.",)
    assert sum(row.share for row in report.shop.suspects) == pytest.approx(1.0)


def test_any_change_to_a_report_shows() -> None:
    given = json.loads(made_report().to_json())
    leaf = given["shop"]["work_order"]["weighings"][0]
    leaf["grams"] += 1e-9
    with pytest.raises(VehicleError, match="changed afterwards"):
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
    # sha256sum of {"a":{"c":null,"d":0.1},"b":1}
    known = "8f2b87deb0a2541756c0c2e70285faf2636fb004d6ab6179e0d9ed5b71da3f0a"
    assert content_hash(content) == content_hash(turned) == known


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
    with pytest.raises(VehicleError, match=says):
        order(**changes)


def test_a_work_order_reads_back_from_its_json() -> None:
    visit = order()
    assert load_row(Job, json.loads(visit.model_dump_json()), where="again") == visit


def test_a_pass_of_the_repairs_day_that_came_before_it_proves_nothing() -> None:
    before = order()
    holds = tuple(one.model_copy(update={"after_repair": False}) for one in before.holds)
    told = open_points(before.model_copy(update={"holds": holds}), VAN, follow_through())
    assert [point.key for point in told] == ["prove", "evacuate"]
