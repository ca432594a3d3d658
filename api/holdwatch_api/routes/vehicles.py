"""The routes of vehicles: looking them up, adding, changing, and measuring their volume."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from fastapi import APIRouter, Path, Query

from holdwatch_api.routes.job_bodies import (
    ChangedVehicle,
    Choice,
    MeansWords,
    MeasuredVolume,
    Misleading,
    NewVehicle,
    Place,
    Vocabulary,
    VolumeFound,
    VolumeSteps,
)
from holdwatch_api.routes.job_work import ERRORS, JobWork
from holdwatch_daemon.jobs import (
    VehicleView,
    add_vehicle,
    change_vehicle,
    keep_volume,
    known_tables,
    once,
    vehicle_view,
)
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_procedures.vehicles import (
    CAUTIONS,
    STEPS,
    Strength,
    Vehicle,
    WayIn,
    places_for,
    read_expansion,
    volume_sentence,
)

if TYPE_CHECKING:
    import sqlite3

    from holdwatch_api.routes.job_bodies import VehicleFields
    from holdwatch_daemon.jobs import Page, StoryDesk
    from holdwatch_daemon.service import Service
    from holdwatch_daemon.store import StoredVehicle

VehicleName = Annotated[str, Path(description="Fleet number, plate or VIN.", max_length=100)]
ACTS = ("renewed", "resealed", "tightened", "cleaned")


def vehicle_routes(service: Service, work: JobWork) -> APIRouter:
    """Return the routes under ``/api/v1/vehicles``."""
    router = APIRouter(prefix="/api/v1/vehicles", tags=["vehicles"])
    _add_reading(router, service, work)
    _add_writing(router, work)
    _add_volume(router, work)
    return router


def _add_reading(router: APIRouter, service: Service, work: JobWork) -> None:
    @router.get("")
    async def vehicles(
        find: Annotated[
            str | None, Query(max_length=100, description="Part of fleet number, plate or VIN.")
        ] = None,
        limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    ) -> list[Vehicle]:
        """The vehicles, the closest first where something is looked for."""

        def look(connection: sqlite3.Connection) -> list[StoredVehicle]:
            if find is None:
                return stored_vehicles.list_vehicles(connection, limit=limit)
            return stored_vehicles.find_vehicles(connection, find, limit=limit)

        return [stored.vehicle for stored in await service.store.ask(look)]

    @router.get("/{vehicle}", responses=ERRORS)
    async def vehicle(vehicle: VehicleName) -> VehicleView:
        """One vehicle: its visits, the loss between them, the suspects, and what to check next."""

        def look() -> VehicleView:
            desk = work.desk()
            return vehicle_view(desk, desk.book.story(vehicle), on=work.today())

        return await work.do(look)

    @router.get("/{vehicle}/words", responses=ERRORS)
    async def words(vehicle: VehicleName) -> Vocabulary:
        """The words of this vehicle's story: its places, the means, conditions, acts, points."""

        def look() -> Vocabulary:
            desk = work.desk()
            return _vocabulary(desk, desk.book.story(vehicle).unit)

        return await work.do(look)


def _add_writing(router: APIRouter, work: JobWork) -> None:
    @router.post("", status_code=201, responses=ERRORS)
    async def add(wanted: NewVehicle) -> VehicleView:
        """Add a vehicle."""

        def change(desk: StoryDesk, page: Page) -> Vehicle:
            return add_vehicle(page, desk.tables, _fields(desk, wanted.unit))

        return await work.change_vehicle(wanted, "add", change)

    @router.patch("/{vehicle}", responses=ERRORS)
    async def change(vehicle: VehicleName, wanted: ChangedVehicle) -> VehicleView:
        """Change what is known of a vehicle; what is not named stays."""

        def change(desk: StoryDesk, page: Page) -> Vehicle:
            return change_vehicle(page, desk.tables, vehicle, _fields(desk, wanted))

        return await work.change_vehicle(wanted, f"change {vehicle}", change)


def _add_volume(router: APIRouter, work: JobWork) -> None:
    @router.get("/{vehicle}/volume", responses=ERRORS)
    async def steps(vehicle: VehicleName) -> VolumeSteps:
        """How the volume is measured by expansion, with the cautions."""

        def look() -> VolumeSteps:
            unit = work.desk().book.story(vehicle).unit
            return VolumeSteps(
                unit=unit.name,
                cautions=list(CAUTIONS),
                steps=list(STEPS),
                max_pressure_kpa_g=unit.max_pressure_kpa_g,
            )

        return await work.do(look)

    @router.post("/{vehicle}/volume", responses=ERRORS)
    async def measure(vehicle: VehicleName, wanted: MeasuredVolume) -> VolumeFound:
        """Work out a volume from an expansion; kept, every later hold of the vehicle uses it.

        Caution: eye protection; regulated dry nitrogen with a relief device only, never oxygen or
        compressed air, never above the highest allowed pressure. Local codes come first.
        """

        def measured() -> VolumeFound:
            desk = work.desk()
            unit = desk.book.story(vehicle).unit
            found = read_expansion(work.fluids(), wanted.expansion, unit)
            day = work.today(wanted.on)
            volume = found.as_internal_volume(day)

            def keep(page: Page) -> str:
                keep_volume(page, desk.tables, vehicle, found, on=day, section=wanted.section)
                return unit.name

            if wanted.keep:
                said = wanted.model_dump(mode="json", exclude={"id"})
                once(
                    desk,
                    wanted.id,
                    {"where": f"volume {unit.name}", "said": said},
                    keep,
                    lambda _, name: name,
                )
            return VolumeFound(
                sentence=volume_sentence(volume),
                volume=volume,
                budget_ml={source: 1e6 * share for source, share in found.budget},
                kept=wanted.keep,
            )

        return await work.do(measured)


def _fields(desk: StoryDesk, said: VehicleFields) -> dict[str, Any]:
    """Return what is said of a vehicle, the class's volume for its name."""
    fields = said.model_dump(mode="json", exclude_unset=True, exclude={"id"})
    chosen = fields.pop("volume_class", None)
    if chosen is not None:
        fields["volume"] = desk.tables.volume_classes.volume(chosen).model_dump(mode="json")
    return fields


def _vocabulary(desk: StoryDesk, unit: Vehicle) -> Vocabulary:
    tables = desk.tables
    tree, likelihoods = tables.tree(unit), tables.likelihoods
    return Vocabulary(
        places=[
            Place(key=p.key, name=p.name, parent=p.parent, leaf=p.weight is not None)
            for p in tree.places
        ],
        means=[
            MeansWords(
                key=means.key,
                name=means.name,
                minutes=means.minutes,
                needs_dye=means.needs_dye,
                places=list(places_for(means, tree)),
                source=str(means.source),
            )
            for means in likelihoods.means
        ],
        mislead=[
            Misleading(
                key=one.key,
                text=one.text,
                means=list(one.means),
                points=[str(points) for points in one.points],
                source=one.source,
            )
            for one in likelihoods.mislead
        ],
        strengths=[str(strength) for strength in Strength],
        ways_in=[str(way) for way in WayIn],
        acts=list(ACTS),
        points=[Choice(key=point.key, name=point.ask) for point in tables.follow_through.points],
        volume_classes=[Choice(key=c.key, name=c.name) for c in tables.volume_classes.classes],
        tables=list(known_tables()),
    )
