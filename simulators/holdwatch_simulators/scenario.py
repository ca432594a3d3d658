"""A scenario: a system, the shop around it, what people do, and which probes watch."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np

from holdwatch_simulators.plant import Plant, PlantSpec
from holdwatch_simulators.probes import (
    AirThermometer,
    Barometer,
    Gauge,
    GaugeModel,
    PipeClamp,
    ThermometerModel,
    Truth,
)
from holdwatch_simulators.script import Act, Script
from holdwatch_simulators.weather import ShopWeather, Weather, WeatherSpec

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["Kind", "Place", "ProbeSpec", "RecipeFacts", "Run", "Sample", "Scenario"]

Place = Literal["inside", "pipe", "air", "barometer"]
Kind = Literal["pressure_gauge", "pressure_absolute", "temperature"]


@dataclass(frozen=True, slots=True)
class ProbeSpec:
    """One probe of a scenario.

    Attributes:
        role: The role its channel plays, which is also its name in a trace.
        place: What it measures.
        model: How well it does so.
        unit: The unit that a trace gives its values in.
        device: Name of the device that carries it; one device may carry several.
        link: How the device talks: ``gatt`` is connected to, ``bthome`` only advertises.
    """

    role: str
    place: Place
    model: GaugeModel | ThermometerModel
    unit: str
    device: str
    link: Literal["gatt", "bthome"] = "gatt"

    @property
    def kind(self) -> Kind:
        """What its values are."""
        if isinstance(self.model, ThermometerModel):
            return "temperature"
        if self.model.reference == "absolute":
            return "pressure_absolute"
        return "pressure_gauge"

    def build(self, rng: np.random.Generator) -> Gauge | PipeClamp:
        """Return the running probe.

        Raises:
            ValueError: The model does not fit the place.
        """
        model = self.model
        match self.place, model:
            case "inside", GaugeModel():
                return Gauge(model, rng)
            case "barometer", GaugeModel(reference="absolute"):
                return Barometer(model, rng)
            case "pipe", ThermometerModel():
                return PipeClamp(model, rng)
            case "air", ThermometerModel():
                return AirThermometer(model, rng)
        raise ValueError(f"probe {self.role}: a {type(model).__name__} cannot sit at {self.place}")


@dataclass(frozen=True, slots=True)
class RecipeFacts:
    """What a recipe for this scenario must state.

    Attributes:
        procedure: ``standing-vacuum`` or ``pressure-decay``.
        refrigerant: The unit's refrigerant.
        criterion_g_per_year: Highest leak allowed.
        max_pressure_kpa_g: Highest pressure allowed, pressure decay only.
        wall_material: What the walls are made of.
        max_duration_min: How long the hold may last.
        target_micron: Pressure to isolate at, standing vacuum only.
    """

    procedure: Literal["standing-vacuum", "pressure-decay"]
    refrigerant: str
    criterion_g_per_year: float
    max_pressure_kpa_g: float = 1200.0
    wall_material: str = "mixed"
    max_duration_min: float = 60.0
    target_micron: float = 500.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """Everything that a run needs but the seed.

    Attributes:
        name: Its name.
        about: One sentence on what happens.
        plant: The system.
        weather: The shop.
        acts: What people do.
        probes: What watches.
        duration_s: Length of a trace.
        recipe: What the matching recipe states.
        marks: Whether people mark the start of the hold.
    """

    name: str
    about: str
    plant: PlantSpec
    weather: WeatherSpec
    acts: tuple[Act, ...]
    probes: tuple[ProbeSpec, ...]
    duration_s: float
    recipe: RecipeFacts
    marks: bool = True


class Sample(NamedTuple):
    """What one probe says at one time.

    Attributes:
        t_s: Seconds from the start.
        probe: The probe's specification.
        value: Pa or K; None when the probe is silent.
    """

    t_s: float
    probe: ProbeSpec
    value: float | None


@dataclass(slots=True)
class Run:
    """One running scenario; the same seed gives the same values, step by step.

    Attributes:
        scenario: What runs.
        plant: The system, for a look at the truth.
        script: What is still to be done.
    """

    scenario: Scenario
    seed: int
    weather: Weather | None = None
    plant: Plant = field(init=False)
    script: Script = field(init=False)
    _probes: list[tuple[ProbeSpec, Gauge | PipeClamp]] = field(init=False)
    _next_s: list[float] = field(init=False)

    def __post_init__(self) -> None:
        """Build the plant and the probes, each with a random stream of its own."""
        streams = np.random.SeedSequence(self.seed).spawn(len(self.scenario.probes) + 1)
        weather = self.weather or ShopWeather(
            self.scenario.weather, np.random.default_rng(streams[0])
        )
        self.plant = Plant(self.scenario.plant, weather)
        self.script = Script(self.scenario.acts)
        self._probes = [
            (spec, spec.build(np.random.default_rng(stream)))
            for spec, stream in zip(self.scenario.probes, streams[1:], strict=True)
        ]
        self._next_s = [0.0] * len(self._probes)

    @property
    def t_s(self) -> float:
        """Seconds from the start."""
        return self.plant.t_s

    def truth(self) -> Truth:
        """Return what is true now."""
        plant = self.plant
        return Truth(
            plant.t_s,
            plant.pressure_pa,
            plant.weather.barometer_pa,
            plant.thermal.pipe_k,
            plant.weather.ambient_k,
        )

    def battery_percent(self, device: str) -> float:
        """Return a device's charge: the lowest of its probes'."""
        return min(
            probe.battery_percent(self.t_s) for spec, probe in self._probes if spec.device == device
        )

    def act(self) -> list[Act]:
        """Do what is due now, and return it."""
        acts = self.script.due(self.t_s + 1e-9)
        for act in acts:
            act.apply(self.plant)
        return acts

    def sample(self) -> list[Sample]:
        """Read the probes whose time has come."""
        t_s = self.plant.t_s
        due = [k for k, next_s in enumerate(self._next_s) if t_s + 1e-9 >= next_s]
        if not due:
            return []
        truth = self.truth()
        samples = []
        for k in due:
            spec, probe = self._probes[k]
            interval_s = spec.model.blemishes.interval_s
            # A late run does not make up for values that are past.
            self._next_s[k] += interval_s * (1 + int((t_s - self._next_s[k]) / interval_s + 1e-9))
            samples.append(Sample(t_s, spec, probe.read(truth)))
        return samples

    def events(self, step_s: float = 1.0) -> Iterator[Act | Sample]:
        """Run to the end, yielding acts and samples in order of time."""
        count = round(self.scenario.duration_s / step_s)
        for k in range(count + 1):
            yield from self.act()
            yield from self.sample()
            if k < count:
                self.plant.step(step_s)
