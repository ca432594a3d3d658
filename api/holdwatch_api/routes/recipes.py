"""Configured recipes as a person chooses among them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_api.shapes import RecipeSummary
from holdwatch_daemon.jobs import filled_for_bay
from holdwatch_daemon.settings import complete_recipe
from holdwatch_procedures.holds import RecipeError, load_recipe
from holdwatch_procedures.wording import said

if TYPE_CHECKING:
    from collections.abc import Mapping

    from holdwatch_daemon.settings import BayConfig, ShopConfig
    from holdwatch_procedures.holds import Recipe
    from holdwatch_procedures.vehicles import Vehicle


def summaries(
    config: ShopConfig, bay: BayConfig | None, stored: Vehicle | None = None
) -> list[RecipeSummary]:
    """Return the shop's recipes by name, each as it would run in the bay.

    Without a bay a recipe stands alone: one that counts on the unit under test for a figure
    says so in ``problem``. ``stored`` is the bay's unit as the story knows it.
    """
    return [_summary(name, config, bay, stored) for name in config.recipes]


def _summary(
    name: str, config: ShopConfig, bay: BayConfig | None, stored: Vehicle | None
) -> RecipeSummary:
    table: Mapping[str, Any] = config.recipes[name]
    if bay is not None:
        table = filled_for_bay(table, bay, stored)
    where = f"recipe {name!r}"
    try:
        recipe = (
            load_recipe(table, where=where)
            if bay is None
            else complete_recipe(table, config, bay, name=name, where=where)
        )
    except RecipeError as error:
        procedure = table.get("procedure")
        known = procedure if procedure in {"standing-vacuum", "pressure-decay"} else None
        return RecipeSummary(name=name, procedure=known, problem=str(error))
    return _of(name, recipe)


def _of(name: str, recipe: Recipe) -> RecipeSummary:
    limit = recipe.max_gauge_pa
    return RecipeSummary(
        name=name,
        procedure=recipe.procedure,
        refrigerant=recipe.refrigerant,
        gas=None if recipe.is_vacuum else recipe.gas,
        criterion=recipe.criterion.text,
        said=said(criterion=recipe.criterion.say),
        criterion_source=recipe.criterion.source,
        max_duration_min=recipe.limits.max_duration_min,
        max_pressure_kpa_g=None if limit is None else limit / 1e3,
        target_micron=recipe.vacuum_figures.target_micron if recipe.is_vacuum else None,
    )
