"""``holdwatch check`` and ``serve`` say at the start what a nitrogen hold would be refused for."""

from __future__ import annotations

import asyncio
import contextlib
from typing import TYPE_CHECKING, Any

from daemon_rig import shop_table
from wire_rig import wired_table

from holdwatch_cli.check.bays import bay_findings, experimental_relays
from holdwatch_cli.serve import _serve
from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.settings.load import parse_config
from holdwatch_procedures.vehicles.vehicle import Vehicle

if TYPE_CHECKING:
    from pathlib import Path

    import pytest

    from holdwatch_daemon.jobs.access import Page


def without_plate(data: Path) -> dict[str, Any]:
    table = shop_table(data)
    del table["bay"][0]["unit_under_test"]["max_pressure_kpa_g"]
    return table


def test_a_bay_whose_unit_has_no_plate_pressure_is_told_with_its_mend(tmp_path: Path) -> None:
    (finding,) = bay_findings(parse_config(without_plate(tmp_path)))
    assert not finding.ok
    assert "nitrogen holds are refused" in finding.found
    assert "max_pressure_kpa_g" in finding.mend


def test_the_plate_pressure_may_stand_in_the_configuration_or_in_the_vehicles_record(
    tmp_path: Path,
) -> None:
    (finding,) = bay_findings(parse_config(shop_table(tmp_path)))
    assert (finding.ok, finding.found) == (True, "highest allowed pressure 1800 kPa (gauge)")

    def change(page: Page) -> None:
        unit = {"fleet_number": "BM-03", "refrigerant": "R134a", "max_pressure_kpa_g": 1500.0}
        page.put_unit(Vehicle.model_validate(unit))

    StoryBook(tmp_path / "holdwatch.db", lambda: 0).write(change)
    (finding,) = bay_findings(parse_config(without_plate(tmp_path)))
    assert (finding.ok, finding.found) == (True, "highest allowed pressure 1500 kPa (gauge)")


def test_a_bay_for_vacuum_alone_needs_none(tmp_path: Path) -> None:
    table = without_plate(tmp_path)
    table["probe"][0]["pressure_reference"] = "absolute"
    table["probe"][0]["unit"] = "kPaa"
    table["bay"][0]["roles"] = {"vacuum": "BM-bay1-gauge/pressure"}
    assert list(bay_findings(parse_config(table))) == []


def test_a_bay_with_relays_is_said_to_be_experimental_and_no_other(tmp_path: Path) -> None:
    assert list(experimental_relays(parse_config(shop_table(tmp_path)))) == []
    (warning,) = experimental_relays(parse_config(wired_table(tmp_path, 1883)))
    assert warning.startswith("[bay.wire] of bay-1 is experimental")


async def test_serve_warns_as_it_starts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    table = without_plate(tmp_path) | {"http": {"port": 0}}
    table["probe"] = [
        {"name": probe["name"], "kind": "trace", "file": str(tmp_path / "none.csv")}
        for probe in table["probe"]
    ]
    table["bay"][0]["roles"] = {"low_side": "BM-bay1-gauge/pressure"}
    serving = asyncio.create_task(_serve(parse_config(table)))
    said = ""
    async with asyncio.timeout(30):
        while "Warning" not in said:
            assert not serving.done()
            await asyncio.sleep(0.05)
            said += capsys.readouterr().out
    serving.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await serving
    assert "Warning, unit in BM-bay1: the unit's highest allowed pressure is not known" in said
