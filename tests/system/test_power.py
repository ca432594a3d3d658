"""What a power cut may leave on the disk opens sound, with every event that was confirmed."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from fault_audit import Findings
from power_cut import Cuts, Shot, campaign, record, reopen

if TYPE_CHECKING:
    from pathlib import Path


def test_forty_torn_states_open_sound_and_lose_no_confirmed_event() -> None:
    found = campaign(40, 11)
    assert not found.wrong, found.notes
    assert found.seen["files opened"] == 40
    assert found.seen["events beyond the confirmed ones kept"] > 0, "the cuts fall within the log"


def test_a_log_that_lost_what_was_confirmed_is_found(tmp_path: Path) -> None:
    cuts = Cuts(1, asyncio.run(record(tmp_path / "a.db", 1)))
    (tmp_path / "cut").mkdir()
    found = Findings()
    short = Shot(cuts.early.database, cuts.early.log[: len(cuts.early.log) // 2], cuts.early.events)
    reopen(short, tmp_path / "cut", found, "half")
    assert found.wrong["confirmed events lost"] >= 1
