"""What the shop knows of a vehicle: written, changed, and its volume measured."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_physics.units import ZERO_CELSIUS_K
from holdwatch_procedures.vehicles.expansion import Bottle, ExpansionReadings, expanded_volume
from holdwatch_procedures.vehicles.job import WHOLE
from holdwatch_procedures.vehicles.validation import Row, VehicleError, load_row
from holdwatch_procedures.vehicles.vehicle import InternalVolume, Vehicle

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

    from holdwatch_daemon.jobs.book import Page
    from holdwatch_daemon.jobs.desk import StoryDesk
    from holdwatch_procedures.vehicles.expansion import ExpandedVolume, GasDensity


class Expansion(Row):
    """What was read at an expansion, in the units of the shop's gauges.

    Attributes:
        bottle_l: The bottle with its valve, litres.
        bottle_u_ml: Standard uncertainty of that, ml.
        before_kpa_g: In the bottle before it was opened, kPa gauge.
        before_c: The bottle's temperature then, °C.
        left_pa: Left in the evacuated unit, Pa absolute.
        after_kpa_g: In both once it stood still, kPa gauge.
        after_c: The bottle's temperature then, °C.
        pipe_c: The unit's pipes then, °C.
        barometer_kpa: The room, kPa absolute.
        hose_ml: The hose between both, ml.
    """

    bottle_l: float
    bottle_u_ml: float = 5.0
    before_kpa_g: float
    before_c: float
    left_pa: float
    after_kpa_g: float
    after_c: float
    pipe_c: float
    barometer_kpa: float
    hose_ml: float = 0.0


def new_unit(desk: StoryDesk, page: Page, fields: Mapping[str, Any]) -> Vehicle:
    """Write a new unit.

    Raises:
        VehicleError: A field is wrong, or an identifier is another unit's.
    """
    unit = load_row(Vehicle, fields, where="vehicle")
    check_sections(desk, unit)
    page.put_unit(unit)
    return unit


def changed_unit(desk: StoryDesk, page: Page, name: str, fields: Mapping[str, Any]) -> Vehicle:
    """Change what was said of a unit; the rest stays, also of its oil and own places.

    Raises:
        VehicleError: No such unit, nothing to change, or a field that is wrong.
    """
    stored = page.unit(name)
    if not fields:
        raise VehicleError("nothing to change was given")
    known = stored.unit.model_dump(mode="json")
    merged = known | dict(fields)
    for part in ("oil", "own_places", "section_volumes"):
        if isinstance(merged.get(part), dict) and part in known:
            merged[part] = known[part] | merged[part]
    unit = load_row(Vehicle, merged, where=f"vehicle {stored.unit.name}")
    check_sections(desk, unit)
    page.put_unit(unit, f"changed: {', '.join(sorted(fields))}", unit_id=stored.id)
    return unit


def read_expansion(fluids: GasDensity, read: Expansion, unit: Vehicle) -> ExpandedVolume:
    """Return the volume that an expansion tells.

    Raises:
        VehicleError: The bottle was above the unit's highest pressure, or readings that cannot
            belong to an expansion.
    """
    limit = unit.max_pressure_kpa_g
    if limit is not None and read.before_kpa_g > limit:
        raise VehicleError(
            f"the bottle held {read.before_kpa_g:g} kPa gauge, {unit.name} may bear {limit:g}: "
            "fill it lower, so that no valve can let more in than is allowed"
        )
    room = 1e3 * read.barometer_kpa
    readings = ExpansionReadings(
        bottle_before_pa=1e3 * read.before_kpa_g + room,
        bottle_before_k=read.before_c + ZERO_CELSIUS_K,
        unit_before_pa=read.left_pa,
        after_pa=1e3 * read.after_kpa_g + room,
        bottle_after_k=read.after_c + ZERO_CELSIUS_K,
        unit_k=read.pipe_c + ZERO_CELSIUS_K,
        hose_m3=read.hose_ml / 1e6,
    )
    bottle = Bottle(read.bottle_l / 1e3, read.bottle_u_ml / 1e6)
    return expanded_volume(fluids, bottle, readings)


def keep_volume(
    desk: StoryDesk,
    page: Page,
    name: str,
    found: ExpandedVolume,
    *,
    on: date,
    section: str = WHOLE,
) -> InternalVolume:
    """Keep a measured volume for every later hold of the unit, or of one of its sections.

    Raises:
        VehicleError: No such unit or section, or a volume so uncertain that a class serves better.
    """
    stored = page.unit(name)
    volume = found.as_internal_volume(on)
    if section == WHOLE:
        changed: dict[str, object] = {"volume": volume}
        what = "volume measured"
    else:
        changed = {"section_volumes": {**stored.unit.section_volumes, section: volume}}
        what = f"volume of {section} measured"
    unit = stored.unit.model_copy(update=changed)
    check_sections(desk, unit)
    page.put_unit(unit, what, unit_id=stored.id)
    return volume


def check_sections(desk: StoryDesk, unit: Vehicle) -> None:
    """Refuse own places and sections that do not fit the unit's component tree.

    Raises:
        VehicleError: Names the place and those there are.
    """
    tree = desk.tables.tree(unit)
    for section in unit.section_volumes:
        tree.place(section)


def volume_sentence(volume: InternalVolume | None) -> str:
    """Return a volume with its uncertainty and where it is from."""
    if volume is None:
        return "not known: take a class, or measure it by expansion"
    on = "" if volume.measured_on is None else f" on {volume.measured_on}"
    return (
        f"{volume.litres:.3g} litres ±{100 * volume.relative_u:.1f} % "
        f"({volume.how}{on}: {volume.source})"
    )
