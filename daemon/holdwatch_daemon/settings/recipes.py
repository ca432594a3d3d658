"""A hold's recipe, completed with what the shop knows of its unit, gauges and room."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from holdwatch_physics.reading import Channel
from holdwatch_procedures.holds import Recipe, load_recipe

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdwatch_daemon.settings.shop import BayConfig, ShopConfig


def shipped_recipes() -> dict[str, dict[str, Any]]:
    """Return the recipes that come with holdwatch, by name; a shop's own of that name replaces one.

    They lack what the unit under test supplies: refrigerant, charge, volume, highest pressure.
    """
    folder = files("holdwatch_daemon").joinpath("shipped")
    return {
        file.name.removesuffix(".toml"): tomllib.loads(file.read_text(encoding="utf-8"))
        for file in sorted(folder.iterdir(), key=lambda each: each.name)
        if file.name.endswith(".toml")
    }


# Stand-ins for what a bay's unit supplies, so that a recipe without them can be checked early.
_FROM_UNIT = {"refrigerant": "R134a", "charge_g": 500.0, "volume_l": 2.0}


def check_recipe_table(table: Mapping[str, Any], *, where: str) -> None:
    """Check a configured recipe, allowing it to lack what the unit under test supplies.

    Raises:
        RecipeError: The message begins with ``where`` and names the key.
    """
    filled: dict[str, Any] = _FROM_UNIT | dict(table)
    if filled.get("procedure") == "pressure-decay" and not _states_max_pressure(filled):
        filled["max_pressure_kpa_g"] = 1000.0
    load_recipe(filled, where=where)


def complete_recipe(
    table: Mapping[str, Any], config: ShopConfig, bay: BayConfig, *, name: str, where: str
) -> Recipe:
    """Return the recipe of a hold in this bay.

    The recipe's own figures come first; what it leaves out comes from the unit under test
    (refrigerant, charge, volume, highest pressure), the probes (``[channels]``) and the site
    (barometer or altitude).

    Raises:
        RecipeError: Something is wrong or still missing.
    """
    filled = dict(table)
    if bay.unit_under_test is not None:
        figures = bay.unit_under_test.recipe_figures()
        filled = figures | _never_above(filled, bay.unit_under_test.max_pressure_kpa_g)
    if "barometer_kpa" not in filled and "altitude_m" not in filled:
        site = config.site.model_dump(include={"barometer_kpa", "altitude_m"}, exclude_none=True)
        filled |= site
    filled.setdefault("name", name)
    if filled.get("start", "auto") == "auto":
        # A running pump or an open regulator would look like a tight unit: a live hold starts
        # with an isolation that is seen in the vacuum, or with the word of a person.
        filled["start"] = "seen" if filled.get("procedure") == "standing-vacuum" else "said"
    filled["channels"] = _channels(filled.get("channels", {}), config, bay)
    return load_recipe(filled, where=where)


def _never_above(table: Mapping[str, Any], plate_kpa: float | None) -> dict[str, Any]:
    """Return a recipe whose highest allowed pressure is not above the unit's own plate."""
    held = dict(table)
    if plate_kpa is None:
        return held
    limits = dict(held["limits"]) if isinstance(held.get("limits"), dict) else {}
    stated = [held.pop("max_pressure_kpa_g", None), limits.pop("max_pressure_kpa_g", None)]
    if isinstance(held.get("limits"), dict):
        held["limits"] = limits
    figures = [each for each in stated if each is not None]
    wrong = [each for each in figures if not isinstance(each, int | float)]
    held["max_pressure_kpa_g"] = wrong[0] if wrong else min([plate_kpa, *figures])
    return held


def _states_max_pressure(table: Mapping[str, Any]) -> bool:
    limits = table.get("limits")
    stated_in_limits = isinstance(limits, dict) and "max_pressure_kpa_g" in limits
    return stated_in_limits or "max_pressure_kpa_g" in table


def _channels(given: object, config: ShopConfig, bay: BayConfig) -> object:
    """Return the recipe's channels, those it does not describe taken from the probes."""
    if not isinstance(given, dict):
        return given  # wrong, and the recipe's own check says so
    channels: dict[str, Any] = dict(given)
    for role, channel in bay.roles.items():
        probe = config.probe_of(channel)
        if probe is None or role in channels:
            continue
        figures = probe.figures(Channel.parse(channel).quantity)
        if figures:
            channels[role] = {"role": role, **figures}
    return channels
