"""Stores vehicles and their jobs, each as one JSON body beside the columns that are queried."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from holdwatch_procedures.vehicles import (
    Job,
    RefusedError,
    Vehicle,
    VehicleError,
    load_row,
    normalise,
)

if TYPE_CHECKING:
    import sqlite3

_LAST: Final = "\U0010ffff"
"""Behind every character that an identifier may hold."""
# Both ends of the range are looked up in the key: no row is read in vain.
_BEGINS: Final = (
    "SELECT vehicle_id FROM vehicle_identifiers WHERE identifier >= :all AND identifier < :last"
    " GROUP BY vehicle_id ORDER BY MIN(identifier <> :all), vehicle_id LIMIT :limit"
)
_HOLDS: Final = (
    "SELECT DISTINCT vehicle_id FROM vehicle_identifiers WHERE instr(identifier, :all)"
    " ORDER BY vehicle_id LIMIT :limit"
)
_DESCRIBED: Final = (
    "SELECT id FROM vehicles INDEXED BY vehicles_by_description"
    " WHERE instr(upper(description), :words) ORDER BY id LIMIT :limit"
)
_WORKED_OUT: Final = "judged_elsewhere"
"""Field of a hold that is not stored: whether the store holds it is asked at each reading."""


@dataclass(frozen=True, slots=True)
class StoredVehicle:
    """A vehicle with its number in the store."""

    id: int
    vehicle: Vehicle


def put_vehicle(
    connection: sqlite3.Connection, vehicle: Vehicle, now: str, *, vehicle_id: int | None = None
) -> int:
    """Write a vehicle, a new one or in place of an earlier one; return its number.

    Raises:
        VehicleError: One of its identifiers is another vehicle's.
    """
    identifiers = vehicle.identifiers
    for identifier in identifiers:
        row = connection.execute(
            "SELECT vehicle_id FROM vehicle_identifiers"
            " WHERE identifier = ? AND vehicle_id IS NOT ?",
            (identifier, vehicle_id),
        ).fetchone()
        if row is not None:
            other = vehicle_by_id(connection, int(row[0])).vehicle.name
            raise RefusedError(
                f"{identifier} is an identifier of {other} already; one name, one vehicle: change "
                "that one or give this one another",
                at_terminal=f"holdwatch vehicle change {other}",
            )
    (number,) = connection.execute(
        "INSERT INTO vehicles (id, name, description, body, changed) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (id) DO UPDATE SET name = excluded.name,"
        " description = excluded.description, body = excluded.body, changed = excluded.changed"
        " RETURNING id",
        (vehicle_id, vehicle.name, vehicle.description, vehicle.model_dump_json(), now),
    ).fetchone()
    connection.execute("DELETE FROM vehicle_identifiers WHERE vehicle_id = ?", (number,))
    connection.executemany(
        "INSERT INTO vehicle_identifiers VALUES (?, ?) ON CONFLICT DO NOTHING",
        [(identifier, number) for identifier in identifiers],
    )
    return int(number)


def vehicle_by_id(connection: sqlite3.Connection, vehicle_id: int) -> StoredVehicle:
    """Return a vehicle by its number, which must exist."""
    row = connection.execute(
        "SELECT id, name, body FROM vehicles WHERE id = ?", (vehicle_id,)
    ).fetchone()
    return _vehicle(row)


def vehicle_named(connection: sqlite3.Connection, identifier: str) -> StoredVehicle | None:
    """Return the vehicle that goes by exactly this fleet number, plate or VIN; None without one.

    Raises:
        VehicleError: What is stored of it cannot be read.
    """
    row = connection.execute(
        "SELECT id, name, body FROM vehicle_identifiers JOIN vehicles ON id = vehicle_id"
        " WHERE identifier = ?",
        (normalise(identifier),),
    ).fetchone()
    return None if row is None else _vehicle(row)


def find_vehicles(
    connection: sqlite3.Connection, words: str, *, limit: int = 20
) -> list[StoredVehicle]:
    """Return the vehicles that words mean, the closest first.

    Whole identifiers come before those that begin so. Only where there is neither, a part of an
    identifier does, and where there is none, a part of the description. Capitals, spaces, dashes
    and dots make no difference.
    """
    wanted = normalise(words)
    if not wanted:
        return []
    given = {"all": wanted, "last": wanted + _LAST, "words": words.strip().upper(), "limit": limit}
    for question in (_BEGINS, _HOLDS, _DESCRIBED):
        found = connection.execute(question, given).fetchall()
        if found:
            return [vehicle_by_id(connection, int(row[0])) for row in found]
    return []


def list_vehicles(
    connection: sqlite3.Connection, *, limit: int, after: int = 0
) -> list[StoredVehicle]:
    """Return vehicles in the order in which they came, those with a number above ``after``."""
    rows = connection.execute(
        "SELECT id, name, body FROM vehicles WHERE id > ? ORDER BY id LIMIT ?", (after, limit)
    )
    return [_vehicle(row) for row in rows]


def put_job(connection: sqlite3.Connection, job: Job, vehicle_id: int, now: str) -> None:
    """Write a job whole, in place of what was there under its number."""
    body = job.model_dump_json(exclude={"holds": {"__all__": {_WORKED_OUT}}})
    (number,) = connection.execute(
        "INSERT INTO jobs (number, vehicle_id, opened_on, closed_on, body, changed)"
        " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (number) DO UPDATE SET"
        " vehicle_id = excluded.vehicle_id, opened_on = excluded.opened_on,"
        " closed_on = excluded.closed_on, body = excluded.body, changed = excluded.changed"
        " RETURNING id",
        (
            job.number,
            vehicle_id,
            job.opened_on.isoformat(),
            None if job.closed_on is None else job.closed_on.isoformat(),
            body,
            now,
        ),
    ).fetchone()
    connection.execute("DELETE FROM job_holds WHERE job_id = ?", (number,))
    connection.executemany(
        "INSERT INTO job_holds VALUES (?, ?) ON CONFLICT DO NOTHING",
        [(hold.hold_id, number) for hold in job.holds],
    )


def jobs_of(connection: sqlite3.Connection, vehicle_id: int) -> list[Job]:
    """Return a vehicle's jobs, the oldest first.

    Raises:
        VehicleError: What is stored cannot be read; names the job and the key.
    """
    rows = connection.execute(
        "SELECT number, body FROM jobs WHERE vehicle_id = ? ORDER BY opened_on, id", (vehicle_id,)
    ).fetchall()
    elsewhere = {
        str(row[0])
        for row in connection.execute(
            "SELECT hold_id FROM job_holds JOIN jobs ON jobs.id = job_id WHERE vehicle_id = ?"
            " AND NOT EXISTS (SELECT 1 FROM holds WHERE holds.id = hold_id)",
            (vehicle_id,),
        )
    }
    return [_job(str(row[0]), str(row[1]), elsewhere) for row in rows]


def vehicle_of_job(connection: sqlite3.Connection, number: str) -> StoredVehicle | None:
    """Return the vehicle of a job by the job's number; None where there is no such job."""
    row = connection.execute(
        "SELECT vehicles.id, name, vehicles.body FROM jobs"
        " JOIN vehicles ON vehicles.id = vehicle_id WHERE number = ?",
        (number,),
    ).fetchone()
    return None if row is None else _vehicle(row)


