"""The recipes that come with holdwatch: whole with a unit's figures, honest in their comments."""

from __future__ import annotations

import re
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import pytest

from holdwatch_daemon.settings.recipes import shipped_recipes
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds.plan import Conditions, visible_over_time
from holdwatch_procedures.holds.recipe import load_recipe

if TYPE_CHECKING:
    from holdwatch_procedures.holds.recipe import Recipe

NAMES = sorted(shipped_recipes())
VAN: dict[str, Any] = {
    "refrigerant": "R134a",
    "volume_l": 2.5,
    "charge_g": 600.0,
    "max_pressure_kpa_g": 1500.0,
}
GAUGE = {
    "unit": "kPag",
    "range": [0, 3500],
    "resolution": 0.7,
    "noise": 0.4,
    "tempco_percent_of_span_per_k": 0.02,
}
VACUUM_GAUGE = {"unit": "micron", "range": [0, 20000], "resolution": 1}


def whole(name: str) -> Recipe:
    channels = {"low_side": GAUGE, "vacuum": VACUUM_GAUGE}
    return load_recipe(shipped_recipes()[name] | VAN | {"channels": channels}, where=name)


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_recipe_needs_only_the_units_own_figures(name: str) -> None:
    assert whole(name).criterion.source


def test_the_law_stands_as_it_is_printed() -> None:
    # Directive 2006/40/EC: 40 g a year for one evaporator, 60 g for two.
    assert whole("one-evaporator-law").criterion.limit == 40.0
    assert whole("two-evaporators-law").criterion.limit == 60.0


def stated(name: str) -> dict[str, list[tuple[float, float]]]:
    """The reach that a recipe's comments state: condition to (minutes, grams a year)."""
    folder = files("holdwatch_daemon").joinpath("shipped")
    text = folder.joinpath(f"{name}.toml").read_text(encoding="utf-8")
    return {
        line[1]: [(float(t), float(g)) for t, g in re.findall(r"(\d+) min (\d+) g", line[2])]
        for line in re.finditer(r"^# reach (?:at )?([\w ]+): (.*)$", text, re.MULTILINE)
    }


@pytest.mark.parametrize("name", ["overnight-nitrogen", "evacuation-and-vacuum-hold"])
def test_the_reach_in_the_comments_is_what_plan_forecasts(name: str) -> None:
    fluids = Fluids.load()
    for condition, figures in stated(name).items():
        kpa = re.match(r"\d+", condition)
        conditions = Conditions(
            gauge_pa=float(kpa[0]) * 1e3 if kpa else None, moist=condition == "moist"
        )
        path = visible_over_time(whole(name), fluids, conditions, figures[-1][0])
        for minutes, grams in figures:
            seen = min(g for t, g in path if t <= minutes + 1e-9)
            assert seen == pytest.approx(grams, rel=0.1), (condition, minutes)


def test_all_nitrogen_recipes_state_the_same_reach() -> None:
    nitrogen = [name for name in NAMES if not whole(name).is_vacuum]
    assert len(nitrogen) == 4
    first = stated(nitrogen[0])
    assert first
    assert all(stated(name) == first for name in nitrogen)
