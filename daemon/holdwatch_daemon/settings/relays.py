"""``[bay.wire]``: the relays of a bay's vacuum valve and pump, and what an evacuation keeps to."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from holdwatch_daemon.settings.base import Table
from holdwatch_physics.reading import Channel, Role, role_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from holdwatch_daemon.settings.shop import BayConfig, ShopConfig

_Topic = Annotated[str, Field(pattern=r"^[^#+\x00]+$", max_length=1024)]
_Payload = Annotated[str, Field(min_length=1, max_length=200)]


class RelayConfig(Table):
    """One relay: where it is commanded, where it says how it stands, and in which words.

    ``on`` opens the valve or starts the pump. ``said_on`` and ``said_off`` are the words of its
    state, where they are others than those of the command.
    """

    command: _Topic
    state: _Topic
    on: _Payload = "on"
    off: _Payload = "off"
    said_on: _Payload | None = None
    said_off: _Payload | None = None

    def word(self, *, on: bool) -> str:
        """Return the payload of a command."""
        return self.on if on else self.off

    def meant(self, payload: str) -> bool | None:
        """Return what a state's payload says: on, off, or nothing that is known."""
        said = payload.strip()
        if said == (self.said_on or self.on):
            return True
        return False if said == (self.said_off or self.off) else None

    @model_validator(mode="after")
    def _words_differ(self) -> Self:
        if self.on == self.off:
            raise ValueError("`on` and `off` must be two words")
        if (self.said_on or self.on) == (self.said_off or self.off):
            raise ValueError("`said_on` and `said_off` must be two words")
        if self.command == self.state:
            raise ValueError("`command` and `state` must be two topics")
        return self


class WireConfig(Table):
    """Valve and pump by wire. ``confirm_s`` is the time that a relay has to confirm a command."""

    valve: RelayConfig
    pump: RelayConfig
    confirm_s: float = Field(default=10.0, ge=1, le=600)
    target_micron: float | None = Field(default=None, gt=0, le=5000)
    held_min: float = Field(default=5.0, ge=0, le=240)
    longest_pump_down_min: float = Field(default=60.0, ge=1, le=1440)
    isolation_min: float = Field(default=10.0, ge=1, le=60)
    pump_downs: int = Field(default=3, ge=1, le=10)
    open_below_kpa_g: float = Field(default=10.0, gt=0, le=20)


def wire_problems(config: ShopConfig) -> Iterator[str]:
    """Yield what is wrong between the bays' wires, one sentence each."""
    used: dict[str, str] = {}
    for bay in config.bay:
        if bay.wire is None:
            continue
        roles = {role_of(role) for role in bay.roles}
        for needed in (Role.VACUUM, Role.LOW_SIDE):
            if needed not in roles:
                yield (
                    f"`bay.{bay.name}.wire`: needs a gauge with the role `{needed}`; a valve is "
                    "opened to a pump only on what gauges show"
                )
        yield from _without_range(config, bay)
        for name, relay in (("valve", bay.wire.valve), ("pump", bay.wire.pump)):
            for key, topic in (("command", relay.command), ("state", relay.state)):
                place = f"`bay.{bay.name}.wire.{name}.{key}`"
                if topic in used:
                    yield f"{place}: {topic} is {used[topic]} already; each needs its own topic"
                used.setdefault(topic, place)


def _without_range(config: ShopConfig, bay: BayConfig) -> Iterator[str]:
    """Without its range a gauge at the end of it looks like one that shows a pressure."""
    for role, channel in bay.roles.items():
        meant = role_of(role)
        if meant is None or not meant.is_pressure or meant is Role.BAROMETER:
            continue
        device, quantity = Channel.parse(channel)
        probe = config.probe_named(device)
        if probe is not None and "range" not in probe.figures(quantity):
            yield (
                f"`bay.{bay.name}.roles.{role}`: the range of {channel} is not known, and a valve "
                "by wire is opened on what it shows; give probe "
                f"`{device}` its `range` and `unit` from the plate, for example "
                'range = [0, 3500] and unit = "kPag"'
            )
