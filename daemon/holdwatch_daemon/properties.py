"""Fluid properties for a service: tables at once, the equations only where a recipe needs them."""

from __future__ import annotations

import asyncio
import logging
from typing import TYPE_CHECKING

from holdwatch_daemon.settings.recipes import complete_recipe
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.holds import RecipeError, charge_density

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_procedures.holds import Recipe

log = logging.getLogger(__name__)


async def fluids_for(config: ShopConfig) -> Fluids:
    """Return fluid properties that answer without a pause whatever the shop's recipes ask.

    A recipe whose refrigerant is beyond the tables at its reference temperature needs the
    equations of state, whose import stops the event loop for seconds: it is done here, before
    any reading can come. What no recipe foretells (a gas hotter than 95 °C) still loads them
    when it is asked.
    """
    fluids = Fluids.load()
    for recipe in _recipes(config):
        if not _is_tabled(fluids, recipe):
            log.info("%s needs the equations of state, loading them", recipe.name)
            await asyncio.to_thread(fluids.equations.load)
            break
    return fluids


def _recipes(config: ShopConfig) -> Iterator[Recipe]:
    """Every recipe as each bay would hold it; one that lacks something is told when it is used."""
    for bay in config.bay:
        if bay.unit_under_test is None:
            continue
        for name, table in config.recipes.items():
            try:
                yield complete_recipe(table, config, bay, name=name, where=f"recipe {name}")
            except RecipeError:
                continue


def _is_tabled(fluids: Fluids, recipe: Recipe) -> bool:
    try:
        density = charge_density(recipe)
    except RecipeError:
        return True  # told when the recipe is used
    return fluids.is_tabled(recipe.refrigerant, recipe.reference_k, kg_per_m3=density)