def job_of_hold(connection: sqlite3.Connection, hold_id: str) -> str | None:
    """Return the number of the job that a hold is evidence of; None where it is of none."""
    row = connection.execute(
        "SELECT number FROM job_holds JOIN jobs ON jobs.id = job_id WHERE hold_id = ?", (hold_id,)
    ).fetchone()
    return None if row is None else str(row[0])


def open_jobs(connection: sqlite3.Connection, vehicle_id: int | None, *, limit: int) -> list[str]:
    """Return the numbers of open jobs, the newest first, of all vehicles or of one."""
    rows = connection.execute(
        "SELECT number FROM jobs WHERE closed_on IS NULL AND (?1 IS NULL OR vehicle_id = ?1)"
        " ORDER BY id DESC LIMIT ?2",
        (vehicle_id, limit),
    )
    return [str(row[0]) for row in rows]


def new_number(connection: sqlite3.Connection, year: int) -> str:
    """Return the next free number of a year, for example ``2026-0007``."""
    (most,) = connection.execute(
        "SELECT MAX(CAST(substr(number, 6) AS INTEGER)) FROM jobs WHERE number GLOB ?",
        (f"{year:04d}-[0-9][0-9][0-9][0-9]*",),
    ).fetchone()
    return f"{year:04d}-{(most or 0) + 1:04d}"


def _job(number: str, body: str, elsewhere: set[str]) -> Job:
    where = f"work order {number}, as stored"
    given = _json(body, where)
    for hold in given.get("holds", ()):
        hold[_WORKED_OUT] = hold.get("hold_id") in elsewhere
    return load_row(Job, given, where=where)


def _vehicle(row: Any) -> StoredVehicle:
    number, name, body = row
    where = f"vehicle {name}, as stored"
    return StoredVehicle(int(number), load_row(Vehicle, _json(body, where), where=where))


def _json(body: str, where: str) -> dict[str, Any]:
    try:
        given = json.loads(body)
    except ValueError as error:
        raise VehicleError(f"{where}: this is not JSON: {error}") from error
    if not isinstance(given, dict):
        raise VehicleError(f"{where}: this is no object")
    return given
