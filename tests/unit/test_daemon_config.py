"""shop.toml: what is accepted, and one clear sentence for everything that is not."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from daemon_rig import CLAMP, GAUGE, shop_table

from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.settings.load import load_config, parse_config
from holdwatch_daemon.settings.recipes import complete_recipe
from holdwatch_procedures.holds.recipe import RecipeError

NITROGEN = {"procedure": "pressure-decay", "criterion": {"leak_g_per_year": 500.0}}


def changed(path: str, value: Any) -> dict[str, Any]:
    """The shop's table with one value changed; ``bay.0.roles.vacuum`` steps through it."""
    table = shop_table(Path("data"))
    place: Any = table
    *steps, last = path.split(".")
    for step in steps:
        place = place[int(step)] if isinstance(place, list) else place.setdefault(step, {})
    if isinstance(place, list):
        place.append(value)
    else:
        place[last] = value
    return table


@pytest.mark.parametrize(
    ("path", "value", "named", "advice"),
    [
        ("site.nam", "x", "`site.nam`", "known here: altitude_m, barometer_kpa, data, name"),
        ("site.name", "my shop", "`site.name`", "letters, digits, - and _"),
        ("site.barometer_kpa", 101.3, "`site`", "not both"),
        ("site.altitude_m", 9000, "`site.altitude_m`", "less than or equal to 5000"),
        ("http.port", 70000, "`http.port`", "65535"),
        ("http.host", "0.0.0.0", "`http`", "set host to 127.0.0.1"),  # noqa: S104 - refused here
        ("mqtt.port", 1883, "`mqtt.host`", "the broker's name or address"),
        ("mqtt", {"host": "broker", "password": "x"}, "`mqtt`", "needs `username`"),
        ("mqtt", {"host": "broker", "prefix": "a/#"}, "`mqtt.prefix`", "without #, + and spaces"),
        ("show.pressure", "bar", "`show.pressure`", "write barg or bara"),
        ("show.vacuum", "kPag", "`show.vacuum`", "is not one of pressure absolute"),
        ("show.temperature", "kPag", "`show.temperature`", "is not one of temperature"),
        ("probe.0.address", "12", "`probe[1].address`", "six pairs of hexadecimal digits"),
        ("probe.0.unit", "furlong", "`probe[1].unit`", "unknown unit 'furlong'"),
        ("probe.0.range", [10, 1], "`probe[1]`", "the lowest first"),
        ("probe.0.name", "BM-room", "`probe.name`", "stands 2 times"),
        ("probe.0.address", "02:00:00:00:00:02", "`probe.address`", "each probe has its own"),
        ("probe.0.stale_s", 0.5, "`probe[1]`", "must not be shorter than `interval_s`"),
        ("bay.0.name", "bay/1", "`bay[1].name`", "letters, digits, - and _"),
        ("bay.x", {"name": "BM-bay1"}, "`bay.name`", "stands 2 times"),
        ("bay.0.roles.suction", GAUGE, "`bay[1]`", "unknown role 'suction'"),
        ("bay.0.roles.high_side", GAUGE, "`bay[1]`", "one channel plays one role"),
        ("bay.0.roles.vacuum", "BM-vac/pressure", "roles.vacuum`", "no probe is named 'BM-vac'"),
        ("bay.0.roles.vacuum", GAUGE, "`bay[1]`", "bound to both `low_side` and `vacuum`"),
        ("bay.0.roles.low_side", "BM-bay1-gauge", "roles.low_side`", "write probe/quantity"),
        ("bay.0.roles.low_side", CLAMP, "`bay[1]`", "one channel plays one role"),
        ("bay.0.roles.high_side", "BM-room/temperature", "roles.high_side`", "BM-room/pressure"),
        ("bay.0.unit_under_test.refrigerant", "R999", "unit_under_test.refrigerant`", "R134a"),
        ("bay.0.unit_under_test.volume_l", -1, "unit_under_test.volume_l`", "greater than 0"),
        ("recipes.night", {"procedure": "decay"}, "`recipes.night`", "pressure-decay"),
        ("recipes.night", NITROGEN | {"volum_l": 2}, "`recipes.night`", "unknown key `volum_l`"),
        ("recipes.night", {"file": "none.toml"}, "`recipes.night`", "cannot be read"),
        ("recipes.night", 7, "`recipes.night`", "a recipe's table"),
    ],
)
def test_a_wrong_value_is_named_with_its_key_and_a_way_out(
    path: str, value: Any, named: str, advice: str
) -> None:
    table = changed(path, value)
    with pytest.raises(ConfigError) as caught:
        parse_config(table, where="shop.toml")
    assert any(
        problem.startswith("shop.toml: ") and named in problem and advice in problem
        for problem in caught.value.problems
    ), caught.value.problems


