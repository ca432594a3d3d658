"""What a chain's consumer believes, and what it refuses."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fleet_rig import STORE, told

from holdwatch_fleet.message import RefusedError, Topics, read_event, read_live

NOW = datetime(2026, 5, 4, 10, 0, tzinfo=UTC)


def body(**changes: Any) -> bytes:
    table = json.loads(told(41).model_dump_json(exclude_none=True))
    return json.dumps(table | changes).encode()


def test_an_event_is_known_by_shop_database_and_number() -> None:
    event = read_event(body(), "county-library")
    assert (event.site, event.store, event.sequence) == ("county-library", STORE, 41)


def test_a_newer_shop_may_say_more() -> None:
    event = read_event(body(type="holdwatch.sign.shown", colour="none", data={"new": [1]}), None)
    assert event.data == {"new": [1]}


@pytest.mark.parametrize(
    ("changes", "reason"),
    [
        ({"source": "/holdwatch/other-garage"}, "it says that it is of 'other-garage'"),
        ({"sequence": 42}, "does not go with its source and sequence"),
        ({"id": "county-library-41"}, "does not go with"),
        ({"sequence": 0}, "sequence: "),
        ({"sequence": 2**63}, "sequence: "),
        ({"time": "2026-05-04T09:31:07"}, "time: "),
        ({"type": "somebody.else"}, "type: "),
        ({"specversion": "2.0"}, "specversion: "),
        ({"data": [1]}, "data: "),
    ],
)
def test_what_is_not_an_event_of_the_shop_is_refused(changes: Any, reason: str) -> None:
    with pytest.raises(RefusedError, match=reason):
        read_event(body(**changes), "county-library")


@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b"\xff", b'{"id": "\\ud800"}'])
def test_no_json_is_refused(payload: bytes) -> None:
    with pytest.raises(RefusedError):
        read_event(payload, None)


def test_a_huge_payload_is_refused() -> None:
    with pytest.raises(RefusedError, match="larger than"):
        read_event(body(data={"text": "x" * 1_000_000}), None)


def test_the_shop_stands_in_the_topic() -> None:
    topics = Topics("chain/+/holdwatch")
    assert topics.events == "chain/+/holdwatch/events"
    assert topics.live == "chain/+/holdwatch/bay/+/live"
    assert topics.site_of_event("chain/north/holdwatch/events") == "north"
    assert topics.site_of_event("chain/north/x/holdwatch/events") is None
    assert topics.site_of_live("chain/north/holdwatch/bay/bay-1/live") == "north"
    assert topics.site_of_live("chain/north/holdwatch/bay/bay-1/state") is None


@pytest.mark.parametrize("prefix", ["holdwatch", "+/+", "holdwatch/#", "/holdwatch/+"])
def test_a_prefix_that_names_no_one_place_for_the_shop_is_refused(prefix: str) -> None:
    with pytest.raises(ValueError, match="one \\+"):
        Topics(prefix)


def live(time: datetime = NOW, **changes: Any) -> bytes:
    value = {
        "role": "low_side",
        "channel": "gauge/pressure",
        "quantity": "pressure_gauge",
        "value": 1.5e6,
        "unit": "Pa",
        "shown": {"text": "1500.0", "unit": "kPag"},
        "quality": "good",
        "age_s": 0.4,
    }
    message = {
        "bay": "bay-1",
        "time": time.isoformat(),
        "simulated": False,
        "values": [value | changes],
        "saturation": [],
    }
    return json.dumps(message).encode()


def test_a_live_value_is_a_reading_of_its_slot() -> None:
    (reading,) = read_live(live(NOW + timedelta(seconds=7.3)), "county-library", 10, NOW)
    assert reading.slot == NOW
    assert reading.time == NOW + timedelta(seconds=6.9)
    assert (reading.site, reading.bay, reading.role) == ("county-library", "bay-1", "low_side")
    # A value of just before the border belongs to the slot in which it was measured.
    (reading,) = read_live(live(NOW + timedelta(seconds=0.3)), "county-library", 10, NOW)
    assert reading.slot == NOW - timedelta(seconds=10)


def test_an_old_value_that_is_shown_again_is_no_reading() -> None:
    assert read_live(live(age_s=10.1), "county-library", 10, NOW) == []
    assert read_live(live(quality="stale"), "county-library", 10, NOW) == []


@pytest.mark.parametrize("away", [timedelta(days=2), timedelta(days=-401)])
def test_a_shop_whose_clock_is_far_off_makes_no_rows(away: timedelta) -> None:
    with pytest.raises(RefusedError, match="far from the time here"):
        read_live(live(NOW + away), "county-library", 10, NOW)
