"""Two seasons of one library van through every sum of its story; all figures invented."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
from datetime import date
from typing import Any

import pytest

from holdwatch_procedures import vehicles
from holdwatch_procedures.vehicles.charge_history import last_repair, unit_balance
from holdwatch_procedures.vehicles.components import component_tree, tree_of
from holdwatch_procedures.vehicles.dye import dye_advice
from holdwatch_procedures.vehicles.follow_through import follow_through, open_points
from holdwatch_procedures.vehicles.job import Job
from holdwatch_procedures.vehicles.report import build_report
from holdwatch_procedures.vehicles.sections import read_sections
from holdwatch_procedures.vehicles.suspects import likelihoods, next_checks, rank, still_standing
from holdwatch_procedures.vehicles.validation import load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle, volume_classes

VAN = Vehicle.model_validate(
    {
        "fleet_number": "BM-02",
        "plate": "LIB 202",
        "refrigerant": "R134a",
        "nameplate_charge_g": 900,
        "oil": {"kind": "PAG", "grade": "46", "amount_ml": 180},
        "evaporators": 2,
        "volume": volume_classes().volume("van-two-evaporators").model_dump(),
        "max_pressure_kpa_g": 1300,
    }
)
TREE = tree_of(VAN, component_tree())
TABLE = likelihoods()
FIRST, SECOND, THIRD = "2025-05-12", "2025-09-15", "2026-05-11"


def visit(number: str, day: str, **rows: Any) -> Job:
    row = {"number": number, "unit": "BM-02", "opened_on": day, **rows}
    return load_row(Job, row, where=number)


def weights(day: str, out: float, back: float = 900) -> list[dict[str, Any]]:
    return [
        {"kind": "recovered", "grams": out, "on": day},
        {"kind": "charged", "grams": back, "on": day},
    ]


def hold(number: str, section: str, figures: tuple[float, float, float], outcome: str) -> Any:
    value, low, high = figures
    return {
        "hold_id": number, "on": THIRD, "procedure": "pressure-decay", "outcome": outcome,
        "section": section, "g_per_year": value, "low": low, "high": high,
    }  # fmt: skip


def nothing(day: str, *places: str) -> list[dict[str, Any]]:
    return [
        {"place": place, "means": "electronic-detector", "points": "against", "on": day}
        for place in places
    ]


VISITS = [
    visit(
        "1",
        FIRST,
        complaint="cools badly on hot days",
        weighings=weights(FIRST, 590),
        findings=nothing(FIRST, "condenser", "evaporator", "compressor.shaft-seal"),
        dye=[{"dye": "yellow", "amount_ml": 8, "on": FIRST, "way": "under vacuum"}],
        answers=[{"point": "look-again", "answer": "done", "on": FIRST, "look_again_on": SECOND}],
    ),
    visit("2", SECOND, weighings=weights(SECOND, 795), findings=nothing(SECOND, "rear-evaporator")),
    visit(
        "3",
        THIRD,
        weighings=weights(THIRD, 700),
        holds=[
            hold("31", "system", (265, 235, 300), "fail"),
            hold("32", "compressor", (255, 230, 285), "fail"),
            hold("33", "high-side", (6, -9, 20), "pass"),
            hold("34", "low-side", (4, -9, 18), "pass"),
            {**hold("36", "system", (3, -9, 16), "pass"), "after_repair": True},
            {**hold("37", "system", (0, -5, 9), "pass"), "procedure": "standing-vacuum",
             "after_repair": True},
        ],
        repairs=[
            {"place": "compressor.shaft-seal", "act": "renewed", "on": THIRD,
             "opened_main_part": True},
        ],
    ),
]  # fmt: skip


def test_the_weights_of_three_visits_show_and_narrow_the_leak() -> None:
    one = unit_balance(VAN, VISITS[:2])
    both = unit_balance(VAN, VISITS)
    assert one is not None
    assert both is not None
    assert len(both.pairs) == 2  # what came out at the first visit pairs with no known charge
    assert both.standard_u < one.standard_u
    assert both.low > 60  # beyond the law's figure for two evaporators
    assert both.against_law == "above"


def test_a_hold_of_sections_finds_what_no_detector_did() -> None:
    searched = rank(still_standing(VISITS[:2], TREE), TREE, TABLE)
    assert searched.suspects[0].share < 0.3
    assert next_checks(searched, TREE, TABLE)[0].means == "section-hold"
    before = [h for h in VISITS[2].holds if h.hold_id < "36"]
    read = read_sections(before, TREE, limit_g_per_year=60)
    assert read.consistent
    assert read.carriers == ("compressor",)
    findings = [*still_standing(VISITS[:2], TREE), *read.findings(date.fromisoformat(THIRD))]
    found = rank(findings, TREE, TABLE)
    compressor = TREE.leaves_of("compressor")
    assert sum(share for key, share in found.shares.items() if key in compressor) > 0.95
    assert next_checks(found, TREE, TABLE)[0].place in compressor
    lamp = dye_advice(VISITS[0].dye, on=date.fromisoformat(THIRD), oil_ml=VAN.oil.amount_ml)
    assert lamp.start_with_lamp


def test_the_visit_closes_when_all_is_answered_and_the_story_starts_anew() -> None:
    table = follow_through()
    asked = open_points(VISITS[2], VAN, table, dye_in_unit=True)
    assert "prove" in {point.key for point in asked}
    answers = [
        {"point": point.key, "answer": "done", "on": THIRD, "note": "20 ml out, 20 ml in",
         "look_again_on": "2026-06-08" if point.key == "look-again" else None}
        for point in asked
    ]  # fmt: skip
    row = {**VISITS[2].model_dump(mode="json"), "answers": answers}
    closed = load_row(Job, row, where="3")
    assert open_points(closed, VAN, table, dye_in_unit=True) == []
    year_on = visit("4", "2027-05-10", weighings=weights("2027-05-10", 885))
    visits = [*VISITS[:2], closed, year_on]
    assert still_standing(visits, TREE) == ()
    after = unit_balance(VAN, visits, since=last_repair(visits))
    assert after is not None
    assert after.low < 0
    assert after.against_law == "below"
    report = build_report(
        VAN, year_on, history=visits, tree=TREE, table=TABLE, made_on=date(2027, 5, 11),
        version="0.1.0", balance=after,
    )  # fmt: skip
    assert "show no loss" in report.customer.outlook
    assert [row.grams for row in report.customer.charge_history] == [
        590, 900, 795, 900, 700, 900, 885, 900,
    ]  # fmt: skip


MODULES = [m.name for m in pkgutil.iter_modules(vehicles.__path__)]


@pytest.mark.parametrize("name", MODULES)
def test_docstring_examples_hold(name: str) -> None:
    module = importlib.import_module(f"holdwatch_procedures.vehicles.{name}")
    assert doctest.testmod(module).failed == 0
