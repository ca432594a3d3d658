"""The demo's relays: simulated, on the shop's own broker, moving valve and pump of a bay."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_cli.demo.shop import wire_table
from holdwatch_simulators.relays import Relay, SimulatedRelays
from holdwatch_simulators.script import Verb

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdwatch_simulators.live import LiveBay

LAG_S = 1.0
"""How long a simulated relay takes to obey, simulated seconds."""


def relays_of(address: tuple[str, int], bay: str, live: LiveBay) -> SimulatedRelays:
    """Return the relays of a bay's valve and pump.

    Args:
        address: Host and port of the broker.
        bay: The bay's name.
        live: The simulation that they move.
    """
    table = wire_table(bay)
    moved = {
        "valve": (Verb.OPEN_VACUUM_VALVE, Verb.ISOLATE),
        "pump": (Verb.START_PUMP, Verb.STOP_PUMP),
    }
    return SimulatedRelays(
        *address,
        [Relay(**table[name], act=_mover(live, *verbs)) for name, verbs in moved.items()],
    )


def _mover(live: LiveBay, on: Verb, off: Verb) -> Callable[[bool], None]:
    return lambda is_on: live.perform(on if is_on else off)
