"""Recipes: what is refused, and how clearly."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hold_builder import decay_recipe, vacuum_recipe

from holdwatch_procedures.holds.recipe import RecipeError, load_recipe

DECAY: dict[str, Any] = {
    "procedure": "pressure-decay",
    "volume_l": 2.5,
    "refrigerant": "R134a",
    "criterion": {"leak_g_per_year": 500.0},
    "max_pressure_kpa_g": 1200,
}


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"volume_l": -1}, "`volume_l` must be a number above 0 and at most 10000 (got -1)"),
        ({"volume_l": "much"}, "`volume_l`"),
        ({"volume_l": float("nan")}, "`volume_l`"),
        ({"volum_l": 2}, "unknown key `volum_l`; known here:"),
        ({"refrigerant": "R999"}, "`refrigerant`: unknown refrigerant 'R999': write one of R134a"),
        ({"procedure": "pressure"}, "'pressure-decay' or 'standing-vacuum'"),
        ({"criterion": {}}, "exactly one of leak_g_per_year"),
        ({"criterion": {"leak_g_per_year": 1, "leak_pa_m3_per_s": 1}}, "exactly one of"),
        ({"criterion": {"max_change_kpa": 3}}, "needs `within_min`"),
        ({"criterion": {"leak_g_per_year": 1, "within_min": 3}}, "`within_min` goes with"),
        ({"criterion": {"max_change_micron": 3, "within_min": 3}}, "use `max_change_kpa`"),
        ({"criterion": {"leak_percent_per_year": 5}}, "needs `charge_g`"),
        ({"max_pressure_kpa_g": None}, "highest allowed pressure"),
        ({"limits": {"max_pressure_kpa_g": 900}}, "stands twice"),
        ({"limits": {"false_pass": 0.5}}, "`limits.false_pass` must be a number at least 0.0001"),
        ({"gas": "oxygen"}, "oxygen must never"),
        ({"gas": "air"}, "use dry nitrogen"),
        ({"vacuum": {"target_micron": 500}}, "[vacuum] goes with standing-vacuum"),
        ({"barometer_kpa": 100, "altitude_m": 10}, "not both"),
        ({"channels": {"low_side": {"noise": 1}}}, 'needs `unit`, for example unit = "kPag"'),
        ({"channels": {"low_side": {"unit": "kPa"}}}, "write kPag or kPaa"),
        ({"channels": {"left gauge": {}}}, 'channels."left gauge" needs `role`'),
        ({"channels": {"a": {"role": "top_side"}}}, "`role` is one of low_side"),
        (
            {"channels": {"a": {"role": "low_side"}, "b": {"role": "low_side"}}},
            "two channels have the role low_side",
        ),
        ({"channels": {"low_side": {"unit": "kPag", "range": [5, 1]}}}, "the lowest first"),
    ],
)
def test_a_wrong_key_is_named_with_what_is_allowed(change: dict[str, Any], told: str) -> None:
    table = {key: value for key, value in (DECAY | change).items() if value is not None}
    with pytest.raises(RecipeError) as caught:
        load_recipe(table, where="hold.toml")
    message = str(caught.value)
    assert message.startswith("hold.toml: ")
    assert told in message
    assert "\n" not in message


def test_every_missing_key_is_named_at_once_with_its_meaning() -> None:
    with pytest.raises(RecipeError) as caught:
        load_recipe({})
    for key in ("procedure", "volume_l", "refrigerant", "criterion"):
        assert f"`{key}` is missing: " in str(caught.value)


def test_the_highest_allowed_pressure_may_stand_at_the_top_or_under_limits() -> None:
    top = load_recipe(DECAY)
    under = {key: value for key, value in DECAY.items() if key != "max_pressure_kpa_g"}
    limits = load_recipe(under | {"limits": {"max_pressure_kpa_g": 1200}})
    assert top.max_gauge_pa == limits.max_gauge_pa == 1.2e6


@pytest.mark.parametrize(
    "recipe",
    [
        decay_recipe(channels={"low_side": {"unit": "psig", "resolution": 0.1, "range": [0, 500]}}),
        vacuum_recipe(vacuum={"target_micron": 400.0, "coldest_wall_c": 11.5}),
    ],
)
def test_a_recipe_written_as_toml_reads_back_equal(recipe: Any) -> None:
    assert load_recipe(tomllib.loads(recipe.to_toml())) == recipe


def test_figures_come_out_in_si() -> None:
    recipe = decay_recipe(
        channels={"low_side": {"unit": "psig", "resolution": 0.1, "range": [0, 500]}}
    )
    spec = recipe.channels["low_side"]
    # 1 psi is 6894.757 Pa: NIST SP 811, appendix B.
    assert spec.delta_si("resolution") == pytest.approx(689.4757, rel=1e-6)
    ends = spec.range_si()
    assert ends is not None
    assert ends[1] == pytest.approx(500 * 6894.757, rel=1e-6)
    # 500 micron is 66.6612 Pa, since a micron of mercury is a millitorr (NIST SP 811).
    assert vacuum_recipe().target_pa == pytest.approx(66.6612, rel=1e-5)
