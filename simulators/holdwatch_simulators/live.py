"""Runs a scenario in a clock's own time and hands out what its probes say."""

from __future__ import annotations

import asyncio
import hashlib
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Protocol

from holdwatch_simulators import payloads, wire
from holdwatch_simulators.scenario import Run
from holdwatch_simulators.script import Act, Verb

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

    from holdwatch_simulators.scenario import Kind, ProbeSpec, Sample, Scenario

__all__ = ["LiveBay", "LiveClock", "ProbeSample", "address_of", "describe"]

_STEP_S: Final = 1.0
_BATTERY_EVERY_S: Final = 60.0
_STEPS_BEFORE_PAUSE: Final = 500


class LiveClock(Protocol):
    """The time that a live bay runs in; a fast clock makes a fast bay."""

    def mono_ns(self) -> int:
        """Monotonic time, nanoseconds."""
        ...

    async def sleep(self, seconds: float) -> None:
        """Wait this many seconds of this clock's time."""
        ...


@dataclass(frozen=True, slots=True)
class ProbeSample:
    """One value of one probe.

    Attributes:
        probe: Name of the device.
        role: The role that its channel plays.
        kind: ``pressure_gauge``, ``pressure_absolute`` or ``temperature``.
        si_value: Pa or K.
        t_ns: Monotonic time of the clock, nanoseconds.
    """

    probe: str
    role: str
    kind: Kind
    si_value: float
    t_ns: int


def address_of(device: str) -> str:
    """Return the random static address that a device of this name has, always the same."""
    digest = bytearray(hashlib.sha256(device.encode()).digest()[:6])
    digest[0] |= 0xC0  # the two top bits mark a random static address
    return ":".join(f"{byte:02X}" for byte in digest)


def describe(scenario: Scenario) -> tuple[wire.ProbeDescription, ...]:
    """Return what the devices of a scenario show on the air.

    Raises:
        ValueError: One device mixes links, or carries two of one quantity.
    """
    devices: dict[str, list[ProbeSpec]] = {}
    for spec in scenario.probes:
        devices.setdefault(spec.device, []).append(spec)
    return tuple(_describe(name, specs) for name, specs in devices.items())


def _describe(name: str, specs: list[ProbeSpec]) -> wire.ProbeDescription:
    if len({spec.link for spec in specs}) > 1:
        raise ValueError(f"device {name!r} both connects and advertises; give it one link")
    uuids = [_characteristic(spec) for spec in specs]
    if len(set(uuids)) < len(uuids):
        raise ValueError(f"device {name!r} carries one quantity twice; give each its own device")
    if specs[0].link == "bthome":
        return wire.ProbeDescription(name, address_of(name), "bthome")
    battery = max(0.0, min(spec.model.blemishes.battery_percent for spec in specs))
    return wire.ProbeDescription(
        name,
        address_of(name),
        "gatt",
        characteristics=(
            *(
                wire.CharacteristicDescription(
                    wire.ENVIRONMENTAL_SENSING,
                    uuid,
                    payloads.PRESSURE_PRESENTATION
                    if uuid == wire.PRESSURE
                    else payloads.TEMPERATURE_PRESENTATION,
                    # Before the first value a thermometer has a code for "not known"; a
                    # gauge has none, and an empty value is not a reading.
                    b"" if uuid == wire.PRESSURE else payloads.TEMPERATURE_UNKNOWN,
                )
                for uuid in uuids
            ),
            wire.CharacteristicDescription(
                wire.BATTERY_SERVICE, wire.BATTERY_LEVEL, None, payloads.gatt_battery(battery)
            ),
        ),
        advertised_services=(wire.ENVIRONMENTAL_SENSING,),
    )


def _characteristic(spec: ProbeSpec) -> str:
    return wire.TEMPERATURE if spec.kind == "temperature" else wire.PRESSURE


