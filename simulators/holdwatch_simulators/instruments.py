"""The probes that the library garage owns, as its named scenarios use them."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from holdwatch_simulators.probes import Blemishes, GaugeModel, ThermometerModel
from holdwatch_simulators.scenario import ProbeSpec

__all__ = ["MICRON_PA", "nitrogen_probes", "vacuum_probes", "wired_probes", "with_fault"]

MICRON_PA: Final = 101_325.0 / 760_000.0


def with_fault(probes: tuple[ProbeSpec, ...], role: str, **fault: Any) -> tuple[ProbeSpec, ...]:
    """Return the probes with one of them spoilt.

    Args:
        probes: All of them.
        role: The role of the one that suffers.
        fault: Fields of its blemishes, or of its model, and their new values.
    """
    return tuple(_spoilt(probe, fault) if probe.role == role else probe for probe in probes)


def _spoilt(probe: ProbeSpec, fault: dict[str, Any]) -> ProbeSpec:
    blemishes = {k: v for k, v in fault.items() if k in Blemishes.__dataclass_fields__}
    rest = {k: v for k, v in fault.items() if k not in blemishes}
    model = replace(probe.model, blemishes=replace(probe.model.blemishes, **blemishes), **rest)
    return replace(probe, model=model)


def _clamp(van: str, number: int) -> ProbeSpec:
    role = "pipe_temperature" if number == 1 else f"pipe_temperature.{number}"
    model = ThermometerModel(
        ambient_share=0.04 + 0.02 * number,
        blemishes=Blemishes(noise=0.02, resolution=0.01, offset=0.1 * number, interval_s=1.0),
    )
    return ProbeSpec(role, "pipe", model, "degC", f"{van} clamp {number}")


def _shop_probes(van: str) -> tuple[ProbeSpec, ...]:
    """One device on the wall of the shop: air temperature and barometer, every 10 s."""
    air = ThermometerModel(
        lag_s=60.0, blemishes=Blemishes(noise=0.02, resolution=0.01, interval_s=10.0)
    )
    barometer = GaugeModel(
        low_pa=30_000.0,
        high_pa=110_000.0,
        reference="absolute",
        blemishes=Blemishes(noise=3.0, resolution=1.0, offset=20.0, interval_s=10.0),
    )
    return (
        ProbeSpec("ambient_temperature", "air", air, "degC", f"{van} shop air", "bthome"),
        ProbeSpec("barometer", "barometer", barometer, "kPaa", f"{van} shop air", "bthome"),
    )


def vacuum_probes(van: str) -> tuple[ProbeSpec, ...]:
    """Return an absolute vacuum gauge of 1 micron, one clamp, and the shop's own device."""
    gauge = GaugeModel(
        low_pa=0.0,
        high_pa=20_000.0 * MICRON_PA,
        reference="absolute",
        blemishes=Blemishes(noise=0.05, noise_share=0.002, resolution=MICRON_PA),
    )
    return (
        ProbeSpec("vacuum", "inside", gauge, "micron", f"{van} vacuum gauge"),
        _clamp(van, 1),
        *_shop_probes(van),
    )


def nitrogen_probes(van: str) -> tuple[ProbeSpec, ...]:
    """Return a vented gauge of 0.1 kPa, two clamps, and the shop's own device."""
    gauge = GaugeModel(
        low_pa=0.0,
        high_pa=3.5e6,
        reference="vented",
        tempco_share_of_span_per_k=0.0001,
        blemishes=Blemishes(
            noise=200.0, slow_noise=100.0, drift_per_h=60.0, resolution=100.0, offset=800.0
        ),
    )
    return (
        ProbeSpec("low_side", "inside", gauge, "kPag", f"{van} gauge"),
        _clamp(van, 1),
        _clamp(van, 2),
        *_shop_probes(van),
    )


def wired_probes(van: str) -> tuple[ProbeSpec, ...]:
    """Return what an evacuation by wire needs: the vacuum gauge, and a gauge that sees pressure."""
    pressure = nitrogen_probes(van)[0]
    return (*vacuum_probes(van), pressure)
