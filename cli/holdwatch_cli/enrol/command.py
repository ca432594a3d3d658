"""``holdwatch enrol``: a probe gets its name, its figures, and its role in a bay."""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from holdwatch_cli.enrol.enrolment import Enrolment, enrolment, only_zero, path_from, range_of
from holdwatch_cli.enrol.live_readings import listen
from holdwatch_cli.errors import UserError
from holdwatch_cli.options import Json
from holdwatch_cli.terminal import say
from holdwatch_daemon.intake import Found, Gauge, two_points, zero
from holdwatch_daemon.settings import ShopFile
from holdwatch_physics.reading import Channel, Quantity, Role, role_of
from holdwatch_physics.units import parse_unit

if TYPE_CHECKING:
    from holdwatch_adapters.settings import ProbeSettings
    from holdwatch_daemon.settings import ShopConfig


def run_enrol(enrolment: Enrolment, config: Path, *, as_json: bool, dry_run: bool) -> int:
    """Write an enrolment into the shop's file, or ask for it on a terminal."""
    if enrolment.is_empty:
        if as_json or not sys.stdin.isatty():
            raise UserError(
                "nothing to enrol: say what with options (holdwatch enrol --help shows them), or "
                "run it bare on a terminal, where it asks"
            )
        from holdwatch_cli.enrol.wizard import ask_enrolment  # noqa: PLC0415 - it scans

        enrolment = ask_enrolment(ShopFile(config))
    file = ShopFile(config)
    told = enter(file, enrolment)
    return _finish(file, told, as_json=as_json, dry_run=dry_run)


def run_zero(
    name: str,
    config: Path,
    *,
    channel: str | None,
    seconds: float,
    true: float | None,
    as_json: bool,
    dry_run: bool,
) -> int:
    """Measure a gauge's offset at a known pressure and write it."""
    file = ShopFile(config)
    shop = file.config()
    probe = shop.probe_named(name)
    if probe is None:
        known = ", ".join(sorted(each.name for each in shop.probe)) or "none"
        raise UserError(f"no probe is named {name!r} in {config}; configured probes: {known}")
    channel = channel or "pressure"
    gauge = gauge_of(probe)
    wanted = str(Channel(name, channel))
    room = None if true is not None else _room_channel(shop, probe, wanted)
    if not as_json:
        say(f"Open {name} to the air and let it rest. Listening for {seconds:g} s …")
    channels = frozenset({wanted} | ({room} if room else set()))
    heard = asyncio.run(listen(shop, channels, wanted, seconds))
    unit = parse_unit(probe.unit or "Pag")
    if room is not None:
        of_room = heard.get(room, [])
        if not of_room:
            raise UserError(
                f"the barometer {room} said nothing meanwhile: give the room's pressure with "
                f"--true, in {unit.name}"
            )
        room_pa = sum(of_room) / len(of_room)
        line = shop_line(shop, room)
        true = unit.from_si(line.apply(room_pa))
    known_scale = probe.calibration[channel].scale if channel in probe.calibration else 1.0
    said = [unit.from_si(value) for value in heard.get(wanted, [])]
    found = zero(said, true or 0.0, gauge, scale=known_scale)
    file.put_probe({"name": name, "calibration": {channel: _calibration(found, probe, channel)}})
    told = {
        "probe": name,
        "channel": wanted,
        "offset": found.offset,
        "scale": found.scale,
        "unit": unit.name,
        "readings": len(said),
        "true": true or 0.0,
        "notes": [note for note in (found.note,) if note],
    }
    if not as_json:
        say(f"{wanted}: offset {found.offset:g} {unit.label} ({found.how}).")
    return _finish(file, told, as_json=as_json, dry_run=dry_run)


