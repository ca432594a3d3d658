"""The demo's vehicles: two seasons of three library vans, and the two that stand in its bays."""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime
from importlib.resources import files
from typing import TYPE_CHECKING, Any, Final

from holdwatch_cli.demo.shop import BAYS
from holdwatch_daemon.jobs import IMPORTED as IMPORT_BAY
from holdwatch_daemon.jobs import StoryBook, open_job, read_shop_tables, take
from holdwatch_daemon.store import list_vehicles, rows
from holdwatch_procedures.vehicles import InternalVolume, Vehicle

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from holdwatch_daemon.jobs import Page
    from holdwatch_daemon.store import Transactions

IMPORTED: Final = "imported"
"""What an event says of a vehicle or visit that came from a file."""
_LAST: Final = date(2026, 5, 27)
"""The last day of the season as it is stored."""
_YEARS: Final = re.compile(r"\b20(\d\d)(?=-\d\d-\d\d|-\d{4}\b)|(?<=import-)20(\d\d)(?=\d{4}T)")
"""Years of days, of visits' numbers, and of holds' ids."""


def seed_story(
    database: Path, utc_ns: Callable[[], int], transactions: Transactions | None = None
) -> bool:
    """Write the vehicles into a store that has none; return whether it had none.

    The season's days are moved by whole years, so that its end lies within the year before now.
    Its holds come with verdict and curve, without their readings.
    """
    book = StoryBook(database, utc_ns, transactions)
    if book.ask(lambda c: list_vehicles(c, limit=1)):
        return False
    today = datetime.fromtimestamp(utc_ns() / 1e9, UTC).date()
    text = (files("holdwatch_cli") / "demo_season.json").read_text(encoding="utf-8")
    content = json.loads(_moved(text, _whole_years(today)))
    tables = read_shop_tables(database.parent)

    def write(page: Page) -> None:
        for hold in content["holds"]:
            _put_hold(page, hold)
        story = json.dumps(content["story"])
        take(page, tables, story, "json", "units", where="the demo's season")
        for bay in BAYS:
            _put_bay_unit(page, bay.unit, today)

    book.write(write)
    return True


def _whole_years(today: date) -> int:
    """Return by how many years the season moves, so that it has just ended."""
    years = today.year - _LAST.year
    return years if _LAST.replace(year=today.year) <= today else years - 1


def _moved(text: str, years: int) -> str:
    """Return a text with every year in it moved.

    >>> _moved("2026-05-27 2025-0001 import-20260511T120000Z-0", 1)
    '2027-05-27 2026-0001 import-20270511T120000Z-0'
    """
    return _YEARS.sub(lambda found: f"{2000 + int(found[1] or found[2]) + years:04d}", text)


def _put_hold(page: Page, hold: dict[str, Any]) -> None:
    row = hold["row"]
    started = datetime.fromisoformat(row["started"])
    rows.insert_hold(
        page.connection,
        row
        | {
            "bay": IMPORT_BAY,
            "started_utc_ns": int(started.timestamp()) * 1_000_000_000,
            "simulated": 1,
        },
    )
    page.connection.execute(
        "INSERT INTO verdicts (hold_id, bay, unit, time, outcome, sentence, body)"
        " VALUES (:id, :bay, :unit, :ended, :outcome, :sentence, :body)",
        {**row, "bay": IMPORT_BAY, "body": json.dumps(hold["verdict"], ensure_ascii=False)},
    )
    page.connection.executemany(
        "INSERT INTO curve_points VALUES (?, ?, ?, ?)",
        [
            (row["id"], number, point["t_s"], json.dumps(point))
            for number, point in enumerate(hold["curve"])
        ],
    )


def _put_bay_unit(page: Page, facts: dict[str, Any], today: date) -> None:
    """Write a vehicle that stands in a bay, with a visit that its hold can be bound to."""
    volume = InternalVolume(
        litres=facts["volume_l"], relative_u=0.2, how="stated", source="stated by the shop"
    )
    unit = Vehicle(
        fleet_number=facts["name"],
        description="bookmobile",
        refrigerant=facts["refrigerant"],
        nameplate_charge_g=facts["charge_g"],
        volume=volume,
        max_pressure_kpa_g=facts["max_pressure_kpa_g"],
    )
    page.put_unit(unit, IMPORTED)
    open_job(page, unit.name, complaint="Yearly look.", number=None, on=today)
