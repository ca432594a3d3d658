"""Writes a run as a trace (CSV) and the recipe that fits it (TOML)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TextIO

from holdwatch_simulators.instruments import MICRON_PA
from holdwatch_simulators.probes import GaugeModel
from holdwatch_simulators.scenario import Run, Sample

if TYPE_CHECKING:
    from holdwatch_simulators.scenario import ProbeSpec, Scenario

_ZERO_C_K: Final = 273.15
_QUOTE: Final = '"'
_FACTOR: Final[dict[str, tuple[float, int]]] = {
    # unit: SI size of one, decimals written
    "kPag": (1000.0, 4),
    "kPaa": (1000.0, 4),
    "Pa": (1.0, 3),
    "micron": (MICRON_PA, 2),
    "degC": (1.0, 3),
    "K": (1.0, 3),
}


def _number(value: float, decimals: int) -> str:
    text = f"{value:.{decimals}f}".rstrip("0").rstrip(".")
    return "0" if text in {"-0", ""} else text


def in_unit(si_value: float, unit: str) -> str:
    """Return an SI value as the text that a trace carries.

    Raises:
        ValueError: The unit is not one that simulated probes use.
    """
    try:
        size, decimals = _FACTOR[unit]
    except KeyError:
        known = ", ".join(_FACTOR)
        raise ValueError(f"unit {unit!r} is not written by the simulator; use {known}") from None
    shift = _ZERO_C_K if unit == "degC" else 0.0
    return _number((si_value - shift) / size, decimals)


def write_trace(run: Run, out: TextIO, step_s: float = 1.0) -> int:
    """Write a whole run to ``out`` as a trace; return the number of readings."""
    out.write("time,channel,value,unit\n")
    readings = 0
    for event in run.events(step_s):
        if isinstance(event, Sample):
            if event.value is None:
                continue
            spec = event.probe
            time = _number(event.t_s, 3)
            out.write(f"{time},{spec.role},{in_unit(event.value, spec.unit)},{spec.unit}\n")
            readings += 1
        elif run.scenario.marks and event.mark is not None:
            word = (
                f'"{event.mark.replace(_QUOTE, _QUOTE * 2)}"' if "," in event.mark else event.mark
            )
            out.write(f"{_number(run.t_s, 3)},mark,{word},\n")
    return readings


def recipe_toml(scenario: Scenario) -> str:
    """Return the recipe that fits a scenario, as a shop would state it."""
    facts = scenario.recipe
    under_vacuum = facts.procedure == "standing-vacuum"
    lines = [
        f"# {scenario.about}",
        f'procedure = "{facts.procedure}"',
        f'refrigerant = "{facts.refrigerant}"',
        f"volume_l = {scenario.plant.volume_m3 * 1000.0:g}",
        f'wall_material = "{facts.wall_material}"',
        "reference_temperature_c = 25.0",
        "",
        "[criterion]",
        f"leak_g_per_year = {facts.criterion_g_per_year:g}",
        'source = "shop rule"',
        "",
        "[limits]",
        f"max_duration_min = {facts.max_duration_min:g}",
    ]
    if under_vacuum:
        lines += ["", "[vacuum]", f"target_micron = {facts.target_micron:g}"]
    else:
        lines.append(f"max_pressure_kpa_g = {facts.max_pressure_kpa_g:g}")
        lines.insert(2, 'gas = "nitrogen"')
    for spec in scenario.probes:
        lines += _channel(spec)
    return "\n".join(lines) + "\n"


def _channel(spec: ProbeSpec) -> list[str]:
    """Return what the shop knows of one probe; nobody knows its offset."""
    lines = ["", f'[channels."{spec.role}"]', f'role = "{spec.role}"', f'unit = "{spec.unit}"']
    size, decimals = _FACTOR[spec.unit]
    shift = _ZERO_C_K if spec.unit == "degC" else 0.0
    model = spec.model
    if isinstance(model, GaugeModel):
        lines.append(f'reference = "{model.reference}"')
        ends = (model.low_pa, model.high_pa)
        tempco = 100.0 * model.tempco_share_of_span_per_k
        if tempco:
            lines.append(f"tempco_percent_of_span_per_k = {tempco:g}")
    else:
        ends = (model.low_k, model.high_k)
    low, high = (_number((end - shift) / size, decimals) for end in ends)
    lines.append(f"range = [{low}, {high}]")
    for key, value in (
        ("resolution", model.blemishes.resolution),
        ("noise", model.blemishes.noise),
        ("drift", model.blemishes.drift_per_h),
    ):
        if value > 0.0:
            lines.append(f"{key} = {value / size:.6g}")
    return lines