def enter(file: ShopFile, enrolment: Enrolment) -> dict[str, Any]:
    """Enter an enrolment into the file's text; return what was done.

    Raises:
        UserError: Something does not go together.
        ConfigError: The configuration would be wrong.
    """
    if enrolment.name is None:
        raise UserError("give the probe's name in this shop with --name, for example gauge-3")
    if (enrolment.bay is None) != (enrolment.role is None):
        raise UserError("--bay and --role go together: which place, and what it means there")
    if file.probe(enrolment.name) is None and "address" not in enrolment.probe:
        raise UserError(
            f"no probe is named {enrolment.name!r} in {file.path}: a new one needs --address, as "
            "`holdwatch scan` shows it; other kinds than Bluetooth are written by hand, see "
            "docs/shop.example.toml"
        )
    is_new = file.put_probe({"name": enrolment.name, **enrolment.probe})
    told: dict[str, Any] = {"probe": enrolment.name, "is_new": is_new, "notes": []}
    channel = enrolment.channel or _channel_of(enrolment.role)
    calibration = _given_calibration(file, enrolment, channel)
    if calibration is not None:
        file.put_probe({"name": enrolment.name, "calibration": {channel: calibration}})
        told |= {"offset": calibration["offset"], "scale": calibration["scale"]}
    if enrolment.bay is not None and enrolment.role is not None:
        bound = str(Channel(enrolment.name, channel))
        replaced = file.bind(enrolment.bay, enrolment.role, bound)
        told |= {"bay": enrolment.bay, "role": enrolment.role, "channel": bound}
        if replaced is not None:
            told["notes"].append(
                f"{enrolment.role} of {enrolment.bay} was {replaced} before; that has no role "
                "there now."
            )
    return told


def gauge_of(probe: ProbeSettings) -> Gauge:
    """Return what is known of a probe's gauge.

    Raises:
        UserError: Its range or unit is not known.
    """
    if probe.unit is None or probe.range is None:
        raise UserError(
            f"{probe.name}: its range is not known, so that no offset can be called sensible; "
            f"holdwatch enrol --name {probe.name} --unit kPag --range 0:3500"
        )
    unit = parse_unit(probe.unit)
    low, high = probe.range
    return Gauge(probe.name, unit.label, low, high, probe.resolution or 0.0, probe.noise or 0.0)


def shop_line(shop: ShopConfig, channel: str) -> Any:
    """Return the calibration of a channel, the one without effect where it has none."""
    from holdwatch_daemon.intake import calibrations_of  # noqa: PLC0415 - light
    from holdwatch_physics.reading import Calibration  # noqa: PLC0415 - light

    probe = shop.probe_of(channel)
    lines = {} if probe is None else calibrations_of(probe)
    return lines.get(channel, Calibration())


def _room_channel(shop: ShopConfig, probe: ProbeSettings, wanted: str) -> str | None:
    """The barometer that an absolute gauge is compared with; None for a vented one.

    Raises:
        UserError: There is none, or the gauge cannot be zeroed at open air.
    """
    if probe.pressure_reference == "vented":
        return None
    if probe.pressure_reference == "sealed":
        raise UserError(
            f"{probe.name}: a sealed gauge does not say 0 at open air; give what it should say "
            "with --true, or two points with --point"
        )
    barometers = [
        channel
        for bay in shop.bay
        for role, channel in bay.roles.items()
        if role_of(role) is Role.BAROMETER and channel != wanted
    ]
    if not barometers:
        raise UserError(
            f"{probe.name}: an absolute gauge is compared with a barometer, and no bay has "
            f"another one; give the room's pressure with --true, in {probe.unit}"
        )
    return barometers[0]


def _channel_of(role: str | None) -> str:
    meant = None if role is None else role_of(role)
    return "pressure" if meant is None or meant.is_pressure else "temperature"


def _given_calibration(file: ShopFile, enrolment: Enrolment, channel: str) -> dict[str, Any] | None:
    """The calibration that options give, or None."""
    given = enrolment.offset is not None or enrolment.scale is not None
    if given and enrolment.points:
        raise UserError("give --offset and --scale, or two --point, not both")
    if not given and not enrolment.points:
        return None
    probe = file.config().probe_named(enrolment.name or "")
    assert probe is not None  # noqa: S101 - put there before
    if enrolment.points:
        return _calibration(two_points(enrolment.points, gauge_of(probe)), probe, channel)
    known = probe.calibration.get(channel)
    offset, scale = (0.0, 1.0) if known is None else (known.offset, known.scale)
    found = Found(
        offset if enrolment.offset is None else enrolment.offset,
        scale if enrolment.scale is None else enrolment.scale,
        "given by hand",
    )
    return _calibration(found, probe, channel)


def _calibration(found: Found, probe: ProbeSettings, channel: str) -> dict[str, Any]:
    table: dict[str, Any] = {"offset": found.offset, "scale": found.scale}
    if probe.unit is not None:
        of_temperature = parse_unit(probe.unit).quantity is Quantity.TEMPERATURE
        if of_temperature != channel.startswith("temperature"):
            raise UserError(
                f"{probe.name}: its unit is {probe.unit}, which {channel} is not measured in; "
                f"write [probe.calibration.{channel}] with its own unit by hand"
            )
        table["unit"] = probe.unit
    return table | {"made": datetime.now(UTC).date(), "how": found.how}