class LiveBay:
    """A bay that lives: iterate ``samples()`` or ``wire_updates()``, one of them, once.

    The plant steps with the clock. When the clock has run ahead, values that are past are not
    made up for, as a radio would not. After the script's last act the bay stays as it is,
    still read by its probes, or begins anew with the next seed.

    Args:
        scenario: What happens.
        seed: Seed of the first run.
        clock: Time to run in; time 0 of the bay is when the iteration begins.
        start_after_s: How long the system stands open to the shop before the script begins.
        waits: Whether the script waits for ``begin`` as well; the probes speak meanwhile.
        repeat: Whether to begin anew after the scenario's duration.
        on_mark: Called with the word of each act that a person would mark.
    """

    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        clock: LiveClock,
        *,
        start_after_s: float = 0.0,
        waits: bool = False,
        repeat: bool = False,
        on_mark: Callable[[str], None] | None = None,
    ) -> None:
        """Build the first run; nothing moves before the iteration begins."""
        acts = tuple(replace(act, at_s=act.at_s + start_after_s) for act in scenario.acts)
        self._scenario = replace(
            scenario, acts=acts, duration_s=scenario.duration_s + start_after_s
        )
        self._seed = seed
        self._clock = clock
        self._repeat = repeat
        self._on_mark = on_mark
        self._taken = False
        self._begun_s: float | None = None if waits else 0.0
        self._packet_ids: dict[str, int] = {}
        self._battery_s: dict[str, float] = {}
        self.probes: tuple[wire.ProbeDescription, ...] = describe(scenario)
        self.run = Run(self._scenario, seed)

    def begin(self) -> None:
        """Let the script of a bay that waits begin now; ``start_after_s`` counts from here."""
        if self._begun_s is None:
            self._begun_s = self.run.t_s

    def perform(self, verb: Verb, value: float = 0.0, text: str = "") -> None:
        """Do something to the system now, beside the script."""
        self._do(Act(self.run.t_s, verb, value, text))

    def isolate(self) -> None:
        """Close the vacuum valve now."""
        self.perform(Verb.ISOLATE)

    def close_valve(self) -> None:
        """Shut the nitrogen off now."""
        self.perform(Verb.CLOSE_VALVE)

    async def samples(self) -> AsyncIterator[ProbeSample]:
        """Yield what each probe says, as the clock reaches it; never ends.

        Raises:
            RuntimeError: The bay is already being iterated.
        """
        async for samples in self._ticks():
            t_ns = self._clock.mono_ns()
            for sample in samples:
                if sample.value is not None:
                    spec = sample.probe
                    yield ProbeSample(spec.device, spec.role, spec.kind, sample.value, t_ns)

    async def wire_updates(self) -> AsyncIterator[wire.WireUpdate]:
        """Yield the bytes that each device sends, as the clock reaches them; never ends.

        Raises:
            RuntimeError: The bay is already being iterated.
        """
        async for samples in self._ticks():
            for update in self._encode(samples):
                yield update

    async def _ticks(self) -> AsyncIterator[list[Sample]]:
        if self._taken:
            raise RuntimeError("a live bay is iterated once; make another for a second reader")
        self._taken = True
        start_ns = self._clock.mono_ns()
        yield self._begin()
        while True:
            now_s = (self._clock.mono_ns() - start_ns) / 1e9
            steps = int((now_s - self.run.t_s) / _STEP_S + 1e-9)
            if steps < 1:
                await self._clock.sleep(self.run.t_s + _STEP_S - now_s)
                continue
            for k in range(steps):
                self.run.plant.step(_STEP_S)
                self._act()
                if k % _STEPS_BEFORE_PAUSE == _STEPS_BEFORE_PAUSE - 1:
                    await asyncio.sleep(0)
            yield self.run.sample()
            if self._repeat and self._script_s() >= self._scenario.duration_s:
                start_ns += round(self.run.t_s * 1e9)
                self._begun_s = 0.0
                self._seed += 1
                self.run = Run(self._scenario, self._seed)
                self._battery_s.clear()
                yield self._begin()

    def _begin(self) -> list[Sample]:
        self._act()
        return self.run.sample()

    def _act(self) -> None:
        for act in self.run.script.due(self._script_s() + 1e-9):
            self._do(act)

    def _script_s(self) -> float:
        """Seconds since the script began; before that, before all that is in it."""
        return -math.inf if self._begun_s is None else self.run.t_s - self._begun_s

    def _do(self, act: Act) -> None:
        act.apply(self.run.plant)
        if self._scenario.marks and self._on_mark is not None and act.mark is not None:
            self._on_mark(act.mark)

    def _encode(self, samples: list[Sample]) -> list[wire.WireUpdate]:
        heard: dict[str, list[Sample]] = {}
        for sample in samples:
            if sample.value is not None:
                heard.setdefault(sample.probe.device, []).append(sample)
        updates: list[wire.WireUpdate] = []
        for device, values in heard.items():
            if values[0].probe.link == "bthome":
                updates.append(self._advertisement(device, values))
            else:
                updates += self._notifications(device, values)
        return updates

    def _advertisement(self, device: str, values: list[Sample]) -> wire.WireUpdate:
        packet_id = self._packet_ids.get(device, 0)
        self._packet_ids[device] = (packet_id + 1) % 256
        by_quantity = {_characteristic(sample.probe): sample.value for sample in values}
        payload = payloads.bthome(
            packet_id,
            self.run.battery_percent(device),
            by_quantity.get(wire.TEMPERATURE),
            by_quantity.get(wire.PRESSURE),
        )
        return wire.WireUpdate(device, None, payload)

    def _notifications(self, device: str, values: list[Sample]) -> list[wire.WireUpdate]:
        updates = []
        for sample in values:
            uuid = _characteristic(sample.probe)
            value = 0.0 if sample.value is None else sample.value
            encode = payloads.gatt_pressure if uuid == wire.PRESSURE else payloads.gatt_temperature
            updates.append(wire.WireUpdate(device, uuid, encode(value)))
        if self.run.t_s >= self._battery_s.get(device, 0.0):
            self._battery_s[device] = self.run.t_s + _BATTERY_EVERY_S
            battery = payloads.gatt_battery(self.run.battery_percent(device))
            updates.append(wire.WireUpdate(device, wire.BATTERY_LEVEL, battery))
        return updates
