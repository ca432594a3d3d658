"""A radio that misbehaves: what reached us is kept once, nobody else is believed, verdicts hold."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import pytest
from radio_air import IMPOSTOR_PA, ROOM_PA, STRANGER_PA, Campaign
from radio_campaign import differences, run, unmarked
from system_parts import require

if TYPE_CHECKING:
    from pathlib import Path

# Faster than the campaign in benchmarks/, and with more faults a minute, so that a hold of
# seventeen simulated minutes ends within a minute.
SHORT = Campaign(
    seconds=50.0, rate_hz=8.0, speed=30.0, disconnect_s=4.0, restarts_s=(12.0,), seed=3
)
ROOM = "tight-room/pressure"


@pytest.mark.timeout(180)
async def test_a_hold_ends_rightly_on_a_radio_that_misbehaves(tmp_path: Path) -> None:
    require("dbus-daemon", "dbus")
    outcome = await run(SHORT, tmp_path)
    assert outcome.problems == []
    assert outcome.verdicts == {"tight": "pass", "leaking": "fail"}
    # The faults were really there, and were told.
    assert outcome.dropped > 0.2 * outcome.sent
    assert outcome.impostor_packets > 50
    assert outcome.disconnects >= 5
    assert outcome.links >= 8 + 8 + outcome.disconnects - 4, "each came back, all of them twice"
    assert outcome.lost_events >= 8 + outcome.disconnects - 4
    assert outcome.refused_events > 0
    assert outcome.heard == outcome.stored > 0.6 * outcome.sent


def test_the_campaign_s_own_comparison_finds_what_it_looks_for() -> None:
    one, two = (ROOM, 1, ROOM_PA), (ROOM, 2, ROOM_PA + 1)
    on_air = Counter({(ROOM, ROOM_PA): 1, (ROOM, ROOM_PA + 1): 1})
    assert list(differences(Counter([one, two]), Counter([one, two]), on_air)) == []
    (lost,) = differences(Counter([one, two]), Counter([one]), on_air)
    assert "not in the store" in lost
    impostor = (ROOM, 3, IMPOSTOR_PA)
    (invented,) = differences(Counter([impostor]), Counter([impostor]), on_air)
    assert "no probe sent" in invented
    replay = (ROOM, 4, ROOM_PA)
    (twice,) = differences(Counter([one, replay]), Counter([one, replay]), on_air)
    assert "no probe sent" in twice
    stranger = ("stranger/pressure", 5, STRANGER_PA)
    assert len(list(differences(Counter(), Counter([stranger]), on_air))) == 2
    assert list(unmarked(ROOM, [0.0, 1.0, 9.0], [2.0], 5.0)) == []
    assert len(list(unmarked(ROOM, [0.0, 1.0, 9.0], [0.5], 5.0))) == 1
