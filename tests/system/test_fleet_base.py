"""Landing in a real PostgreSQL: twice changes nothing, gaps are known, nothing stops the rest."""

from __future__ import annotations

import contextlib
import json
import random
import threading
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import psycopg
import pytest
from fleet_rig import STORE, arrived, asked, store_with, told
from postgres_fixture import postgres, postgres_server

from holdwatch_cli.fleet import run_fill, run_gaps
from holdwatch_fleet.base import Base, Batch
from holdwatch_fleet.errors import FleetError
from holdwatch_fleet.fill import Filler, Patience, ShopAddress
from holdwatch_fleet.message import LiveReading, Refused

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

__all__ = ["postgres", "postgres_server"]

FAIL = {
    "hold": "bay-2-20260504T090412Z-1c8e2a",
    "unit": "BM-02",
    "recipe": "nitrogen",
    "procedure": "pressure-decay",
    "outcome": "fail",
    "causes": ["leak"],
    "sentence": "Leaks: about 19 kg of R-1234yf a year.",
    "decided_at_s": 1834.0,
    "leak": {
        "mol_per_s": {"value": 2e-7, "low": 1e-7, "high": 3e-7, "interval95": [1e-7, 3e-7]},
        "pa_m3_per_s": {"value": 5e-4, "low": None, "high": None, "at_k": 296.2},
        "g_per_year": {"value": 19e3, "low": 18e3, "high": 2e4, "refrigerant": "R1234yf"},
    },
    "smallest_visible_g_per_year": 310.0,
    "criterion": {"kind": "leak", "limit": 500.0, "g_per_year": 500.0, "source": "shop rule"},
    "readings_used": 3668,
    "readings_sha256": "ab" * 32,
    "version": "0.1.0",
}


@pytest.fixture
def base(postgres: str) -> Iterator[Base]:
    with Base(postgres) as made:
        made.create()
        yield made


def numbers(dsn: str) -> list[int]:
    return [row[0] for row in asked(dsn, "SELECT sequence FROM holdwatch.events ORDER BY 1")]


def test_landing_twice_changes_nothing(base: Base, postgres: str) -> None:
    batch = Batch("mqtt", events=[arrived(1), arrived(2), arrived(2)])
    assert base.land(batch) == 2
    assert base.land(batch) == 0
    assert numbers(postgres) == [1, 2]
    assert asked(postgres, "SELECT count(*) FROM holdwatch.refused") == [(0,)]
    (row,) = asked(
        postgres,
        "SELECT site, store, type, time, bay, data->>'text', via FROM holdwatch.events"
        " WHERE sequence = 2",
    )
    when = datetime(2026, 5, 4, 9, 0, 2, 120_000, UTC)
    assert row == ("county-library", STORE, "holdwatch.hold.noted", when, "bay-2", "note 2", "mqtt")


def test_making_the_tables_again_leaves_what_is_there(base: Base, postgres: str) -> None:
    base.land(Batch("mqtt", events=[arrived(1)]))
    base.create()
    assert numbers(postgres) == [1]


def test_a_database_without_tables_or_of_another_version_is_said(postgres: str) -> None:
    with Base(postgres) as base:
        with pytest.raises(FleetError, match="holdwatch fleet create"):
            base.check()
        base.create()
        asked(postgres, "UPDATE holdwatch.about SET version = 2")
        with pytest.raises(FleetError, match="version 2"):
            base.check()


def test_a_gap_is_known_and_closes(
    base: Base, postgres: str, capsys: pytest.CaptureFixture[str]
) -> None:
    base.land(Batch("mqtt", events=[arrived(n) for n in (1, 2, 5, 6, 9)]))
    (stream,) = base.streams()
    assert (stream.unbroken, stream.newest, stream.missing) == (2, 9, 4)
    assert base.gaps(0.0) == [("county-library", STORE, 2, 9)]
    assert base.gaps(60.0) == []
    assert run_gaps(postgres, as_json=False) == 1
    assert "1 to 9, 4 missing after 2" in capsys.readouterr().out
    base.land(Batch("mqtt", events=[arrived(n) for n in (3, 4)]))
    (stream,) = base.streams()
    assert (stream.unbroken, stream.missing) == (6, 2)
    base.land(Batch("http", events=[arrived(n) for n in (7, 8)]))
    assert run_gaps(postgres, as_json=True) == 0
    (stated,) = json.loads(capsys.readouterr().out)["streams"]
    assert (stated["unbroken"], stated["gap_since"]) == (9, None)


