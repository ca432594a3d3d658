"""The demo by wire: its shop is wired, and its relays move the simulated valve and pump."""

from __future__ import annotations

from holdwatch_cli.demo.relays import relays_of
from holdwatch_cli.demo.shop import WIRED_BAYS, live_bays, shop_table, wire_table
from holdwatch_daemon.clock import ScaledClock
from holdwatch_daemon.settings.load import parse_config


def test_the_first_bay_is_wired_and_its_relays_move_the_unit() -> None:
    lives = live_bays(ScaledClock(60.0), 1, lambda _bay, _word: None, WIRED_BAYS)
    shop = parse_config(shop_table(lives, WIRED_BAYS))
    first, second = shop.bay
    assert first.wire is not None
    assert second.wire is None
    plant = lives["bay-1"].run.plant
    relays = relays_of(("127.0.0.1", 1), "bay-1", lives["bay-1"])
    for name, flag in (("valve", "vacuum_valve_open"), ("pump", "pump_running")):
        relay = relays.of(wire_table("bay-1")[name]["command"])
        for on in (True, False):
            relay.act(on)
            assert getattr(plant, flag) is on
