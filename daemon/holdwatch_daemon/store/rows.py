"""Holds the statements that write; each runs inside a transaction of the writer."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple, cast

from pydantic_core import to_json

from holdwatch_daemon.store.rolling import store_late
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.reading import SI_UNIT, Channel, Quality, Reading
from holdwatch_procedures.wording import render

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Iterable, Mapping, Sequence

    from holdwatch_daemon.messages import Alarm
    from holdwatch_physics.reading import Quantity
    from holdwatch_procedures.holds import CurvePoint, Verdict


_INSERT_READING: Final = (
    "INSERT INTO readings (channel_id, boot_id, mono_ns, utc_ns, value, quality, flag)"
    " VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING"
)


_WORD: Final = {quality: str(quality) for quality in Quality}


class FlaggedReading(NamedTuple):
    """A reading as it is stored; ``flag`` says why it is not judged, None where it is."""

    reading: Reading
    flag: str | None = None


class Ids:
    """The numbers under which boots and channels stand in the store.

    Args:
        boot: The boot id under which this process's monotonic times compare.
        simulated: Whether those times are simulated.

    Attributes:
        rolled_ns: No reading of this boot beyond this monotonic time is in the tiers, ns; None
            where that is not known yet.
    """

    def __init__(self, boot: str, *, simulated: bool) -> None:
        self.rolled_ns: int | None = None
        self._boot = boot
        self._simulated = simulated
        self._boot_id: int | None = None
        self._channels: dict[tuple[str, str], int] = {}

    def forget(self) -> None:
        """Forget all numbers, because the transaction that gave them may be undone."""
        self._boot_id = None
        self._channels.clear()

    def boot(self, connection: sqlite3.Connection, utc_ns: int) -> int:
        """Return the number of this process's boot, writing it where it is new."""
        if self._boot_id is None:
            connection.execute(
                "INSERT INTO boots (boot, first_seen, simulated) VALUES (?, ?, ?)"
                " ON CONFLICT (boot) DO NOTHING",
                (self._boot, rfc3339(utc_ns), int(self._simulated)),
            )
            (self._boot_id,) = connection.execute(
                "SELECT id FROM boots WHERE boot = ?", (self._boot,)
            ).fetchone()
        return int(self._boot_id)

    def channel(self, connection: sqlite3.Connection, name: str, quantity: Quantity) -> int:
        """Return the number of a channel, writing it where it is new."""
        known = self._channels.get((name, quantity))
        if known is None:
            connection.execute(
                "INSERT INTO channels (name, probe, quantity, unit) VALUES (?, ?, ?, ?)"
                " ON CONFLICT (name, quantity) DO NOTHING",
                (name, Channel.parse(name).probe, str(quantity), SI_UNIT[quantity]),
            )
            (known,) = connection.execute(
                "SELECT id FROM channels WHERE name = ? AND quantity = ?", (name, str(quantity))
            ).fetchone()
            self._channels[name, quantity] = int(known)
        return int(known)


def insert_readings(
    connection: sqlite3.Connection, ids: Ids, readings: Sequence[Reading | FlaggedReading]
) -> None:
    """Write readings; the first of equal (channel, time) stays."""
    boot: int | None = None
    rows: list[tuple[Any, ...]] = []
    for item in readings:
        reading, flag = (item, None) if type(item) is Reading else cast("FlaggedReading", item)
        name, quantity, utc_ns, mono_ns, value, quality = reading
        if boot is None:
            boot = ids.boot(connection, utc_ns)
        channel = ids.channel(connection, name, quantity)
        rows.append((channel, boot, mono_ns, utc_ns, value, _WORD[quality], flag))
    if not rows:
        return
    if ids.rolled_ns is None or min(row[2] for row in rows) <= ids.rolled_ns:
        rows = store_late(connection, _INSERT_READING, rows)
    connection.executemany(_INSERT_READING, rows)


def insert_probe(
    connection: sqlite3.Connection, name: str, kind: str, address: str | None, now: str
) -> None:
    """Note an enrolled probe, or its new address."""
    connection.execute(
        "INSERT INTO probes (name, kind, address, first_seen) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (name) DO UPDATE SET kind = excluded.kind, address = excluded.address",
        (name, kind, address, now),
    )


def insert_hold(connection: sqlite3.Connection, row: Mapping[str, Any]) -> None:
    """Write a new hold; keys are the columns of ``holds``."""
    columns = ", ".join(row)
    places = ", ".join(f":{key}" for key in row)
    connection.execute(f"INSERT INTO holds ({columns}) VALUES ({places})", dict(row))  # noqa: S608 - the keys are ours


