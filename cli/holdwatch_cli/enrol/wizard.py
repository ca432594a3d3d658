"""``holdwatch enrol`` on a terminal: what is in the air, and a few questions."""

from __future__ import annotations

import asyncio
import re
from typing import TYPE_CHECKING, Any, TypeVar

import typer

from holdwatch_adapters.bluetooth import Seen, scan
from holdwatch_adapters.ports import AdapterError
from holdwatch_adapters.settings import NAME
from holdwatch_cli.enrol.enrolment import Enrolment, pair
from holdwatch_cli.scan import line
from holdwatch_cli.terminal import say
from holdwatch_physics.reading import Role, role_of
from holdwatch_physics.units import UnitError, parse_unit

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdwatch_daemon.settings import ShopConfig, ShopFile

LISTEN_S = 8.0

T = TypeVar("T")


def ask_enrolment(file: ShopFile) -> Enrolment:
    """Ask for everything, with what is known as the answer that Enter gives."""
    shop = file.config()
    seen = _listen()
    address, device = _ask_address(seen, shop)
    known = next((p for p in shop.probe if (p.identity or "").upper() == address.upper()), None)
    suggested = known.name if known is not None else _slug(device.name if device else "")
    made = Enrolment()
    made.name = _ask("Its name in this shop", _name, suggested or None)
    probe = made.probe
    probe["address"] = address
    guess = (device.profile if device else None) or "ess"
    probe["profile"] = _ask(
        "Profile (ess, gatt or bthome)", _one_of("ess", "gatt", "bthome"), guess
    )
    if probe["profile"] == "bthome" and (
        (device is not None and "encrypt" in device.note) or _yes("Does it encrypt?")
    ):
        probe["key"] = _ask_key()
    roles = ", ".join(Role)
    made.bay = _ask(f"Bay ({', '.join(bay.name for bay in shop.bay) or 'none yet'})", _name, None)
    made.role = _ask(f"Its role there ({roles}; a second one: pipe_temperature.2)", _role, None)
    meant = role_of(made.role)
    if meant is not None and meant.is_pressure:
        _ask_gauge(probe, meant)
    say("")
    return made


def _ask_gauge(probe: dict[str, Any], role: Role) -> None:
    absolute = role in {Role.VACUUM, Role.BAROMETER}
    if absolute:
        probe["pressure_reference"] = "absolute"
    else:
        words = ("vented", "sealed", "absolute")
        text = "It measures against the room (vented), a sealed case (sealed) or nothing (absolute)"
        probe["pressure_reference"] = _ask(text, _one_of(*words), "vented")
    default = "kPaa" if probe["pressure_reference"] == "absolute" else "kPag"
    unit = _ask("Unit of its figures", _unit, "micron" if role is Role.VACUUM else default)
    probe["unit"] = unit
    figures: list[tuple[str, str, Callable[[str], Any]]] = [
        ("range", f"Range, LOW:HIGH in {unit} (its data sheet; Enter where unknown)", pair),
        ("resolution", f"Step of its readings in {unit} (Enter where unknown)", _positive),
        ("noise", f"Scatter of its readings in {unit} (Enter where unknown)", _positive),
    ]
    for key, text, read in figures:
        value = _ask(text, _or_nothing(read), "")
        if value is not None:
            probe[key] = value


def _listen() -> list[Seen]:
    say(f"Listening for {LISTEN_S:g} s …")
    try:
        seen = asyncio.run(scan(LISTEN_S))
    except AdapterError as error:
        say(f"{error}. The address can be typed all the same.")
        return []
    for number, one in enumerate(seen, 1):
        say(f"{number:3}  {line(one)}")
    if not seen:
        say("No Bluetooth device was heard; `holdwatch check` says what may be missing.")
    return seen


def _ask_address(seen: list[Seen], shop: ShopConfig) -> tuple[str, Seen | None]:
    named = {(probe.identity or "").upper(): probe.name for probe in shop.probe}
    for one in seen:
        if one.address.upper() in named:
            say(f"     {one.address} is {named[one.address.upper()]} here.")

    def read(text: str) -> tuple[str, Seen | None]:
        if text.isdigit():
            if not 1 <= int(text) <= len(seen):
                raise ValueError(f"write a number from 1 to {len(seen)}, or an address")
            return seen[int(text) - 1].address, seen[int(text) - 1]
        if not re.fullmatch(r"[0-9A-Fa-f:-]{17,36}", text):
            raise ValueError("write its number, or its address such as 02:00:00:00:00:01")
        device = next((one for one in seen if one.address.upper() == text.upper()), None)
        return text, device

    return _ask("Which one (number or address)", read, None)


def _ask_key() -> str:
    while True:
        text = str(typer.prompt("Its key, 32 hexadecimal digits (not shown)", hide_input=True))
        if re.fullmatch(r"[0-9A-Fa-f]{32}", text.strip()):
            return text.strip()
        say("  That is not a key: write the 32 hexadecimal digits.")


def _ask(text: str, read: Callable[[str], T], default: str | None) -> T:
    """Ask until the answer can be read."""
    while True:
        answer = str(typer.prompt(text, default=default, show_default=bool(default))).strip()
        try:
            return read(answer)
        except ValueError as error:
            say(f"  {error}")


def _yes(text: str) -> bool:
    return bool(typer.confirm(text, default=False))


def _positive(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not value > 0.0:
        raise ValueError("write a number above 0")
    return value


def _or_nothing(read: Callable[[str], T]) -> Callable[[str], T | None]:
    return lambda text: read(text) if text else None


def _one_of(*words: str) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text not in words:
            raise ValueError(f"write one of {', '.join(words)}")
        return text

    return read


def _name(text: str) -> str:
    if not re.fullmatch(NAME, text):
        raise ValueError("write letters, digits, - and _ only, at most 40, a letter or digit first")
    return text


def _role(text: str) -> str:
    if role_of(text) is None:
        raise ValueError(f"write one of {', '.join(Role)}")
    return text


def _unit(text: str) -> str:
    try:
        return parse_unit(text).name
    except UnitError as error:
        raise ValueError(str(error)) from error


def _slug(name: str) -> str:
    return re.sub(r"[^A-Za-z0-9_-]+", "-", name).strip("-_")[:40]
