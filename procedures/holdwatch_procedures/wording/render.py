"""Renders sentences: finds the template of a key, and writes its figures in the units asked for."""

from __future__ import annotations

import math
from functools import lru_cache
from string import Formatter
from typing import TYPE_CHECKING, Any, Final, NamedTuple

from holdwatch_physics.reading import Quantity
from holdwatch_physics.units import Unit, parse_unit
from holdwatch_procedures.wording.amounts import duration_text, grams_text
from holdwatch_procedures.wording.english import TEMPLATES as ENGLISH
from holdwatch_procedures.wording.say import Say

if TYPE_CHECKING:
    from collections.abc import Iterable

    from holdwatch_procedures.wording.say import Value
    from holdwatch_procedures.wording.units import Units

CATALOGUES: Final = {"en": ENGLISH}
"""The templates of each language."""

_UNITS: Final = {
    "Pa": parse_unit("Pa"),
    "kPa": parse_unit("kPaa"),
    "micron": parse_unit("micron"),
    "degC": parse_unit("degC"),
    "K": parse_unit("K"),
}
_LEAST_DIGITS: Final = 2
_MOST_DIGITS: Final = 4
_GROUPED_FROM: Final = 5
_KILOGRAMS_FROM_G: Final = 1e4


class Slot(NamedTuple):
    """One placeholder of a template.

    Attributes:
        name: The value's name.
        kind: What the value is: a unit, or one of the words in ``english.py``.
        spec: How Python formats the figure; more words say what is left out.
    """

    name: str
    kind: str
    spec: str
    bare: bool

    @property
    def measures(self) -> tuple[str, str]:
        """What the slots of one figure and its bounds have in common."""
        return self.kind, self.spec


@lru_cache(maxsize=1024)
def slots(template: str) -> tuple[tuple[str, Slot | None], ...]:
    """Return the pieces of a template: words, and the placeholder behind them, if any."""
    pieces: list[tuple[str, Slot | None]] = []
    for literal, name, how, _ in Formatter().parse(template):
        slot = None
        if name is not None:
            kind, *rest = (how or "text").split()
            bare = "bare" in rest
            spec = next((word for word in rest if word != "bare"), "")
            slot = Slot(name, kind, spec, bare)
        pieces.append((literal, slot))
    return tuple(pieces)


def render(say: Say, units: Units | None = None, language: str = "en") -> str:
    """Return a sentence for people.

    Args:
        say: The sentence.
        units: The units to write figures in: value and bounds of one figure in the same unit with
            the same decimals, without powers of ten. None writes each figure as recorded
            verdicts and events always have.
        language: A language of ``CATALOGUES``.

    Raises:
        KeyError: No template has the key, or a value that it needs is missing.
    """
    pieces = slots(CATALOGUES[language][say.key])
    written: list[str] = []
    for literal, slot in pieces:
        written.append(literal)
        if slot is not None:
            together = [
                say[other.name]
                for _, other in pieces
                if other is not None and other.measures == slot.measures
            ]
            written.append(_write(slot, say[slot.name], together, units, language))
    return "".join(written)


def _write(
    slot: Slot, value: Value, together: list[Value], units: Units | None, language: str
) -> str:
    """Write one value; ``together`` are all of its sentence that are measured alike."""
    match value:
        case Say():
            text = render(value, units, language)
            return text[:1].upper() + text[1:] if slot.spec == "capital" else text
        case tuple():
            between = {"and": " and ", "comma": ", ", "space": " "}[slot.spec]
            return between.join(render(each, units, language) for each in value)
        case str():
            return value.replace("_", " ") if slot.kind == "role" else value
    figures = [float(each) for each in together if isinstance(each, int | float)]
    return _figure(slot, float(value), figures, units)


def _figure(slot: Slot, value: float, figures: list[float], units: Units | None) -> str:
    match slot.kind:
        case "grams":
            up = slot.spec == "up"
            return grams_text(value, up=up) if units is None else _mass(value, figures, up=up)
        case "duration":
            return duration_text(value)
        case "minutes":
            return format(value / 60.0, slot.spec)
        case "percent":
            return format(100.0 * value, slot.spec)
        case "number":
            return format(value, slot.spec)
    return _measured(slot, value, figures, units)