def insert_hold_channel(
    connection: sqlite3.Connection, hold_id: str, role: str, channel: str
) -> None:
    """Note that a channel plays a role in a hold."""
    connection.execute(
        "INSERT INTO hold_channels VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        (hold_id, role, channel),
    )


def insert_segment(
    connection: sqlite3.Connection, hold_id: str, boot_id: int, zero_ns: int, first_ns: int
) -> None:
    """Note at which monotonic time of a boot a hold's clock reads zero, and from when it counts."""
    connection.execute(
        "INSERT INTO hold_segments VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (hold_id, boot_id, zero_ns, first_ns),
    )


def insert_mark(connection: sqlite3.Connection, hold_id: str, t_ns: int, word: str) -> None:
    """Write the next mark of a hold."""
    connection.execute(
        "INSERT INTO hold_marks SELECT ?, COALESCE(MAX(number), 0) + 1, ?, ?"
        " FROM hold_marks WHERE hold_id = ?",
        (hold_id, t_ns, word, hold_id),
    )


def insert_curve(
    connection: sqlite3.Connection, hold_id: str, first: int, points: Iterable[CurvePoint]
) -> None:
    """Write curve points, numbered from ``first``; known numbers stay as they are."""
    connection.executemany(
        "INSERT INTO curve_points VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
        [(hold_id, first + n, point.t_s, _json(point.to_dict())) for n, point in enumerate(points)],
    )


def end_hold(
    connection: sqlite3.Connection, hold_id: str, ended: str, end_t_ns: int, verdict: Verdict
) -> None:
    """Write a hold's end and its verdict."""
    outcome = str(verdict.outcome)
    connection.execute(
        "UPDATE holds SET ended = ?, end_t_ns = ?, outcome = ?, sentence = ? WHERE id = ?",
        (ended, end_t_ns, outcome, render(verdict.sentence), hold_id),
    )
    connection.execute(
        "INSERT INTO verdicts (hold_id, bay, unit, time, outcome, sentence, body)"
        " SELECT id, bay, unit, ?, ?, ?, ? FROM holds WHERE id = ?",
        (ended, outcome, render(verdict.sentence), _json(verdict.to_dict()), hold_id),
    )


def abandon_hold(connection: sqlite3.Connection, hold_id: str, ended: str, sentence: str) -> None:
    """End a hold that has no verdict and will not get one."""
    connection.execute(
        "UPDATE holds SET ended = ?, end_t_ns = 0, outcome = 'inconclusive', sentence = ?"
        " WHERE id = ?",
        (ended, sentence, hold_id),
    )


def insert_command(
    connection: sqlite3.Connection, bay: str, command_id: str, **columns: str
) -> None:
    """Write a command with its reply; ``columns`` are ``time``, ``by``, ``body``, ``reply``."""
    connection.execute(
        "INSERT INTO commands (bay, id, time, by, body, reply) VALUES (?, ?, ?, ?, ?, ?)",
        (
            bay,
            command_id,
            columns["time"],
            columns["by"],
            columns["body"],
            columns["reply"],
        ),
    )


def put_alarm(
    connection: sqlite3.Connection, bay: str, alarm: Alarm, *, gone: bool, cleared: str | None
) -> None:
    """Write an alarm as it now stands."""
    connection.execute(
        "INSERT INTO alarms VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO UPDATE SET"
        " acknowledged = excluded.acknowledged, gone = excluded.gone, cleared = excluded.cleared",
        (
            alarm.id,
            bay,
            alarm.kind,
            alarm.text,
            alarm.since,
            int(alarm.acknowledged),
            int(gone),
            cleared,
        ),
    )


def bind_work_order(
    connection: sqlite3.Connection, hold_id: str, work_order: str, bound: str
) -> None:
    """Bind a hold to a work order; a later binding takes the place of an earlier one."""
    connection.execute(
        "INSERT OR REPLACE INTO hold_work_orders (hold_id, work_order, bound) VALUES (?, ?, ?)",
        (hold_id, work_order, bound),
    )


def put_outbox_position(connection: sqlite3.Connection, destination: str, sequence: int) -> None:
    """Note the newest event that a destination has confirmed."""
    connection.execute(
        "INSERT INTO outbox VALUES (?, ?) ON CONFLICT (destination)"
        " DO UPDATE SET sequence = excluded.sequence",
        (destination, sequence),
    )


def _json(value: object) -> str:
    """Return JSON text; a figure that is not finite becomes null, since JSON has none."""
    return to_json(value, inf_nan_mode="null").decode()
