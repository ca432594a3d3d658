"""How long a lookup takes in a store of 10,000 vehicles with 20 visits each.

python -m benchmarks run story_search [VEHICLES] [VISITS]
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from holdwatch_daemon.jobs.access import StoryBook
from holdwatch_daemon.store import answers
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_procedures.vehicles.job import Job
from holdwatch_procedures.vehicles.validation import load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle, vin_check_digit

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Callable

    from holdwatch_daemon.jobs.access import Page


def vin_of(number: int) -> str:
    body = f"1LBVAN77_0P{number:06d}"
    return body.replace("_", vin_check_digit(body.replace("_", "0")))


def unit_of(number: int) -> Vehicle:
    row = {
        "fleet_number": f"BM-{number:05d}",
        "plate": f"LIB {number:05d}",
        "vin": vin_of(number),
        "description": "library van",
        "refrigerant": "R134a",
        "nameplate_charge_g": 650,
    }
    return load_row(Vehicle, row, where="unit")


def visit_of(unit: Vehicle, vehicle: int, visit: int) -> Job:
    day = f"{2005 + visit:04d}-05-12"
    row = {
        "number": f"{2005 + visit:04d}-{vehicle:05d}",
        "unit": unit.name,
        "opened_on": day,
        "closed_on": day,
        "complaint": "Yearly look.",
        "weighings": [
            {"kind": "recovered", "grams": 640, "on": day},
            {"kind": "charged", "grams": 650, "on": day},
        ],
        "findings": [
            {"place": "condenser", "means": "dye", "points": "against", "on": day},
        ],
    }
    return load_row(Job, row, where="visit")


def fill(book: StoryBook, vehicles: int, visits: int) -> None:
    for first in range(0, vehicles, 500):

        def change(page: Page, first: int = first) -> None:
            for number in range(first, min(first + 500, vehicles)):
                unit = unit_of(number)
                unit_id = stored_vehicles.put_vehicle(page.connection, unit, page.now)
                for visit in range(visits):
                    order = visit_of(unit, number, visit)
                    stored_vehicles.put_job(page.connection, order, unit_id, page.now)

        book.write(change)


def timed(
    connection: sqlite3.Connection, ask: Callable[[sqlite3.Connection], object]
) -> tuple[float, float]:
    times = []
    for _ in range(30):
        began = time.perf_counter()
        ask(connection)
        times.append(1e3 * (time.perf_counter() - began))
    return statistics.median(times), max(times)


def main(vehicles: int = 10_000, visits: int = 20) -> None:
    with tempfile.TemporaryDirectory() as folder:
        book = StoryBook(Path(folder) / "holdwatch.db", time.time_ns)
        began = time.perf_counter()
        fill(book, vehicles, visits)
        took = time.perf_counter() - began
        print(f"{vehicles} vehicles, {visits} visits each, written in {took:.0f} s")
        connection = answers.connect(book.database)
        last = vehicles - 1
        unit_id = stored_vehicles.find_vehicles(connection, f"BM-{last:05d}")[0].id
        asks: dict[str, Callable[[sqlite3.Connection], object]] = {
            "fleet number": lambda c: stored_vehicles.find_vehicles(c, f"bm {last:05d}"),
            "plate": lambda c: stored_vehicles.find_vehicles(c, f"lib{last:05d}"),
            "VIN": lambda c: stored_vehicles.find_vehicles(c, vin_of(last).lower()),
            "part of a VIN": lambda c: stored_vehicles.find_vehicles(c, vin_of(last)[-6:]),
            "nothing": lambda c: stored_vehicles.find_vehicles(c, "nowhere"),
            "all visits of one": lambda c: stored_vehicles.jobs_of(c, unit_id),
        }
        for name, ask in asks.items():
            median, most = timed(connection, ask)
            print(f"{name:20}{median:7.2f} ms, at most {most:.2f} ms")
        connection.close()


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
