"""Whether a standing vacuum began as one: at what pressure it was isolated."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_procedures.holds.recipe import Recipe

NO_VACUUM_PA = 10e3
"""Above this nothing was evacuated, and no verdict can be given, Pa."""
BARRED_OVER_TARGET = 3.0
"""Isolated above this many times its target, a hold cannot pass: it was not pumped down."""
GAUGE_SHARE = 1.1
"""What a gauge may read above the target and still be at it."""


def is_no_vacuum(start_pa: float) -> bool:
    """Whether the pressure after isolation is not that of a vacuum at all."""
    return start_pa > NO_VACUUM_PA


def bars_pass(recipe: Recipe, start_pa: float) -> bool:
    """Whether the vacuum was isolated so far above its target that it may not pass."""
    return start_pa > BARRED_OVER_TARGET * recipe.target_pa


def remark(recipe: Recipe, start_pa: float) -> Say | None:
    """What there is to say of the pressure at isolation; None where it was at the target."""
    if is_no_vacuum(start_pa):
        return Say("vacuum.never_evacuated", start_pa=start_pa)
    if bars_pass(recipe, start_pa):
        return Say("vacuum.isolated_too_high", start_pa=start_pa, target_pa=recipe.target_pa)
    if start_pa > GAUGE_SHARE * recipe.target_pa:
        return Say("vacuum.isolated_above", start_pa=start_pa, target_pa=recipe.target_pa)
    return None
