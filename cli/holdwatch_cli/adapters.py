"""Opens the adapters that a configuration's probes need."""

from __future__ import annotations

from typing import TYPE_CHECKING

from holdwatch_adapters.ports import Surroundings
from holdwatch_adapters.registry import KINDS
from holdwatch_adapters.settings import SettingsError
from holdwatch_daemon.errors import ConfigError
from holdwatch_daemon.store import SqliteCounters

if TYPE_CHECKING:
    from holdwatch_adapters.ports import Adapter, Clock
    from holdwatch_daemon.settings import ShopConfig


def adapters_for(shop: ShopConfig, clock: Clock) -> list[Adapter]:
    """Return the adapters of a shop's probes, kind by kind.

    Raises:
        ConfigError: A file that holds a key or a password cannot be read.
    """
    surroundings = Surroundings(
        clock, lambda: SqliteCounters(shop.site.data / "counters.db"), (shop.bluetooth, shop.mqtt)
    )
    adapters: list[Adapter] = []
    try:
        for name, kind in KINDS.items():
            probes = [probe for probe in shop.probe if probe.kind == name]
            if probes:
                adapters += kind.open(probes, surroundings)
    except SettingsError as error:
        raise ConfigError([str(error)]) from error
    return adapters
