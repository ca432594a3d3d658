"""The shop's configuration: checked models, read from and written to shop.toml."""

from __future__ import annotations

from holdwatch_daemon.settings.edit import ShopFile
from holdwatch_daemon.settings.load import load_config, parse_config
from holdwatch_daemon.settings.recipes import complete_recipe
from holdwatch_daemon.settings.shop import BayConfig, ShopConfig, ShowConfig, is_loopback

__all__ = [
    "BayConfig",
    "ShopConfig",
    "ShopFile",
    "ShowConfig",
    "complete_recipe",
    "is_loopback",
    "load_config",
    "parse_config",
]
