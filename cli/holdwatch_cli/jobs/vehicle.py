"""``holdwatch vehicle``: what the shop knows of a unit, and what its visits say together."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.desk import grams, pair_of
from holdwatch_cli.jobs.running_service import at
from holdwatch_daemon.jobs import add_vehicle, change_vehicle, keep_volume, vehicle_view
from holdwatch_daemon.store import vehicles as stored_vehicles
from holdwatch_physics.fluids import Fluids
from holdwatch_procedures.vehicles import (
    CAUTIONS,
    STEPS,
    Expansion,
    InternalVolume,
    load_row,
    packaged_text,
    read_expansion,
    volume_sentence,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from holdwatch_cli.jobs.desk import Desk
    from holdwatch_daemon.jobs import Story
    from holdwatch_procedures.vehicles import Vehicle


def given_fields(said: Mapping[str, Any], desk: Desk) -> dict[str, Any]:
    """Return the fields of a unit from options; what was not said is left out.

    Raises:
        UserError, VehicleError: Options that contradict each other or name no class.
    """
    fields = {key: value for key, value in said.items() if value is not None}
    oil = _oil(fields.pop("oil", None), fields.pop("oil_ml", None))
    if oil:
        fields["oil"] = oil
    volume_class, litres = fields.pop("volume_class", None), fields.pop("volume_l", None)
    percent = fields.pop("volume_u_percent", None)
    if volume_class is not None and litres is not None:
        raise UserError("--volume-class and --volume-l: give one of the two")
    if volume_class is not None:
        fields["volume"] = desk.tables.volume_classes.volume(volume_class).model_dump(mode="json")
    elif litres is not None:
        if percent is None:
            raise UserError("--volume-l needs --volume-u-percent: how well is it known?")
        fields["volume"] = InternalVolume(
            litres=litres, relative_u=percent / 100.0, how="stated", source="stated by the shop"
        ).model_dump(mode="json")
    places = fields.pop("place", None)
    if places:
        fields["own_places"] = dict(pair_of("--place", text) for text in places)
    sections = fields.pop("section_volume", None)
    if sections:
        fields["section_volumes"] = dict(_section_volume(text) for text in sections)
    return fields


def _section_volume(text: str) -> tuple[str, dict[str, Any]]:
    """Return place and volume of ``PLACE=LITRES:PERCENT``."""
    place, figures = pair_of("--section-volume", text)
    litres, _, percent = figures.partition(":")
    try:
        volume = InternalVolume(
            litres=float(litres),
            relative_u=float(percent) / 100.0,
            how="stated",
            source="stated by the shop",
        )
    except ValueError as error:
        raise UserError(
            f"--section-volume {text}: write PLACE=LITRES:PERCENT, for example compressor=0.3:5"
        ) from error
    return place, volume.model_dump(mode="json")


def run_add(desk: Desk, fields: dict[str, Any]) -> int:
    """Write a new unit."""
    if desk.service is not None:
        told = desk.service.change(at("vehicles"), {"unit": fields})
        unit = desk.book.story(told["name"]).unit
    else:
        unit = desk.book.write(lambda page: add_vehicle(page, desk.tables, fields))
    return desk.answer(unit.model_dump(mode="json"), [f"Added {unit.name}.", *card(unit)])


def run_change(desk: Desk, name: str, fields: dict[str, Any]) -> int:
    """Change what was said of a unit; the rest stays."""
    if not fields:
        raise UserError("nothing to change was given; --help lists what can be")
    if desk.service is not None:
        told = desk.service.change(at("vehicles", name), fields, method="PATCH")
        unit = desk.book.story(told["name"]).unit
    else:
        unit = desk.book.write(lambda page: change_vehicle(page, desk.tables, name, fields))
    return desk.answer(unit.model_dump(mode="json"), [f"Changed {unit.name}.", *card(unit)])


def run_list(desk: Desk, *, limit: int) -> int:
    """Print the units in the order in which they came."""
    found = desk.book.ask(lambda c: stored_vehicles.list_vehicles(c, limit=limit))
    return _units(desk, [stored.vehicle for stored in found], "No vehicle is stored yet.")


def run_find(desk: Desk, words: str, *, limit: int) -> int:
    """Print the units that words mean; exit status 1 where there is none."""
    found = desk.book.ask(lambda c: stored_vehicles.find_vehicles(c, words, limit=limit))
    _units(desk, [stored.vehicle for stored in found], f"Nothing goes by {words!r}.")
    return 0 if found else 1


def _units(desk: Desk, units: Sequence[Vehicle], none: str) -> int:
    rows = [
        f"{unit.name:12}{unit.plate:12}{unit.vin or '':19}{unit.refrigerant:11}{unit.description}"
        for unit in units
    ]
    return desk.answer([unit.model_dump(mode="json") for unit in units], rows or [none])


def run_show(desk: Desk, name: str, *, on: date) -> int:
    """Print a unit with its visits and what they say together."""
    story = desk.book.story(name)
    view = vehicle_view(desk, story, on=on)
    text = [*card(story.unit), "", *_visits(story)]
    if view.balance is not None:
        rate = view.balance["g_per_year"]
        bounds = f"between {grams(max(rate['low'], 0.0))} and {_upper(rate['high'])}"
        text += ["", f"Loss since the last repair: {grams(rate['value'])} a year, {bounds}"]
    if view.suspects:
        shares = ", ".join(f"{one.name} {100 * one.share:.0f} %" for one in view.suspects[:3])
        text += ["", f"Suspects: {shares}"]
        text += [f"Next: {one.check} (about {one.minutes:g} min)" for one in view.next_checks[:1]]
    return desk.answer(view.model_dump(mode="json"), [*text, *(f"Dye: {one}" for one in view.dye)])


def _upper(high: float | None) -> str:
    return "no upper bound (it came out empty)" if high is None else grams(high)


def _visits(story: Story) -> list[str]:
    if not story.visits:
        return [f"No visit yet: holdwatch job open {story.unit.name} --complaint …"]
    return [
        f"{visit.number:12}{visit.opened_on}  "
        f"{'open' if visit.closed_on is None else f'closed {visit.closed_on}':19}{visit.complaint}"
        for visit in story.visits
    ]


def card(unit: Vehicle) -> list[str]:
    """Return a unit as lines for a terminal."""
    known = " · ".join(word for word in (unit.fleet_number, unit.plate, unit.vin) if word)
    highest = unit.max_pressure_kpa_g
    lines = [
        f"{'vehicle':17}{known}" + (f" ({unit.description})" if unit.description else ""),
        f"{'refrigerant':17}{unit.refrigerant}, nameplate {grams(unit.nameplate_charge_g)}"
        + (" — it burns when it leaks" if unit.is_flammable else ""),
        f"{'oil':17}{unit.oil.kind} {unit.oil.grade}".rstrip()
        + ("" if unit.oil.amount_ml is None else f", {unit.oil.amount_ml:g} ml"),
        f"{'evaporators':17}{unit.evaporators}; the law allows {unit.law_g_per_year:g} g a year",
        f"{'volume':17}{volume_sentence(unit.volume)}",
        *(
            f"{'  ' + place:17} {volume_sentence(volume)}"
            for place, volume in unit.section_volumes.items()
        ),
        f"{'highest pressure':17}{'not known' if highest is None else f'{highest:g} kPa gauge'}",
    ]
    if unit.vin_check is not None:
        lines.append(f"{'VIN check digit':17}{unit.vin_check}")
    if unit.own_places:
        places = ", ".join(f"{key} ({parent})" for key, parent in unit.own_places.items())
        lines.append(f"{'own places':17}{places}")
    return lines


def run_volume_steps(desk: Desk, name: str) -> int:
    """Print how a volume is measured, step by step, with the cautions first."""
    unit = desk.book.story(name).unit
    limit = unit.max_pressure_kpa_g
    most = "its highest pressure is not stored: read the plate before you fill the bottle"
    if limit is not None:
        most = f"its highest allowed pressure is {limit:g} kPa gauge"
    lines = [f"! {caution}" for caution in CAUTIONS]
    lines += [f"{unit.name}: {most}.", ""]
    lines += [f"{n}. {step}" for n, step in enumerate(STEPS, start=1)]
    content = {"unit": unit.name, "cautions": list(CAUTIONS), "steps": list(STEPS)}
    return desk.answer(content, [*lines, "", "Then give the readings; --help shows the options."])


def run_volume(
    desk: Desk, name: str, said: Mapping[str, float | None], *, section: str, on: date
) -> int:
    """Work out a volume from an expansion and keep it for every later hold of unit or section.

    Raises:
        UserError: A reading is missing.
        VehicleError: Readings that cannot belong to an expansion.
    """
    missing = [f"--{key.replace('_', '-')}" for key, value in said.items() if value is None]
    if missing:
        raise UserError(
            f"the expansion lacks {', '.join(missing)}; without any reading this command prints "
            "the steps"
        )
    read = load_row(Expansion, said, where="expansion")
    unit = desk.book.story(name).unit
    found = read_expansion(Fluids.load(), read, unit)
    if desk.service is not None:
        body = {"expansion": said, "section": section, "on": on.isoformat()}
        told = desk.service.change(at("vehicles", name, "volume"), body)
        volume = load_row(InternalVolume, told["volume"], where="volume")
    else:
        volume = desk.book.write(
            lambda page: keep_volume(page, desk.tables, name, found, on=on, section=section)
        )
    content = {
        "unit": unit.name,
        "volume": volume.model_dump(mode="json"),
        "budget_ml": {source: 1e6 * share for source, share in found.budget},
    }
    text = [f"{unit.name}: {volume_sentence(volume)}", "Every later hold of it uses this."]
    text += [f"  {source:30}{1e6 * share:7.1f} ml" for source, share in found.budget[:4]]
    return desk.answer(content, text)


def run_tables(desk: Desk, folder: Path, names: Sequence[str]) -> int:
    """Write copies of the shipped tables for the shop to edit; what is there stays.

    Raises:
        UserError: The folder cannot be written.
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name in names:
            if not (folder / name).exists():
                (folder / name).write_text(packaged_text(name), encoding="utf-8")
                written.append(str(folder / name))
    except OSError as error:
        raise UserError(f"{error.filename}: cannot be written: {error.strerror}") from error
    kept = [str(folder / name) for name in names if str(folder / name) not in written]
    text = [f"Wrote {path}" for path in written] + [f"Kept {path}" for path in kept]
    return desk.answer({"written": written, "kept": kept}, text)


def _oil(words: str | None, amount_ml: float | None) -> dict[str, Any]:
    """Return the oil of words like ``PAG 46``."""
    oil: dict[str, Any] = {}
    if words is not None:
        kind, _, grade = words.strip().partition(" ")
        oil = {"kind": kind if kind == "mineral" else kind.upper(), "grade": grade.strip()}
    if amount_ml is not None:
        oil["amount_ml"] = amount_ml
    return oil