def test_every_problem_is_told_at_once() -> None:
    table = changed("site.nam", "x") | {"http": {"port": -1}}
    with pytest.raises(ConfigError) as caught:
        parse_config(table)
    assert len(caught.value.problems) == 2


def test_a_vented_gauge_cannot_be_a_vacuum_gauge() -> None:
    table = shop_table(Path("data"))
    table["bay"][0]["roles"] = {"vacuum": GAUGE}
    with pytest.raises(ConfigError, match="needs an absolute gauge"):
        parse_config(table)


def test_a_missing_file_and_a_broken_one_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match="there is no such file"):
        load_config(tmp_path / "shop.toml")
    broken = tmp_path / "shop.toml"
    broken.write_text("[site\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"this is not TOML: .*line 1"):
        load_config(broken)


def test_paths_count_from_the_file(tmp_path: Path) -> None:
    (tmp_path / "night.toml").write_text(
        'procedure = "pressure-decay"\n[criterion]\nleak_g_per_year = 40\n', encoding="utf-8"
    )
    file = tmp_path / "shop.toml"
    file.write_text('[site]\ndata = "d"\n[recipes]\nnight = "night.toml"\n', encoding="utf-8")
    config = load_config(file)
    assert config.database == tmp_path / "d" / "holdwatch.db"
    assert config.recipes["night"]["criterion"] == {"leak_g_per_year": 40}


def test_an_empty_file_is_a_shop_on_loopback_with_its_own_broker() -> None:
    config = parse_config({})
    assert config.http.is_loopback
    assert config.mqtt is None
    assert config.mqtt_prefix == "holdwatch/shop"


def test_a_recipe_is_completed_from_unit_probe_and_site() -> None:
    config = parse_config(shop_table(Path("data")))
    recipe = complete_recipe(
        config.recipes["nitrogen"], config, config.bay[0], name="nitrogen", where="recipe"
    )
    assert recipe.volume_l == 2.5
    assert recipe.refrigerant == "R-134a"
    assert recipe.max_gauge_pa == 1_800_000.0
    assert recipe.altitude_m == 250.0
    assert recipe.channels["low_side"].range == (0.0, 3500.0)
    assert recipe.channels["barometer"].reference == "absolute"


def test_a_recipes_own_figures_come_first() -> None:
    config = parse_config(shop_table(Path("data")))
    own = config.recipes["nitrogen"] | {
        "volume_l": 4.0,
        "barometer_kpa": 99.0,
        "limits": {"max_pressure_kpa_g": 1000.0},
        "channels": {"low_side": {"reference": "sealed"}},
    }
    recipe = complete_recipe(own, config, config.bay[0], name="own", where="recipe")
    assert recipe.volume_l == 4.0
    assert recipe.barometer_pa == 99_000.0
    assert recipe.max_gauge_pa == 1_000_000.0
    assert recipe.channels["low_side"].reference == "sealed"


def test_what_nobody_says_is_missed_by_name() -> None:
    table = shop_table(Path("data"))
    table["bay"][0]["unit_under_test"] = {"name": "VAN-11"}
    config = parse_config(table)
    with pytest.raises(RecipeError, match="`volume_l` is missing"):
        complete_recipe(
            config.recipes["nitrogen"], config, config.bay[0], name="nitrogen", where="recipe"
        )