def _measured(slot: Slot, value: float, figures: list[float], units: Units | None) -> str:
    """Write a pressure, a temperature or a difference of temperatures."""
    default = _UNITS[slot.kind]
    unit = default if units is None else units.of(default)
    is_difference = slot.kind == "K"
    label = unit.label if unit.quantity is Quantity.TEMPERATURE else unit.stem
    if is_difference and unit.stem == "degC":
        unit, label = default, default.label  # a difference of temperatures is one of kelvin
    usual = format(_in(default, value, is_difference=is_difference), slot.spec)
    if units is None or ((unit is default or unit.stem == default.stem) and "e" not in usual):
        text = usual
    else:
        turned = [_in(unit, each, is_difference=is_difference) for each in figures]
        own = _in(unit, value, is_difference=is_difference)
        text = _plain(own, turned, _significant(usual), sign="+" in slot.spec)
    return text if slot.bare else f"{text} {label}"


def _in(unit: Unit, value: float, *, is_difference: bool) -> float:
    return unit.delta_from_si(value) if is_difference else unit.from_si(value)


def _significant(text: str) -> int:
    """How many digits a figure is usually written with, within what a shop reads."""
    digits = text.split("e", maxsplit=1)[0].replace(".", "").lstrip("+-0")
    return min(max(len(digits), _LEAST_DIGITS), _MOST_DIGITS)


def _plain(value: float, figures: Iterable[float], digits: int, *, sign: bool) -> str:
    """Write a figure without a power of ten; figures that belong together get the same decimals.

    A figure on its own loses its zeros behind the point; narrow spaces part five digits and more.
    """
    if not math.isfinite(value):
        return "—"
    known = [abs(each) for each in figures if math.isfinite(each)]
    largest = max(known, default=abs(value))
    decimals = 0 if largest == 0.0 else max(0, digits - 1 - math.floor(math.log10(largest)))
    text = f"{round(value, decimals) + 0.0:{'+' if sign else ''}.{decimals}f}"
    if decimals and len(set(known)) < 2:
        text = text.rstrip("0").rstrip(".")
    whole, point, part = text.partition(".")
    if len(whole.lstrip("+-")) >= _GROUPED_FROM:
        whole = f"{int(whole):{'+' if sign else ''},d}".replace(",", "\N{NARROW NO-BREAK SPACE}")
    return whole + point + part


def _mass(value: float, figures: list[float], *, up: bool) -> str:
    """Write a mass in the unit that the largest of those it stands beside is written in."""
    largest = max((abs(each) for each in figures if math.isfinite(each)), default=0.0)
    if largest < _KILOGRAMS_FROM_G or abs(value) >= _KILOGRAMS_FROM_G or not math.isfinite(value):
        return grams_text(value, up=up)
    # Rounded as grams are, then written in kilograms beside the larger one.
    rounded = float(grams_text(value, up=up).split()[0])
    return f"{rounded / 1e3:.6f}".rstrip("0").rstrip(".") + " kg"


def said(**says: Say | tuple[Say, ...] | None) -> dict[str, Any]:
    """Return keys and values of an object's sentences as its ``said`` field, name by name."""
    told: dict[str, Any] = {}
    for name, say in says.items():
        if isinstance(say, tuple):
            told[name] = [each.to_dict() for each in say]
        elif say is not None:
            told[name] = say.to_dict()
    return told


def in_units(message: Any, units: Units, language: str = "en") -> Any:
    """Return a message with its sentences written anew in the units asked for.

    What an object says stands in its field ``said``, by the name of the field that carries the
    words. A sentence whose key is unknown here (an older or newer version wrote it) stays as it is.

    Args:
        message: A JSON value.
        units: As :func:`render` takes them.
        language: As :func:`render` takes it.
    """
    if isinstance(message, list):
        return [in_units(each, units, language) for each in message]
    if not isinstance(message, dict):
        return message
    made = {
        name: value if name == "said" else in_units(value, units, language)
        for name, value in message.items()
    }
    told = message.get("said")
    for name, what in told.items() if isinstance(told, dict) else ():
        try:
            if isinstance(what, list):
                made[name] = [render(Say.from_dict(each), units, language) for each in what]
            else:
                made[name] = render(Say.from_dict(what), units, language)
        except (KeyError, TypeError, AttributeError, ValueError):
            continue
    return made
