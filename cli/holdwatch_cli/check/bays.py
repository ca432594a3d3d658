"""What a bay's configuration lacks before a hold would be refused there, each with its mend."""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING

from holdwatch_cli.check.finding import Finding
from holdwatch_daemon.jobs import unit_figures
from holdwatch_daemon.store import answers, vehicle_named
from holdwatch_physics.reading import Role, role_of
from holdwatch_procedures.vehicles import VehicleError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.settings import BayConfig, ShopConfig


def bay_findings(shop: ShopConfig) -> Iterator[Finding]:
    """Yield what is found in each bay that has a pressure gauge on its unit."""
    for bay in shop.bay:
        roles = {role_of(role) for role in bay.roles}
        if roles.isdisjoint({Role.LOW_SIDE, Role.HIGH_SIDE}):
            continue
        what = f"unit in {bay.name}"
        most_kpa = _highest_allowed_kpa(shop, bay)
        if most_kpa is not None:
            found = f"highest allowed pressure {most_kpa:g} kPa (gauge)"
            yield Finding(what, True, found)
            continue
        yield Finding(
            what,
            False,
            "the unit's highest allowed pressure is not known: nitrogen holds are refused, and no "
            "over-pressure is seen",
            "Write max_pressure_kpa_g, from the unit's plate or its lowest-rated part, into "
            f"[bay.unit_under_test] of {bay.name}, or into the vehicle's own record.",
        )


def experimental_relays(shop: ShopConfig) -> Iterator[str]:
    """Yield a warning for each bay whose valve and pump are switched by relays."""
    for bay in shop.bay:
        if bay.wire is not None:
            yield (
                f"[bay.wire] of {bay.name} is experimental: after a network fault a command that "
                "is out of date may still reach a relay and open the valve. Let nobody rely on "
                "it: stay at the bay while it runs, and keep a switch within reach that cuts "
                "valve and pump."
            )


def _highest_allowed_kpa(shop: ShopConfig, bay: BayConfig) -> float | None:
    """The unit's highest allowed pressure, from the configuration or the vehicle's record."""
    unit = bay.unit_under_test
    if unit is None:
        return None
    if unit.max_pressure_kpa_g is not None:
        return unit.max_pressure_kpa_g
    stored = None
    # No record yet, or one that its own commands complain of, is no record.
    with contextlib.suppress(sqlite3.Error, VehicleError):
        connection = answers.connect(shop.database)
        with contextlib.closing(connection):
            stored = vehicle_named(connection, unit.name)
    figures = {} if stored is None else unit_figures(stored.vehicle)
    return figures.get("max_pressure_kpa_g")