def test_a_shop_that_is_joined_late_lacks_its_beginning(base: Base) -> None:
    base.land(Batch("mqtt", events=[arrived(5_000)]))
    (stream,) = base.streams()
    assert (stream.unbroken, stream.missing) == (0, 4_999)


def test_a_long_stretch_is_followed_in_steps(base: Base, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("holdwatch_fleet.schema.PAGE", 7)
    base.land(Batch("mqtt", events=[arrived(n) for n in range(2, 60)]))
    assert base.streams()[0].unbroken == 0
    base.land(Batch("mqtt", events=[arrived(1)]))
    assert base.streams()[0].unbroken == 59


def test_a_database_begun_anew_counts_by_itself(base: Base, postgres: str) -> None:
    old, new = arrived(1), arrived(1, store="77aa00bb11cc")
    base.land(Batch("mqtt", events=[old, new, arrived(2, site="north-garage", store="5")]))
    streams = [(each.site, each.store, each.missing) for each in base.streams()]
    assert streams == [
        ("county-library", STORE, 0),
        ("county-library", "77aa00bb11cc", 0),
        ("north-garage", "5", 1),
    ]
    assert len(numbers(postgres)) == 3


def test_another_event_of_the_same_number_is_refused_and_said(base: Base, postgres: str) -> None:
    base.land(Batch("mqtt", events=[arrived(1), arrived(2)]))
    other = arrived(2, time="2026-05-05T08:00:00Z", data={"text": "after a copy was put back"})
    for _ in range(2):
        assert base.land(Batch("mqtt", events=[arrived(1), other, arrived(3)])) in {0, 1}
    assert numbers(postgres) == [1, 2, 3]
    assert asked(postgres, "SELECT data->>'text' FROM holdwatch.events WHERE sequence = 2") == [
        ("note 2",)
    ]
    ((reason, payload),) = asked(postgres, "SELECT reason, payload FROM holdwatch.refused")
    assert "another event has its number" in reason
    assert json.loads(payload)["data"] == {"text": "after a copy was put back"}


def test_numbers_that_a_shop_left_out_when_it_was_put_back_are_not_missing(
    base: Base, postgres: str
) -> None:
    base.land(Batch("mqtt", events=[arrived(n) for n in (1, 2, 3)]))
    number = 1_790_000_000_000  # the time of restoring, ms
    put_back = {"type": "holdwatch.store.restored", "data": {"from": 2, "text": "back"}}
    base.land(Batch("mqtt", events=[arrived(number, **put_back), arrived(number + 2)]))
    (stream,) = base.streams()
    assert (stream.unbroken, stream.missing) == (number, 1)
    base.land(Batch("mqtt", events=[arrived(number + 1)]))
    assert base.streams()[0].unbroken == number + 2
    # What was on its way when the shop was lost lands still, and counts as little.
    base.land(Batch("mqtt", events=[arrived(4)]))
    assert [(each.unbroken, each.missing) for each in base.streams()] == [(number + 2, 0)]
    # The same backup once more: what the first restoring told is kept, and nothing is missing.
    again = number + 3_600_000
    base.land(Batch("mqtt", events=[arrived(again, **put_back), arrived(again + 1)]))
    assert [(each.unbroken, each.missing) for each in base.streams()] == [(again + 1, 0)]


def test_a_left_out_stretch_behind_a_gap_is_not_counted_as_missing(base: Base) -> None:
    back = arrived(1_000, type="holdwatch.store.restored", data={"from": 7})
    base.land(Batch("mqtt", events=[arrived(1), arrived(9), back]))
    (stream,) = base.streams()
    assert (stream.unbroken, stream.missing) == (1, 6)  # 2 to 7; 8 is left out, 9 came before
    base.land(Batch("http", events=[arrived(n) for n in range(2, 8)]))
    assert [(each.unbroken, each.missing) for each in base.streams()] == [(1_000, 0)]


@pytest.mark.parametrize("said", [None, "2", -1, 5, True])
def test_an_event_of_another_shape_leaves_nothing_out(base: Base, said: object) -> None:
    odd = arrived(5, type="holdwatch.store.restored", data={"from": said})
    base.land(Batch("mqtt", events=[odd]))
    assert base.streams()[0].missing == 4


def test_what_the_database_does_not_take_stops_nothing_else(base: Base, postgres: str) -> None:
    zero = arrived(2, data={"text": "a\0b"})  # jsonb knows no zero byte
    batch = Batch("mqtt", events=[arrived(1), zero, arrived(3)])
    batch.refused.append(Refused("holdwatch/x/events", "no JSON", b"{"))
    assert base.land(batch) == 2
    assert numbers(postgres) == [1, 3]
    refused = asked(postgres, "SELECT topic FROM holdwatch.refused ORDER BY topic")
    assert refused == [(f"county-library-{STORE}-2",), ("holdwatch/x/events",)]
    assert base.streams()[0].missing == 1


def test_a_verdict_has_its_columns(base: Base, postgres: str) -> None:
    verdict = arrived(1, type="holdwatch.verdict", data=FAIL)
    base.land(Batch("mqtt", events=[verdict]))
    base.land(Batch("mqtt", events=[verdict]))
    columns = (
        "unit, outcome, causes, leak_g_per_year, leak_low_g_per_year, leak_mol_per_s, refrigerant,"
        " smallest_visible_g_per_year, criterion_limit, readings_used, bay"
    )
    rows = asked(postgres, f"SELECT {columns} FROM holdwatch.verdicts")  # noqa: S608 - no input
    expected = ("BM-02", "fail", ["leak"], 19e3, 18e3, 2e-7, "R1234yf", 310.0, 500.0, 3668, "bay-2")
    assert rows == [expected]


def test_a_verdict_of_another_shape_lands_with_what_it_has(base: Base, postgres: str) -> None:
    odd = {"outcome": "inconclusive", "leak": None, "causes": "none", "readings_used": True}
    base.land(Batch("mqtt", events=[arrived(1, type="holdwatch.verdict", data=odd)]))
    question = "SELECT outcome, causes, leak_g_per_year, readings_used FROM holdwatch.verdicts"
    assert asked(postgres, question) == [("inconclusive", None, None, None)]


def reading(slot: datetime, value: float = 1.5e6) -> LiveReading:
    return LiveReading(
        site="county-library",
        bay="bay-1",
        role="low_side",
        slot=slot,
        time=slot + timedelta(seconds=3),
        channel="gauge/pressure",
        quantity="pressure_gauge",
        value=value,
        unit="Pa",
        quality="good",
        simulated=False,
    )


def test_readings_are_one_a_slot_in_a_partition_a_month(base: Base, postgres: str) -> None:
    january, march = datetime(2025, 1, 31, 23, 59, 50, tzinfo=UTC), datetime(2025, 3, 1, tzinfo=UTC)
    for value in (1.0, 2.0):
        base.land(Batch("mqtt", readings=[reading(january, value), reading(march, value)]))
    rows = asked(
        postgres,
        "SELECT tableoid::regclass::text, value FROM holdwatch.readings ORDER BY slot",
    )
    assert rows == [("holdwatch.readings_2025_01", 1.0), ("holdwatch.readings_2025_03", 1.0)]
    asked(postgres, "DROP TABLE holdwatch.readings_2025_01")
    assert asked(postgres, "SELECT count(*) FROM holdwatch.readings") == [(1,)]


def test_consumers_that_land_at_once_lose_and_double_nothing(base: Base, postgres: str) -> None:
    chance = random.Random(7)
    wanted = list(range(1, 1_201))
    # Every event goes to one of four consumers, one in five to a second one as well.
    shares: list[list[int]] = [[], [], [], []]
    for number in wanted:
        for share in chance.sample(shares, 2 if chance.random() < 0.2 else 1):
            share.append(number)
    failures: list[BaseException] = []

    def land(share: list[int], seed: int) -> None:
        order = random.Random(seed)
        try:
            with Base(postgres) as mine:
                for start in range(0, len(share), 40):
                    part = share[start : start + 40]
                    order.shuffle(part)
                    events = [arrived(n) for n in part]
                    mine.land(Batch("mqtt", events=events))
        except BaseException as error:  # noqa: BLE001 - told in the test's own thread
            failures.append(error)

    threads = [
        threading.Thread(target=land, args=each) for each in zip(shares, range(4), strict=True)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert numbers(postgres) == wanted
    assert [(each.unbroken, each.missing) for each in base.streams()] == [(1_200, 0)]


def filler(dsn: str) -> Filler:
    address = ShopAddress(url="http://127.0.0.1:1/")
    return Filler(dsn, {"county-library": address}, Patience(gap_s=1.0, quiet_s=60.0))


def body(number: int) -> bytes:
    return told(number).model_dump_json(exclude_none=True).encode()


def test_a_gap_behind_the_one_that_was_filled_is_no_trouble(
    base: Base, postgres: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    base.land(Batch("mqtt", events=[arrived(1), arrived(4)]))

    def fetched(_shop: ShopAddress, after: int) -> Iterator[bytes]:
        base.land(Batch("mqtt", events=[arrived(6)]))  # comes by the broker meanwhile
        yield from (body(number) for number in range(after + 1, 5))

    monkeypatch.setattr("holdwatch_fleet.fill.events_over_http", fetched)
    assert filler(postgres)._fill(base, "county-library", STORE, 1, 4) is None
    assert numbers(postgres) == [1, 2, 3, 4, 6]
    monkeypatch.setattr("holdwatch_fleet.fill.events_over_http", lambda *_: iter([body(6)]))
    trouble = filler(postgres)._fill(base, "county-library", STORE, 4, 6)
    assert trouble is not None
    assert "has no more what is missing after number 4" in trouble


def test_a_quiet_shop_is_asked_again_where_the_database_failed(
    base: Base, postgres: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_: object) -> int:
        raise psycopg.OperationalError("the connection is gone")

    asking = filler(postgres)
    monkeypatch.setattr("holdwatch_fleet.fill.newest_over_http", lambda _: 2)
    monkeypatch.setattr(
        "holdwatch_fleet.fill.events_over_http", lambda *_: iter([body(1), body(2)])
    )
    with monkeypatch.context() as broken:
        broken.setattr(base, "land", failing)
        with pytest.raises(psycopg.OperationalError):
            asking._ask_the_quiet(base)
    asking._ask_the_quiet(base)
    assert numbers(postgres) == [1, 2]


def test_a_shop_that_answers_nonsense_keeps_no_other_from_being_asked(
    base: Base, postgres: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    shops = {name: ShopAddress(url=f"http://{name}.example") for name in ("a", "b")}
    asking = Filler(postgres, shops, Patience(gap_s=0.0, quiet_s=60.0))
    reached: list[str] = []

    def newest(shop: ShopAddress) -> int:
        reached.append(shop.url)
        if "//a." in shop.url:
            raise RuntimeError("what nobody thought of")
        return 0

    monkeypatch.setattr("holdwatch_fleet.fill.newest_over_http", newest)
    for _ in range(2):
        with contextlib.suppress(RuntimeError):
            asking._ask_the_quiet(base)
    assert reached == ["http://a.example", "http://b.example"]


def test_a_token_that_cannot_be_sent_is_trouble_and_stops_nothing(
    base: Base, postgres: str, tmp_path: Path
) -> None:
    base.land(Batch("mqtt", events=[arrived(1), arrived(3)]))
    (tmp_path / "token").write_text("schlüssel", encoding="utf-8")
    address = ShopAddress(url="http://127.0.0.1:1/", token_file=tmp_path / "token")
    asking = Filler(postgres, {"county-library": address}, Patience(gap_s=0.0, quiet_s=60.0))
    asking._look(base)
    assert "ascii" in (base.streams()[0].trouble or "")


def test_a_copy_of_a_shops_database_fills_what_is_missing(
    base: Base, postgres: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy = tmp_path / "holdwatch.db"
    store_with(copy, [1, 2, 3, 4])
    base.land(Batch("mqtt", events=[arrived(2)]))
    assert run_fill(postgres, copy) == 0
    assert "3 events were new" in capsys.readouterr().out
    assert numbers(postgres) == [1, 2, 3, 4]
    with pytest.raises(FleetError, match="no such file"):
        run_fill(postgres, tmp_path / "none.db")
    (tmp_path / "text.db").write_text("no database")
    with pytest.raises(FleetError, match="is no database of holdwatch"):
        run_fill(postgres, tmp_path / "text.db")


def test_a_statement_that_fails_midway_lands_nothing_of_its_batch(
    base: Base, postgres: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> int:
        raise psycopg.OperationalError("the connection is gone")

    monkeypatch.setattr(base, "_follow", broken)
    with pytest.raises(psycopg.OperationalError):
        base.land(Batch("mqtt", events=[arrived(1)]))
    assert numbers(postgres) == []
