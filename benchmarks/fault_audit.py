"""What a shop left behind, audited: the store, what the broker's customers heard, the verdicts."""

from __future__ import annotations

import contextlib
import itertools
import json
import shutil
import sqlite3
import threading
import tomllib
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
from fault_shop import PREFIX, ROOM, START_UTC_NS, STEP_NS, Filling, Place, room_pa, values
from paho.mqtt.enums import CallbackAPIVersion

from holdwatch_daemon.bays.resume import replay
from holdwatch_daemon.store import answers
from holdwatch_daemon.version import version
from holdwatch_physics.reading import Quality, Quantity
from holdwatch_procedures.holds.hold import Hold, conclude
from holdwatch_procedures.holds.order import Mark, Readings
from holdwatch_procedures.holds.recipe import load_recipe

if TYPE_CHECKING:
    from pathlib import Path

    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.verdict import Verdict


@dataclass(frozen=True, slots=True)
class Heard:
    """One message as it came."""

    topic: str
    retained: bool
    payload: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.payload)


class Ear:
    """A customer of the broker with a lasting session at QoS 1; also sends commands.

    Args:
        port: The broker's port on the loopback.
        session: The session's name; None for a clean one.
        topics: What it subscribes to.
    """

    def __init__(self, port: int, session: str | None, *topics: str) -> None:
        self.heard: list[Heard] = []
        self._topics = topics
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, session or "", clean_session=session is None
        )
        self._subscribed = threading.Event()
        self._client.on_connect = self._connected
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.on_message = self._take
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        if topics:
            self._subscribed.wait(10.0)

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        if self._topics:
            client.subscribe([(topic, 1) for topic in self._topics])

    def _take(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self.heard.append(Heard(message.topic, message.retain, bytes(message.payload)))

    def send(self, topic: str, body: str) -> None:
        """Publish at QoS 1, without waiting."""
        self._client.publish(topic, body, qos=1)

    def close(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()


@dataclass(slots=True)
class Findings:
    """Counts of what was looked at and of what was wrong; sums over episodes."""

    seen: Counter[str] = field(default_factory=Counter)
    wrong: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)

    def fault(self, kind: str, note: str, count: int = 1) -> None:
        """Count something wrong and keep a word about it."""
        if count:
            self.wrong[kind] += count
            self.notes.append(f"{kind}: {note}")

    def add(self, other: Findings) -> None:
        """Take another's counts in."""
        self.seen += other.seen
        self.wrong += other.wrong
        self.notes += other.notes


def report(found: Findings) -> None:
    """Print what was seen and what was wrong, as a table."""
    for title, counts in (("seen", found.seen), ("wrong", found.wrong)):
        for kind, count in sorted(counts.items()):
            print(f"{title:6} {count:8} {kind}")
    for note in found.notes[:40]:
        print(note)


def look_as_found(database: Path, scratch: Path, found: Findings) -> None:
    """Check the files as a killed process left them, on a copy: opening mends them."""
    if not database.exists():
        return
    scratch.mkdir(exist_ok=True)
    for suffix in ("", "-wal"):
        target = scratch / f"found.db{suffix}"
        target.unlink(missing_ok=True)
        with contextlib.suppress(FileNotFoundError):
            shutil.copyfile(database.with_name(database.name + suffix), target)
    found.seen["databases checked"] += 1
    connection = sqlite3.connect(scratch / "found.db")
    try:
        said = connection.execute("PRAGMA integrity_check").fetchone()[0]
        if said != "ok":
            found.fault("unsound databases", str(said))
        if connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'events'").fetchone():
            check_numbers(connection, found)
    except sqlite3.DatabaseError as error:
        found.fault("unsound databases", str(error))
    finally:
        connection.close()


def check_numbers(connection: sqlite3.Connection, found: Findings) -> None:
    """Check that events are numbered without gaps, in all and in each bay, and verdicts single."""
    rows = connection.execute("SELECT bay, COUNT(*), MAX(baysequence) FROM events GROUP BY bay")
    gaps = sum(newest - count for bay, count, newest in rows if bay is not None)
    count, newest = connection.execute(
        "SELECT COUNT(*), COALESCE(MAX(sequence), 0) FROM events"
    ).fetchone()
    found.fault("gaps in numbering", f"{count} events up to {newest}", gaps + newest - count)
    doubled = connection.execute(
        "SELECT subject FROM events WHERE type = 'holdwatch.verdict'"
        " GROUP BY subject HAVING COUNT(*) > 1"
    ).fetchall()
    found.fault("doubled verdicts", f"{doubled}", len(doubled))


def compare_heard(connection: sqlite3.Connection, heard: list[Heard], found: Findings) -> None:
    """Compare what a lasting session heard with the store: nothing lost, doubled or reordered."""
    rows = connection.execute("SELECT bay, body FROM events ORDER BY sequence").fetchall()
    stored = {body: None for _, body in rows}
    bays = sorted({bay for bay, _ in rows if bay is not None})
    topics = {f"{PREFIX}/events": list(stored)}
    for bay in bays:
        topics[f"{PREFIX}/bay/{bay}/events"] = [body for of, body in rows if of == bay]
    for topic, expected in topics.items():
        bodies = [message.payload.decode() for message in heard if message.topic == topic]
        firsts = list(dict.fromkeys(bodies))
        found.seen["events heard"] += len(firsts)
        found.seen["events heard again"] += len(bodies) - len(firsts)
        lost = set(expected) - set(firsts)
        strange = set(firsts) - set(expected)
        found.fault("lost events", f"{topic}: {sorted(lost)[:2]}", len(lost))
        found.fault("heard but not stored", f"{topic}: {sorted(strange)[:2]}", len(strange))
        if not lost and not strange and firsts != expected:
            found.fault("out of order", topic)
        ids = Counter(json.loads(body)["id"] for body in firsts)
        doubled = [each for each, count in ids.items() if count > 1]
        found.fault("doubled event numbers", f"{topic}: {doubled}", len(doubled))
    found.seen["events written"] += len(rows)


def compare_commands(connection: sqlite3.Connection, heard: list[Heard], found: Findings) -> None:
    """Each command was answered in one way only, and a start began one hold at most."""
    replies: defaultdict[str, set[bytes]] = defaultdict(set)
    for message in heard:
        if message.topic.endswith("/reply"):
            replies[message.json["id"]].add(message.payload)
    found.seen["commands answered"] += len(replies)
    for command_id, answers_ in replies.items():
        found.fault("commands answered in two ways", command_id, len(answers_) - 1)
    begun = Counter(
        json.loads(reply)["hold_id"]
        for (reply,) in connection.execute(
            "SELECT reply FROM commands WHERE json_extract(body, '$.command') = 'start_hold'"
        )
    )
    holds = {hold for (hold,) in connection.execute("SELECT id FROM holds")}
    orphans = holds - set(begun)
    found.fault("holds that nobody started", f"{orphans}", len(orphans))
    found.fault("starts without their hold", "", len(set(begun) - holds - {None}))


def check_statuses(heard: list[Heard], found: Findings) -> None:
    """Every ``online`` was followed by ``offline``, said or by will, before the next one."""
    said = [m.payload.decode() for m in heard if m.topic == f"{PREFIX}/status"]
    found.seen["times online"] += said.count("online")
    twice = sum(first == then == "online" for first, then in itertools.pairwise(said))
    found.fault("online twice without offline", f"{said}", twice)


def compare_retained(
    connection: sqlite3.Connection, retained: list[Heard], found: Findings
) -> None:
    """What a newcomer is handed agrees with the store after an orderly end."""
    handed = {message.topic: message for message in retained if message.retained}
    status = handed.pop(f"{PREFIX}/status", None)
    if status is None or status.payload != b"offline":
        found.fault("wrong retained state", f"status {status}")
    for (bay,) in connection.execute("SELECT DISTINCT bay FROM holds"):
        last = answers.last_verdict_event(connection, bay)
        verdict = handed.get(f"{PREFIX}/bay/{bay}/verdict")
        state = handed.get(f"{PREFIX}/bay/{bay}/state")
        found.seen["retained states checked"] += 1
        told = None if verdict is None else verdict.json["data"]["hold"]
        if told != (None if last is None else last.subject):
            found.fault("wrong retained state", f"{bay} verdict {told}, store {last}")
        said = None if state is None else state.json["last_verdict_id"]
        if said != (None if last is None else last.subject):
            found.fault("wrong retained state", f"{bay} state {said}, store {last}")


def compare_verdicts(
    connection: sqlite3.Connection,
    bays: tuple[Place, ...],
    seed: int,
    fillings: list[tuple[str, Filling]],
    fluids: Fluids,
    found: Findings,
) -> None:
    """Judge every hold again: from what is stored, and from all that its probes read.

    Args:
        connection: The store.
        bays: The shop's bays.
        seed: Of the probes' noise.
        fillings: What was let into each bay, in order: its name, and since when, number, leak.
        fluids: For judging.
        found: Where counts go.
    """
    for row in answers.list_holds(connection, None, 1000):
        stored = answers.verdict(connection, row.id)
        if stored is None or stopped_by_hand(connection, row.id):
            found.seen["holds without a verdict or stopped by hand"] += 1
            continue
        found.seen["verdicts"] += 1
        found.seen[f"verdicts: {stored['outcome']}"] += 1
        again = replay(connection, row, fluids, version()).hold
        anew = conclude(again).to_dict()
        unlike = {key: (stored.get(key), anew[key]) for key in anew if stored.get(key) != anew[key]}
        if unlike:
            found.fault("verdicts unlike their stored readings", f"{row.id}: {unlike}")
        place = next(place for place in bays if place.name == row.bay)
        began_ns = answers.started_utc_ns(connection, row.id) - START_UTC_NS
        filling = [each for bay, each in fillings if bay == row.bay and each[0] <= began_ns][-1]
        whole = undisturbed(connection, row.id, place, seed, filling, fluids)
        truth = "pass" if filling[2] == 0.0 else "fail"
        if not answers.marks(connection, row.id):
            found.seen["holds killed until nobody could say the valve was closed"] += 1
        elif str(whole.outcome) != truth:
            found.fault("campaign's own mistakes", f"{row.id}: {whole.sentence}, truth {truth}")
        if stored["outcome"] == str(whole.outcome):
            found.seen["verdicts as undisturbed"] += 1
        elif stored["outcome"] == "inconclusive" and stored["causes"]:
            found.seen[f"inconclusive for: {', '.join(stored['causes'])}"] += 1
        else:
            found.fault("wrong verdicts", f"{row.id}: {stored['outcome']}, truth {truth}")


def stopped_by_hand(connection: sqlite3.Connection, hold_id: str) -> bool:
    """Whether a person stopped a hold."""
    events = answers.hold_events(connection, hold_id)
    return any(event.type == "holdwatch.hold.stopped" for event in events)


def undisturbed(
    connection: sqlite3.Connection,
    hold_id: str,
    place: Place,
    seed: int,
    filling: Filling,
    fluids: Fluids,
) -> Verdict:
    """Judge what the probes of a hold read from its beginning on, every second of it."""
    recipe = load_recipe(tomllib.loads(answers.recipe_toml(connection, hold_id) or ""), where="")
    roles = answers.hold_channels(connection, hold_id)
    zero_ns = answers.started_utc_ns(connection, hold_id) - START_UTC_NS
    hold = Hold(recipe, fluids, version="undisturbed")
    marks = sorted(answers.marks(connection, hold_id), key=lambda mark: mark.t_ns)
    at_ns = -(-zero_ns // STEP_NS) * STEP_NS
    # Its time counts from its mark, which comes late on a busy machine, and may be extended.
    while at_ns - zero_ns <= (hold.snapshot().latest_end_s + 60.0) * 1e9 or marks:
        while marks and marks[0].t_ns <= at_ns - zero_ns:
            mark = marks.pop(0)
            hold.take(Mark(mark.t_ns, mark.word))
        for channel, quantity, value in values(seed, place, filling, at_ns):
            hold.take(
                Readings(
                    (at_ns - zero_ns,), (roles[channel],), (quantity,), (value,), (Quality.GOOD,)
                )
            )
        room = room_pa(seed, at_ns)
        hold.take(
            Readings(
                (at_ns - zero_ns,),
                (roles[ROOM],),
                (Quantity.PRESSURE_ABSOLUTE,),
                (room,),
                (Quality.GOOD,),
            )
        )
        if hold.verdict is not None:
            return hold.verdict
        at_ns += STEP_NS
    return conclude(hold)
