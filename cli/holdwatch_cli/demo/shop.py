"""The demo's shop: two bays of a county library's garage, as a configuration and a simulation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from holdwatch_adapters.bluetooth import BluetoothProbe
from holdwatch_physics.units import parse_unit
from holdwatch_simulators.garage import scenario
from holdwatch_simulators.instruments import wired_probes
from holdwatch_simulators.live import LiveBay
from holdwatch_simulators.probes import GaugeModel

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdwatch_simulators.live import LiveClock
    from holdwatch_simulators.scenario import Scenario
    from holdwatch_simulators.wire import ProbeDescription

PROFILE = {"gatt": "ess", "bthome": "bthome"}
CONFIRM_S = 300.0
"""What a simulated relay gets to confirm, simulated seconds: five real ones at sixty times."""
STALE_S = 120.0
"""Simulated seconds: at sixty times the speed, a hiccup of the machine is many of them."""


@dataclass(frozen=True, slots=True)
class DemoBay:
    """One bay of the demo: what happens in it and what is run on it."""

    name: str
    label: str
    scenario: str
    unit: dict[str, Any]
    recipe: str
    by_wire: bool = False


BAYS = (
    DemoBay(
        name="bay-1",
        label="Bay 1",
        scenario="demo-bm01",
        unit={
            "name": "BM-01",
            "refrigerant": "R134a",
            "charge_g": 900.0,
            "volume_l": 2.5,
            "max_pressure_kpa_g": 1300.0,
        },
        recipe="evacuation-and-vacuum-hold",
    ),
    DemoBay(
        name="bay-2",
        label="Bay 2",
        scenario="demo-bm02",
        unit={
            "name": "BM-02",
            "refrigerant": "R1234yf",
            "charge_g": 850.0,
            "volume_l": 2.5,
            "max_pressure_kpa_g": 1300.0,
        },
        recipe="quick-nitrogen-check",
    ),
)

WIRED_BAYS = (replace(BAYS[0], by_wire=True), BAYS[1])
"""The same with valve and pump of the first bay switched by simulated relays."""

RECIPES: dict[str, dict[str, Any]] = {
    "evacuation-and-vacuum-hold": {
        "procedure": "standing-vacuum",
        "criterion": {"leak_g_per_year": 5000.0, "source": "garage rule of the county library"},
        "limits": {"max_duration_min": 60.0},
        "vacuum": {"target_micron": 500.0},
    },
    "quick-nitrogen-check": {
        "procedure": "pressure-decay",
        "criterion": {"leak_g_per_year": 8000.0, "source": "garage rule of the county library"},
        "limits": {"max_duration_min": 120.0},
    },
}


def slug(device: str) -> str:
    """A simulated device's name as configurations and topics write it."""
    return device.replace(" ", "-")


def live_bays(
    clock: LiveClock,
    seed: int,
    on_mark: Callable[[str, str], None],
    bays: tuple[DemoBay, ...] = BAYS,
) -> dict[str, LiveBay]:
    """Return a simulation for each bay; ``on_mark`` gets the bay and the word of a mark."""

    def marking(bay: str) -> Callable[[str], None]:
        return lambda word: on_mark(bay, word)

    return {
        bay.name: LiveBay(
            _scenario_of(bay),
            seed + number,
            clock,
            start_after_s=60.0,
            waits=True,
            on_mark=marking(bay.name),
        )
        for number, bay in enumerate(bays)
    }


def _scenario_of(bay: DemoBay) -> Scenario:
    """What happens in a bay; where relays do it, nobody else does."""
    named = scenario(bay.scenario)
    if not bay.by_wire:
        return named
    probes = wired_probes(str(bay.unit["name"]))
    return replace(named, acts=(), marks=False, probes=probes)


def shop_table(lives: dict[str, LiveBay], bays: tuple[DemoBay, ...] = BAYS) -> dict[str, Any]:
    """Return the configuration of the demo's shop, as ``shop.toml`` would hold it."""
    scenarios = {bay.name: _scenario_of(bay) for bay in bays}
    return {
        "site": {"name": "county-library"},
        "probe": [
            _probe_table(description, scenarios[bay.name])
            for bay in bays
            for description in lives[bay.name].probes
        ],
        "bay": [
            {
                "name": bay.name,
                "label": bay.label,
                "unit_under_test": bay.unit,
                "roles": _roles(scenarios[bay.name]),
                **({"wire": wire_table(bay.name)} if bay.by_wire else {}),
            }
            for bay in bays
        ],
        "recipes": RECIPES,
    }


def wire_table(bay: str) -> dict[str, Any]:
    """Return a bay's valve and pump by wire, as ``[bay.wire]`` would hold it."""
    topics = {
        name: {"command": f"garage/{bay}/{name}/set", "state": f"garage/{bay}/{name}"}
        for name in ("valve", "pump")
    }
    return {**topics, "confirm_s": CONFIRM_S}


def bluetooth_probes(
    lives: dict[str, LiveBay], bays: tuple[DemoBay, ...] = BAYS
) -> list[BluetoothProbe]:
    """Return the enrolled probes of the demo."""
    probes = []
    for bay in bays:
        of = _scenario_of(bay)
        for description in lives[bay.name].probes:
            reference = "gauge" if _reference(description.name, of) == "vented" else "absolute"
            probes.append(
                BluetoothProbe(
                    name=slug(description.name),
                    address=description.address,
                    profile="bthome" if description.kind == "bthome" else "ess",
                    pressure_reference="gauge" if reference == "gauge" else "absolute",
                )
            )
    return probes


def _probe_table(description: ProbeDescription, of: Scenario) -> dict[str, Any]:
    return {
        "name": slug(description.name),
        "address": description.address,
        "profile": PROFILE[description.kind],
        "pressure_reference": _reference(description.name, of),
        "stale_s": STALE_S,
        **_figures(description.name, of),
    }


def _figures(device: str, of: Scenario) -> dict[str, Any]:
    """What the plate of a device would say: its gauge's range and resolution.

    A clamp's are left out: it is far from its ends, and a thermometer without any is usual.
    """
    for spec in of.probes:
        model = spec.model
        if spec.device != device or not isinstance(model, GaugeModel):
            continue
        unit = parse_unit(spec.unit)
        return {
            "unit": spec.unit,
            "range": [round(unit.from_si(end), 6) for end in (model.low_pa, model.high_pa)],
            "resolution": round(unit.delta_from_si(model.blemishes.resolution), 6),
        }
    return {}


def _reference(device: str, of: Scenario) -> str:
    kinds = {spec.kind for spec in of.probes if spec.device == device}
    return "absolute" if "pressure_absolute" in kinds else "vented"


def _roles(of: Scenario) -> dict[str, str]:
    return {
        spec.role: f"{slug(spec.device)}/"
        + ("temperature" if spec.kind == "temperature" else "pressure")
        for spec in of.probes
    }
