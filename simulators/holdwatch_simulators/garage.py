"""The named scenarios: a county library's vans and bookmobiles in its own garage.

Two service bays, some vans, and a bookmobile (BM-01, BM-02 …) whose air conditioning is
pumped down or put under nitrogen. All of it is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Final, Literal

from holdwatch_simulators import instruments
from holdwatch_simulators.leak_path import LeakPath
from holdwatch_simulators.moisture import MoistureSpec
from holdwatch_simulators.plant import PlantSpec
from holdwatch_simulators.scenario import RecipeFacts, Scenario
from holdwatch_simulators.script import Act, Verb
from holdwatch_simulators.weather import WeatherSpec

if TYPE_CHECKING:
    from holdwatch_simulators.scenario import ProbeSpec

__all__ = ["NAMES", "Overrides", "about", "scenario"]

_ISOLATE_S: Final = 1080.0  # 18 min under the pump
_CLOSE_S: Final = 300.0


@dataclass(frozen=True, slots=True)
class Overrides:
    """What a caller may change in any named scenario; None keeps the scenario's own figure.

    Attributes:
        duration_s: Length of the trace.
        volume_m3: Internal volume.
        leak_g_per_year: Leak in grams a year of ``refrigerant``, saturated at 25 °C.
        leak_pa_m3_per_s: The same as a throughput: of air into a vacuum at 20 °C, or of
            nitrogen at the test pressure. One of the two at most.
        leak_law: ``laminar`` or ``molecular``; the latter only with grams a year.
        refrigerant: The unit's refrigerant.
        pressure_pa: Gauge pressure of a nitrogen hold.
        criterion_g_per_year: The recipe's criterion.
        ambient_c: Shop temperature at the start.
        ramp_k_per_h: Its steady change.
        water_g: Free water in the system.
        marks: Whether people mark the start of the hold.
        without: Roles whose probes are left out.
    """

    duration_s: float | None = None
    volume_m3: float | None = None
    leak_g_per_year: float | None = None
    leak_pa_m3_per_s: float | None = None
    leak_law: Literal["laminar", "molecular"] = "laminar"
    refrigerant: str | None = None
    pressure_pa: float | None = None
    criterion_g_per_year: float | None = None
    ambient_c: float | None = None
    ramp_k_per_h: float | None = None
    water_g: float | None = None
    marks: bool = True
    without: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Story:
    """The figures in which the named scenarios differ."""

    about: str
    procedure: Literal["standing-vacuum", "pressure-decay"]
    leak_g_per_year: float = 0.0
    criterion_g_per_year: float = 5000.0
    moisture: MoistureSpec = field(default_factory=MoistureSpec)
    weather: WeatherSpec = field(default_factory=WeatherSpec)
    minutes: float = 60.0
    volume_m3: float = 2.5e-3
    refrigerant: str = "R134a"
    pressure_pa: float = 1.0e6
    van: str = "BM-03"
    acts: tuple[Act, ...] = ()
    faults: tuple[tuple[str, dict[str, Any]], ...] = ()
    max_pressure_kpa_g: float | None = None


# A dry system still gives off a little: some 12 Pa, slower and slower, after isolation.
_DRY: Final = MoistureSpec(oil_pa=30.0, oil_s=900.0, adsorbed_g=0.0002, adsorbed_s=900.0)
_WET: Final = MoistureSpec(liquid_g=2.0, evaporation_s=420.0, oil_pa=8.0, oil_s=240.0)

_STORIES: Final[dict[str, _Story]] = {
    "vacuum-tight": _Story(
        "A dry, tight van is pumped down and isolated.", "standing-vacuum", moisture=_DRY
    ),
    "vacuum-leak": _Story(
        "A dry van with a leak is pumped down and isolated.",
        "standing-vacuum",
        leak_g_per_year=30_000.0,
        moisture=_DRY,
    ),
    "vacuum-moist": _Story(
        "A tight van with water inside levels off at the vapour pressure of the coldest wall.",
        "standing-vacuum",
        moisture=_WET,
    ),
    "nitrogen-tight": _Story("A tight van holds nitrogen at 10 bar.", "pressure-decay"),
    "nitrogen-leak": _Story(
        "A leaking van loses nitrogen from 10 bar.", "pressure-decay", leak_g_per_year=20_000.0
    ),
    "nitrogen-warming": _Story(
        "A leaking van looks tight to a bare gauge while the shop warms.",
        "pressure-decay",
        leak_g_per_year=15_000.0,
        weather=WeatherSpec(mean_c=14.0, ramp_k_per_h=8.0),
    ),
    "nitrogen-cooling": _Story(
        "A tight van looks leaking to a bare gauge while the shop cools.",
        "pressure-decay",
        weather=WeatherSpec(mean_c=24.0, ramp_k_per_h=-4.0),
    ),
    "nitrogen-night": _Story(
        "A van that leaks a little holds nitrogen from evening to morning while the garage cools.",
        "pressure-decay",
        leak_g_per_year=400.0,
        criterion_g_per_year=150.0,
        pressure_pa=1.5e6,
        minutes=14 * 60.0,
        weather=WeatherSpec(
            mean_c=21.0,
            ramp_k_per_h=0.0,
            swing_k=2.5,
            swing_period_s=86_400.0,
            wander_s=3000.0,
            barometer_wander_pa=150.0,
        ),
    ),
    "nitrogen-knocked": _Story(
        "Someone knocks the hose half an hour into a tight van's hold, and gas escapes.",
        "pressure-decay",
        acts=(Act(1800.0, Verb.KNOCK_HOSE, 0.01),),
    ),
    "nitrogen-fallen-clamp": _Story(
        "A clamp falls off the pipe of a tight van while the shop cools.",
        "pressure-decay",
        weather=WeatherSpec(mean_c=24.0, ramp_k_per_h=-4.0),
        faults=(("pipe_temperature", {"fallen_from_s": 1500.0}),),
    ),
    "nitrogen-stuck": _Story(
        "The gauge of a leaking van sticks as the hold begins: it must not pass.",
        "pressure-decay",
        leak_g_per_year=20_000.0,
        faults=(("low_side", {"stuck_from_s": 900.0}),),
    ),
    "nitrogen-gaps": _Story(
        "The gauge of a tight van falls silent for minutes at a time.",
        "pressure-decay",
        faults=(("low_side", {"silences_per_h": 12.0, "dropout_s": 90.0, "dropout": 0.05}),),
    ),
    "nitrogen-overpressure": _Story(
        "The regulator is set above what the van may bear.",
        "pressure-decay",
        max_pressure_kpa_g=900.0,
    ),
    "vacuum-ice": _Story(
        "Water froze under a strong pump and keeps the vacuum at the vapour pressure of ice.",
        "standing-vacuum",
        moisture=MoistureSpec(liquid_g=3.0, evaporation_s=60.0, wall_w_per_k=0.01),
    ),
    "vacuum-oil": _Story(
        "Refrigerant leaves the oil of a tight van by the square root of time.",
        "standing-vacuum",
        moisture=MoistureSpec(oil_pa=200.0, oil_s=20_000.0, oil_law="sqrt"),
    ),
    "vacuum-open": _Story(
        "A hose was left loose: the gauge is soon at the end of its range.",
        "standing-vacuum",
        leak_g_per_year=2_000_000.0,
        moisture=_DRY,
    ),
    "demo-bm01": _Story(
        "Bookmobile BM-01, dry and tight, is pumped down for 18 minutes and isolated.",
        "standing-vacuum",
        moisture=_DRY,
        van="BM-01",
    ),
    "demo-bm02": _Story(
        "Bookmobile BM-02 is put under nitrogen at 10 bar and leaks at a hose fitting.",
        "pressure-decay",
        leak_g_per_year=20_000.0,
        refrigerant="R1234yf",
        van="BM-02",
    ),
}

NAMES: Final[tuple[str, ...]] = tuple(_STORIES)


def about(name: str) -> str:
    """Return one sentence on a named scenario."""
    return _story(name).about


def scenario(name: str, overrides: Overrides | None = None) -> Scenario:
    """Return a named scenario, with what the caller changes in it.

    Raises:
        ValueError: No such name, or a figure that cannot be; the message says which.
    """
    story = _story(name)
    o = overrides or Overrides()
    _check(o)
    weather = replace(
        story.weather,
        mean_c=_or(o.ambient_c, story.weather.mean_c),
        ramp_k_per_h=_or(o.ramp_k_per_h, story.weather.ramp_k_per_h),
    )
    moisture = replace(story.moisture, liquid_g=_or(o.water_g, story.moisture.liquid_g))
    pressure_pa = _or(o.pressure_pa, story.pressure_pa)
    duration_s = _or(o.duration_s, story.minutes * 60.0)
    under_vacuum = story.procedure == "standing-vacuum"
    start_s = _ISOLATE_S if under_vacuum else _CLOSE_S
    refrigerant = o.refrigerant or story.refrigerant
    plant = PlantSpec(
        volume_m3=_or(o.volume_m3, story.volume_m3),
        leak=_leak(o, story, refrigerant, pressure_pa, weather),
        moisture=moisture,
    )
    probes = instruments.vacuum_probes if under_vacuum else instruments.nitrogen_probes
    return Scenario(
        name=name,
        about=story.about,
        plant=plant,
        weather=weather,
        acts=(*(_vacuum_acts() if under_vacuum else _nitrogen_acts(pressure_pa)), *story.acts),
        probes=_faulty(story, probes(story.van), o.without),
        duration_s=duration_s,
        recipe=RecipeFacts(
            procedure=story.procedure,
            refrigerant=refrigerant,
            criterion_g_per_year=_or(o.criterion_g_per_year, story.criterion_g_per_year),
            max_pressure_kpa_g=story.max_pressure_kpa_g or round(1.3 * pressure_pa / 1000.0),
            max_duration_min=max(10.0, (duration_s - start_s) / 60.0),
        ),
        marks=o.marks,
    )


def _or(value: float | None, default: float) -> float:
    return default if value is None else value


def _story(name: str) -> _Story:
    try:
        return _STORIES[name]
    except KeyError:
        names = ", ".join(NAMES)
        raise ValueError(f"there is no scenario {name!r}; use one of {names}") from None


def _check(o: Overrides) -> None:
    limits: tuple[tuple[str, float | None, float, float], ...] = (
        ("duration", o.duration_s, 1.0, 31 * 86_400.0),
        ("volume", o.volume_m3, 1e-5, 1.0),
        ("leak in g a year", o.leak_g_per_year, 0.0, 1e7),
        ("leak in Pa·m³/s", o.leak_pa_m3_per_s, 0.0, 10.0),
        ("nitrogen pressure", o.pressure_pa, 1e4, 4e6),
        ("criterion in g a year", o.criterion_g_per_year, 1e-3, 1e7),
        ("shop temperature in °C", o.ambient_c, -15.0, 50.0),
        ("temperature change in K an hour", o.ramp_k_per_h, -30.0, 30.0),
        ("water in g", o.water_g, 0.0, 1000.0),
    )
    for what, value, low, high in limits:
        if value is not None and not low <= value <= high:
            raise ValueError(f"{what} is {value:g}; it must lie between {low:g} and {high:g} (SI)")
    if o.leak_g_per_year is not None and o.leak_pa_m3_per_s is not None:
        raise ValueError("a leak is given twice; give it in g a year or in Pa·m³/s, not both")
    if o.leak_pa_m3_per_s is not None and o.leak_law != "laminar":
        raise ValueError("a leak in Pa·m³/s is laminar; give a molecular one in g a year")


def _leak(
    o: Overrides, story: _Story, refrigerant: str, pressure_pa: float, weather: WeatherSpec
) -> LeakPath | None:
    outside_pa = weather.barometer_pa
    t_k = 273.15 + weather.mean_c
    if o.leak_pa_m3_per_s is not None:
        if o.leak_pa_m3_per_s == 0.0:
            return None
        if story.procedure == "standing-vacuum":
            return LeakPath.of_air_inflow(o.leak_pa_m3_per_s, outside_pa, t_k)
        return LeakPath.of_nitrogen_throughput(
            o.leak_pa_m3_per_s, outside_pa + pressure_pa, outside_pa, t_k
        )
    grams = _or(o.leak_g_per_year, story.leak_g_per_year)
    return LeakPath.of_grams_per_year(grams, refrigerant, o.leak_law) if grams > 0.0 else None


def _faulty(
    story: _Story, probes: tuple[ProbeSpec, ...], without: tuple[str, ...]
) -> tuple[ProbeSpec, ...]:
    for role, fault in story.faults:
        probes = instruments.with_fault(probes, role, **fault)
    unknown = set(without) - {probe.role for probe in probes}
    if unknown:
        roles = ", ".join(probe.role for probe in probes)
        raise ValueError(f"no probe plays {', '.join(sorted(unknown))} here; there are {roles}")
    return tuple(probe for probe in probes if probe.role not in without)


def _vacuum_acts() -> tuple[Act, ...]:
    return (
        Act(20.0, Verb.START_PUMP),
        Act(30.0, Verb.OPEN_VACUUM_VALVE),
        Act(_ISOLATE_S, Verb.ISOLATE),
        Act(_ISOLATE_S + 20.0, Verb.STOP_PUMP),
    )


def _nitrogen_acts(pressure_pa: float) -> tuple[Act, ...]:
    return (
        Act(30.0, Verb.CHARGE, pressure_pa),
        Act(_CLOSE_S, Verb.CLOSE_VALVE),
    )
