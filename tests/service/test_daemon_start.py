"""A service's start: readings first, and the equations of state only where a recipe needs them."""

from __future__ import annotations

import asyncio
import contextlib
import sqlite3
from typing import TYPE_CHECKING, Any, Self

import pytest

from holdwatch_daemon import service as service_module
from holdwatch_daemon.clock import SystemClock
from holdwatch_daemon.outlets.broker import EmbeddedBroker
from holdwatch_daemon.properties import fluids_for
from holdwatch_daemon.service import Service
from holdwatch_daemon.settings.load import parse_config
from holdwatch_physics.equations import Equations
from holdwatch_physics.reading import Quality, Quantity, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from holdwatch_daemon.settings.shop import ShopConfig


def shop(folder: Path, refrigerant: str, charge_g: float, reference_c: float) -> ShopConfig:
    recipe = {
        "procedure": "pressure-decay",
        "reference_temperature_c": reference_c,
        "criterion": {"leak_g_per_year": 30.0},
    }
    unit = {
        "name": "BM-01",
        "refrigerant": refrigerant,
        "charge_g": charge_g,
        "volume_l": 2.0,
        "max_pressure_kpa_g": 1000.0,
    }
    table: dict[str, Any] = {
        "site": {"name": "county-library", "data": str(folder)},
        "probe": [{"name": "gauge", "address": "02:00:00:00:00:01", "profile": "ess"}],
        "bay": [
            {"name": "bay-1", "roles": {"low_side": "gauge/pressure"}, "unit_under_test": unit}
        ],
        "recipes": {"hold": recipe},
    }
    return parse_config(table)


@pytest.mark.parametrize(
    ("refrigerant", "charge_g", "reference_c", "needed"),
    [
        ("R134a", 600.0, 25.0, False),
        ("R744", 600.0, 25.0, False),
        ("R744", 600.0, 40.0, False),  # 300 kg/m³ above the critical temperature
        ("R744", 1000.0, 40.0, True),  # 500 kg/m³: beyond the table
        ("R410A", 600.0, 70.0, True),  # saturated at 0.996 of the critical temperature
    ],
)
async def test_equations_are_loaded_before_the_links_only_where_a_recipe_needs_them(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    refrigerant: str,
    charge_g: float,
    reference_c: float,
    needed: bool,
) -> None:
    asked: list[Equations] = []
    # The import itself takes seconds.
    monkeypatch.setattr(Equations, "load", lambda self: asked.append(self))  # noqa: PLW0108
    await fluids_for(shop(tmp_path, refrigerant, charge_g, reference_c))
    assert bool(asked) == needed


class OneGauge:
    """Yields a reading at once, and then nothing."""

    name = "one"

    def __init__(self, clock: SystemClock) -> None:
        self.clock = clock

    async def stream(self) -> AsyncIterator[Reading]:
        now = self.clock.utc_ns(), self.clock.mono_ns()
        yield Reading("gauge/pressure", Quantity.PRESSURE_GAUGE, *now, 4e5, Quality.GOOD)
        await asyncio.Event().wait()


async def test_readings_are_recorded_before_the_broker_is_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    recorded: list[int] = []

    class PatientBroker(EmbeddedBroker):
        """Starts only when a reading is in the store."""

        async def __aenter__(self) -> Self:
            async with asyncio.timeout(20.0):
                while not count(tmp_path):  # noqa: ASYNC110 - the store tells nobody
                    await asyncio.sleep(0.02)
            recorded.append(count(tmp_path))
            return await super().__aenter__()

    monkeypatch.setattr(service_module, "EmbeddedBroker", PatientBroker)
    config = shop(tmp_path, "R134a", 600.0, 25.0)
    clock = SystemClock()
    async with Service(config, clock, [OneGauge(clock)]) as service:
        assert recorded == [1]
        assert service.live("bay-1").saturation


def count(folder: Path) -> int:
    """Return how many readings the store holds."""
    with contextlib.closing(
        sqlite3.connect(f"file:{folder}/holdwatch.db?mode=ro", uri=True)
    ) as store:
        return int(store.execute("SELECT count(*) FROM readings").fetchone()[0])
