"""Alarms of a bay: raised once, standing until acknowledged and their cause is gone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from holdwatch_daemon.messages import Alarm
from holdwatch_daemon.store import rows
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_procedures.wording import render, said

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Iterable

    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_procedures.wording import Say


@dataclass(slots=True)
class _Standing:
    alarm: Alarm
    gone: bool


class Alarms:
    """The standing alarms of one bay; every change is written with its event.

    At most one alarm of a kind stands at a time.

    Args:
        bay: The bay's name.
        events: Where changes are written.
        standing: Alarms that stood when the process last ended, with whether their cause was gone.
    """

    def __init__(self, bay: str, events: EventLog, standing: Iterable[tuple[Alarm, bool]]) -> None:
        self._bay = bay
        self._events = events
        self._standing = {alarm.kind: _Standing(alarm, gone) for alarm, gone in standing}

    def standing(self) -> list[Alarm]:
        """Return the alarms that stand, the oldest first."""
        return [each.alarm for each in self._standing.values()]

    def kinds(self) -> set[str]:
        """Return the kinds that stand."""
        return set(self._standing)

    def stands(self, kind: str) -> bool:
        """Return whether an alarm of this kind stands."""
        return kind in self._standing

    def raise_(self, kind: str, what: Say, utc_ns: int) -> bool:
        """Raise an alarm unless one of its kind stands; return whether it is new.

        One whose cause was gone but that nobody acknowledged counts as standing: its cause is
        back.
        """
        standing = self._standing.get(kind)
        if standing is not None:
            if standing.gone:
                standing.gone = False
                self._write(standing, None)
            return False
        alarm_id = f"{self._bay}-{kind}-{utc_ns}"
        text, told = render(what), said(text=what)
        alarm = Alarm(id=alarm_id, kind=kind, text=text, since=rfc3339(utc_ns), said=told)
        self._standing[kind] = standing = _Standing(alarm, gone=False)
        data = {"alarm": alarm_id, "kind": kind, "text": text, "said": told}
        draft = Draft("holdwatch.alarm.raised", utc_ns, data, bay=self._bay, subject=alarm_id)
        self._write(standing, draft)
        return True

    def cause_gone(self, kind: str, utc_ns: int) -> bool:
        """Note that an alarm's cause is gone; return whether that changed anything."""
        standing = self._standing.get(kind)
        if standing is None or standing.gone:
            return False
        standing.gone = True
        self._settle(standing, utc_ns)
        return True

    def acknowledge(self, alarm_id: str, utc_ns: int) -> bool:
        """Acknowledge an alarm; return whether one of that id stands."""
        for standing in self._standing.values():
            if standing.alarm.id == alarm_id:
                standing.alarm = standing.alarm.model_copy(update={"acknowledged": True})
                self._settle(standing, utc_ns)
                return True
        return False

    def _settle(self, standing: _Standing, utc_ns: int) -> None:
        """Clear an alarm that is acknowledged and whose cause is gone; else note where it is."""
        alarm = standing.alarm
        if not (alarm.acknowledged and standing.gone):
            self._write(standing, None)
            return
        del self._standing[alarm.kind]
        data = {"alarm": alarm.id, "kind": alarm.kind}
        draft = Draft("holdwatch.alarm.cleared", utc_ns, data, bay=self._bay, subject=alarm.id)
        self._write(standing, draft)

    def _write(self, standing: _Standing, draft: Draft | None) -> asyncio.Future[None]:
        alarm, gone = standing.alarm, standing.gone
        is_over = draft is not None and draft.type == "holdwatch.alarm.cleared"
        cleared = rfc3339(draft.utc_ns) if draft is not None and is_over else None

        def work(telling: Telling) -> None:
            rows.put_alarm(telling.connection, self._bay, alarm, gone=gone, cleared=cleared)
            if draft is not None:
                telling.tell(draft)

        return self._events.transact(work)