def _finish(file: ShopFile, told: dict[str, Any], *, as_json: bool, dry_run: bool) -> int:
    file.config()
    backup = None if dry_run else file.save()
    told |= {"file": str(file.path), "backup": None if backup is None else str(backup)}
    told["written"] = not dry_run
    if as_json:
        say(json.dumps(told, ensure_ascii=False))
        return 0
    if dry_run:
        say(file.text)
        say(f"Nothing was written: {file.path} would read as above.")
        return 0
    for note in told["notes"]:
        say(note)
    place = f" It is {told['role']} of {told['bay']}." if "role" in told else ""
    kept = "" if backup is None else f" The file of before is {backup}."
    say(f"{told['probe']} stands in {file.path}.{place}{kept}")
    say("A running `holdwatch serve` takes it up when it is started again.")
    return 0


def enrol(
    name: Annotated[str | None, typer.Option(help="The probe's name in this shop.")] = None,
    address: Annotated[str | None, typer.Option(help="Address, as `scan` shows it.")] = None,
    profile: Annotated[str | None, typer.Option(help="ess, gatt or bthome.")] = None,
    key: Annotated[
        str | None,
        typer.Option(help="Key of a bthome probe that encrypts; others see command lines."),
    ] = None,
    key_file: Annotated[
        Path | None, typer.Option(help="File that holds the key; kept out of the configuration.")
    ] = None,
    mac: Annotated[
        str | None, typer.Option(help="True address, where the system hides it (macOS).")
    ] = None,
    bay: Annotated[str | None, typer.Option(help="The bay it serves; added if new.")] = None,
    role: Annotated[
        str | None, typer.Option(help="low_side, high_side, vacuum, pipe_temperature(.2) …")
    ] = None,
    channel: Annotated[
        str | None, typer.Option(help="Its channel, for example pressure.2; else by the role.")
    ] = None,
    reference: Annotated[
        str | None, typer.Option(help="vented, sealed or absolute: the air does not say.")
    ] = None,
    unit: Annotated[str | None, typer.Option(help="Unit of the figures, e.g. kPag.")] = None,
    range_: Annotated[str | None, typer.Option("--range", help="LOW:HIGH in its unit.")] = None,
    resolution: Annotated[float | None, typer.Option(help="Step of its readings.")] = None,
    noise: Annotated[float | None, typer.Option(help="Scatter of single readings.")] = None,
    drift: Annotated[float | None, typer.Option(help="Wander in an hour.")] = None,
    interval_s: Annotated[float | None, typer.Option(help="Time between readings, s.")] = None,
    offset: Annotated[float | None, typer.Option(help="Calibration offset, its unit.")] = None,
    scale: Annotated[float | None, typer.Option(help="Calibration scale.")] = None,
    point: Annotated[
        list[str] | None, typer.Option(help="SAID=TRUE beside a reference, twice: two points.")
    ] = None,
    zero: Annotated[
        str | None, typer.Option(metavar="PROBE", help="Measure its offset now, open to the air.")
    ] = None,
    seconds: Annotated[float, typer.Option(min=2, max=600, help="How long to measure.")] = 20.0,
    true: Annotated[
        float | None, typer.Option(help="What it should say; else 0, or the barometer.")
    ] = None,
    config: Annotated[Path, typer.Option(help="The shop's file, made if missing.")] = Path(
        "shop.toml"
    ),
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Show the file, write nothing.")
    ] = False,
    json: Json = False,
) -> None:
    """Enrol a probe: name, key, figures, role in a bay; bare, it asks.

    Your comments and your order in shop.toml stay; the file of before is kept as shop.toml.bak.

    Example: holdwatch enrol --name gauge-3 --address 02:00:00:00:00:09 --bay bay-1 --role low_side
    --unit kPag --range 0:3500

    Then, open to the air: holdwatch enrol --zero gauge-3
    """
    said = {
        "address": address,
        "profile": profile,
        "key": key,
        "key_file": path_from(config, key_file),
        "mac": mac,
        "pressure_reference": reference,
        "unit": unit,
        "range": range_of(range_),
        "resolution": resolution,
        "noise": noise,
        "drift": drift,
        "interval_s": interval_s,
    }
    made = enrolment(name, said, bay, role, channel, offset, scale, point or [])
    if zero is None:
        raise typer.Exit(run_enrol(made, config, as_json=json, dry_run=dry_run))
    only_zero(made)
    status = run_zero(
        zero, config, channel=channel, seconds=seconds, true=true, as_json=json, dry_run=dry_run
    )
    raise typer.Exit(status)
