"""The options that say what a vehicle is: written once, for adding one and for changing one."""

from __future__ import annotations

import functools
import inspect
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

if TYPE_CHECKING:
    from collections.abc import Callable

Fields = dict[str, Any]
"""What was said of a vehicle, by the options' names; None where an option was not given."""

Plate = Annotated[str | None, typer.Option(help="Registration.")]
Vin = Annotated[str | None, typer.Option(help="Vehicle identification number, 17 characters.")]
Description = Annotated[str | None, typer.Option(help="In words.")]
Refrigerant = Annotated[str | None, typer.Option(help="As on the plate, e.g. R134a.")]
Charge = Annotated[float | None, typer.Option(help="Charge by the plate, g.")]
OilWords = Annotated[str | None, typer.Option("--oil", help='Kind and grade, e.g. "PAG 46".')]
OilMl = Annotated[float | None, typer.Option(help="Amount of oil, ml.")]
Evaporators = Annotated[int | None, typer.Option(min=1, max=2, help="1, or 2 with a rear one.")]
VolumeClass = Annotated[
    str | None, typer.Option(help="Class of the volume table, e.g. van-two-evaporators.")
]
VolumeL = Annotated[float | None, typer.Option(help="Internal volume, litres, if stated.")]
VolumeU = Annotated[float | None, typer.Option(help="Standard uncertainty of --volume-l, percent.")]
MaxPressure = Annotated[
    float | None, typer.Option(help="Highest allowed pressure from the plate, kPa gauge.")
]
Places = Annotated[
    list[str] | None,
    typer.Option("--place", help='A place of its own: "roof joint=high-side". Again for more.'),
]
SectionVolumes = Annotated[
    list[str] | None,
    typer.Option(
        "--section-volume",
        help='Volume of a part held alone, litres and percent: "compressor=0.3:5". Again for more.',
    ),
]

_FIELDS: Final[dict[str, tuple[str, Any]]] = {
    # Name of the option's variable → field of a unit (or of what makes one), and its kind.
    "plate": ("plate", Plate),
    "vin": ("vin", Vin),
    "description": ("description", Description),
    "refrigerant": ("refrigerant", Refrigerant),
    "charge_g": ("nameplate_charge_g", Charge),
    "oil": ("oil", OilWords),
    "oil_ml": ("oil_ml", OilMl),
    "evaporators": ("evaporators", Evaporators),
    "volume_class": ("volume_class", VolumeClass),
    "volume_l": ("volume_l", VolumeL),
    "volume_u_percent": ("volume_u_percent", VolumeU),
    "max_pressure_kpa_g": ("max_pressure_kpa_g", MaxPressure),
    "place": ("place", Places),
    "section_volume": ("section_volume", SectionVolumes),
}
_WORD: Final = inspect.Parameter.KEYWORD_ONLY


def with_vehicle_fields(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command an option for each field of a vehicle in place of its ``said``."""

    @functools.wraps(command)
    def given(**options: Any) -> None:
        said = {field: options.pop(name) for name, (field, _) in _FIELDS.items()}
        command(said=said, **options)

    own = inspect.signature(command, eval_str=True).parameters
    parameters: list[inspect.Parameter] = []
    for name, parameter in own.items():
        if name == "said":
            parameters += [
                inspect.Parameter(option, _WORD, default=None, annotation=kind)
                for option, (_, kind) in _FIELDS.items()
            ]
        else:
            parameters.append(parameter)
    given.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]  # typer reads it
    given.__annotations__ = {one.name: one.annotation for one in parameters}
    del given.__wrapped__  # whose signature would be read instead
    return given
