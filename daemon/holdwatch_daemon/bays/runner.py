"""A running hold: readings of a bay go in, what it tells is written in whole transactions."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import replace
from typing import TYPE_CHECKING

from holdwatch_daemon.bays.hold_identity import insert_begun
from holdwatch_daemon.jobs.hold_binding import settle
from holdwatch_daemon.store import rows
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.trace_line import TRACE_HEADER
from holdwatch_procedures.holds.order import MARK_WORD, WAIT_NS
from holdwatch_procedures.holds.scale import unknown_leak
from holdwatch_procedures.holds.verdict import NoticeKind, Outcome, Phase, Progress, Verdict
from holdwatch_procedures.wording import Say, as_written, render, said

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterable, Mapping

    from holdwatch_daemon.bays.hold_identity import HoldIdentity
    from holdwatch_daemon.messages import EventType
    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_physics.reading import Quality, Quantity, Reading
    from holdwatch_procedures.holds.hold import Hold
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.verdict import Notice

log = logging.getLogger(__name__)

OVERDUE_NS = 15_000_000_000
"""How long past its latest end a hold waits for a reading that ends it, ns."""

_EVENT_OF: dict[NoticeKind, EventType] = {
    NoticeKind.PHASE: "holdwatch.hold.phase",
    NoticeKind.NOTED: "holdwatch.hold.noted",
    NoticeKind.RESTARTED: "holdwatch.hold.restarted",
    NoticeKind.ALARM: "holdwatch.hold.noted",
}

Told = tuple[str, int, str]
"""Type, hold time in ns and text of an event: what tells one notice from another."""


def write_begin(
    telling: Telling,
    identity: HoldIdentity,
    ids: Ids,
    *,
    zero_mono_ns: int,
    simulated: bool,
    version: str,
    by: str,
    told: Mapping[str, object] | None = None,
) -> None:
    """Write a new hold with its channels and its first segment, and tell that it began.

    Args:
        telling: The transaction.
        identity: The hold.
        ids: The store's numbers.
        zero_mono_ns: Monotonic time of the hold's zero, ns.
        simulated: Whether its time is simulated.
        version: The software's.
        by: Where the command came from.
        told: What the event says beside the usual.
    """
    recipe = identity.recipe
    insert_begun(
        telling.connection,
        identity,
        ids.boot(telling.connection, identity.started_utc_ns),
        (zero_mono_ns, zero_mono_ns),
        simulated=simulated,
        version=version,
    )
    data = {
        "hold": identity.id,
        "unit": identity.unit,
        "procedure": recipe.procedure,
        "recipe": recipe.name,
        "refrigerant": recipe.refrigerant,
        "criterion": recipe.criterion.text,
        "by": by,
        **(told or {}),
    }
    telling.tell(
        Draft("holdwatch.hold.started", identity.started_utc_ns, data, identity.bay, identity.id)
    )


class HoldRunner:
    """Feeds one hold and writes what it tells.

    Readings must be handed to the recorder before they are fed, so that whatever a hold tells
    is never on the disk without the readings it rests on.

    Args:
        identity: The hold.
        hold: The state machine, fresh or replayed.
        events: Where transactions go.
        utc_ns: The clock's wall time.
        zero_mono_ns: Monotonic time of the hold's zero, ns.
        told: Notices that are events already.
        curve_told: How many curve points are in the store.
        newest_ns: Hold time of the newest reading or mark it was fed, ns.
        version: The software's.
    """

    def __init__(
        self,
        identity: HoldIdentity,
        hold: Hold,
        events: EventLog,
        utc_ns: Callable[[], int],
        *,
        zero_mono_ns: int,
        told: Iterable[Told] = (),
        curve_told: int = 0,
        newest_ns: int | None = None,
        version: str,
    ) -> None:
        self.identity = identity
        self.hold = hold
        self.zero_mono_ns = zero_mono_ns
        self.alarm: Say | None = None
        self._broken: Verdict | None = None
        self._ended = False
        self._events = events
        self._utc_ns = utc_ns
        self._version = version
        self._told = set(told)
        self._curve_told = curve_told
        self._newest_ns = newest_ns
        self._queue: list[tuple[int, str, Quantity, float, Quality]] = []
        self._late = 0

    @property
    def verdict(self) -> Verdict | None:
        """The verdict, once there is one."""
        return self._broken or self.hold.verdict

    @property
    def end_mono_ns(self) -> int:
        """Monotonic time of the newest reading that was fed, ns."""
        return self.zero_mono_ns + (self._newest_ns or 0)

    def is_late(self, reading: Reading) -> bool:
        """Whether a reading lags so far behind that it is not judged (and must not be fed)."""
        t_ns = reading.mono_ns - self.zero_mono_ns
        if self._queue and t_ns < (self._newest_ns or 0) - WAIT_NS:
            return t_ns >= 0
        return t_ns >= 0 and self.hold.is_late(t_ns)

    def count_late(self) -> None:
        """Note a late reading; the first one is told."""
        self._late += 1
        if self._late == 1:
            late = Say("hold.late_reading")
            data = {"hold": self.identity.id, "text": render(late), "said": said(text=late)}
            self._events.tell(self._draft("holdwatch.hold.noted", data))

    def feed(self, reading: Reading) -> None:
        """Judge one reading of the bay; other channels and earlier times are ignored."""
        self.queue(reading)
        self.feed_queue()

    def queue(self, reading: Reading) -> None:
        """Take one reading of the bay as `feed` does, and judge it at the next ``feed_queue``."""
        channel, quantity, _, mono_ns, value, quality = reading
        role = self.identity.channels.get(channel)
        t_ns = mono_ns - self.zero_mono_ns
        if role is None or t_ns < 0 or self._broken or self.hold.verdict:
            return
        if self._newest_ns is None or t_ns > self._newest_ns:
            self._newest_ns = t_ns
        self._queue.append((t_ns, role, quantity, value, quality))

    def feed_queue(self) -> None:
        """Judge the readings that wait, in the order in which they came."""
        if not self._queue:
            if self.verdict is not None and not self._ended:
                self._write([])  # the judging failed where nobody wrote: a screen had asked
            return
        readings, self._queue = self._queue, []
        try:
            notices = self.hold.feed_many(readings)
        except Exception as error:  # noqa: BLE001 - one hold's mistake must not stop the others
            self.fail(error)
            notices = []
        points = self.hold.curve_since(self._curve_told)
        if notices or points or self.verdict is not None:
            self._write(notices)

    def progress(self) -> Progress:
        """Return how the hold stands; one whose judging failed is done."""
        try:
            progress = self.hold.progress()
        except Exception as error:  # noqa: BLE001 - as in feed; the service ends it at its next tick
            self.fail(error)
            progress = _no_progress((self._newest_ns or 0) / 1e9)
        if self._broken is None:
            return progress
        return replace(progress, phase=Phase.DONE, sentence=self._broken.sentence)

    def say_isolated(self, mono_ns: int, also: Callable[[Telling], None]) -> asyncio.Future[None]:
        """Take the procedure's mark at a monotonic time; ``also`` joins its transaction."""
        return self._mark(mono_ns, MARK_WORD[self.identity.recipe.procedure], also)

    def extend(
        self, mono_ns: int, minutes: float, also: Callable[[Telling], None]
    ) -> asyncio.Future[None]:
        """Let the hold last longer, by minutes; ``also`` joins the transaction."""
        return self._mark(mono_ns, f"extended {minutes:g}", also)

    def _mark(
        self, mono_ns: int, word: str, also: Callable[[Telling], None]
    ) -> asyncio.Future[None]:
        t_ns = max(mono_ns - self.zero_mono_ns, 0)
        self._newest_ns = t_ns if self._newest_ns is None else max(self._newest_ns, t_ns)
        try:
            notices = self.hold.mark(t_ns, word)
        except Exception as error:  # noqa: BLE001 - as in feed
            self.fail(error)
            notices = []

        def mark(telling: Telling) -> None:
            rows.insert_mark(telling.connection, self.identity.id, t_ns, word)

        return self._write(notices, before=mark, after=also)

    def finish(
        self, why: str | None = None, also: Callable[[Telling], None] | None = None
    ) -> asyncio.Future[None]:
        """End the hold with what there is.

        Args:
            why: Told in a ``hold.stopped`` event; None where no person stopped it.
            also: Joins the transaction.
        """
        self.decide()

        def before(telling: Telling) -> None:
            if why is not None:
                data = {"hold": self.identity.id, "text": why}
                telling.tell(self._draft("holdwatch.hold.stopped", data))

        return self._write([], before=before, after=also)

    def decide(self) -> Verdict:
        """End the judging and return its verdict, without writing it yet."""
        if self._broken is not None:
            return self._broken
        try:
            return self.hold.finish()
        except Exception as error:  # noqa: BLE001 - as in feed
            return self.fail(error)

    def tell_untold(self, notices: Iterable[Notice]) -> None:
        """Write what a replay told that had not reached the store before the process ended."""
        self._write(list(notices))

    def is_overdue(self, now_mono_ns: int, grace_ns: int = OVERDUE_NS) -> bool:
        """Whether the hold's time is up and no reading came to say so."""
        elapsed_ns = now_mono_ns - self.zero_mono_ns
        if elapsed_ns <= self.hold.longest_min * 60e9 + grace_ns:
            return False  # its time counts from a mark that is not before its zero
        return elapsed_ns > self.progress().latest_end_s * 1e9 + grace_ns

    def fail(self, error: Exception) -> Verdict:
        """End a hold whose judging failed: never a pass, and the readings are kept."""
        if self._broken is None:
            log.error("hold %s could not be judged", self.identity.id, exc_info=error)
            self._broken = failed_judging(self.identity.recipe, self._version, error)
        return self._broken

    def break_off(self, sentence: str, reason: str) -> None:
        """End a hold whose record is lost, whatever it was about to say: never a pass."""
        text = failed_judging(self.identity.recipe, self._version, RuntimeError(reason))
        self._broken = replace(text, sentence=as_written(sentence), reasons=(as_written(reason),))

    def _write(
        self,
        notices: list[Notice],
        *,
        before: Callable[[Telling], None] | None = None,
        after: Callable[[Telling], None] | None = None,
    ) -> asyncio.Future[None]:
        """Write notices, new curve points and the verdict, if it has come, in one transaction."""
        drafts = [draft for notice in notices if (draft := self._notice(notice)) is not None]
        first, points = self._curve_told, self.hold.curve_since(self._curve_told)
        self._curve_told += len(points)
        verdict = None if self._ended else self.verdict
        self._ended = self._ended or verdict is not None
        end_t_ns = max(self._newest_ns or 0, 0)
        now_ns, identity = self._utc_ns(), self.identity

        def work(telling: Telling) -> None:
            if before is not None:
                before(telling)
            rows.insert_curve(telling.connection, identity.id, first, points)
            for draft in drafts:
                telling.tell(draft)
            if verdict is not None:
                rows.end_hold(telling.connection, identity.id, rfc3339(now_ns), end_t_ns, verdict)
                telling.tell(self._verdict_draft(verdict, now_ns))
                settle(telling, identity.id, now_ns)
            if after is not None:
                after(telling)

        if verdict is not None:
            log.info("bay %s hold %s ends: %s", identity.bay, identity.id, render(verdict.sentence))
        # Points of the curve alone follow from the readings, and are made again with them.
        durable = bool(drafts) or verdict is not None or before is not None or after is not None
        future = self._events.transact(work, durable=durable)
        future.add_done_callback(self._written)
        return future

    def _written(self, future: asyncio.Future[None]) -> None:
        if not future.cancelled() and (error := future.exception()) is not None:
            log.error("hold %s could not be written: %s", self.identity.id, error)

    def _notice(self, notice: Notice) -> Draft | None:
        """Return the event of a notice that is not told yet."""
        if notice.kind is NoticeKind.VERDICT:
            return None
        kind = _EVENT_OF[notice.kind]
        text = render(notice.text)
        key = (kind, notice.t_ns, text)
        if key in self._told:
            return None
        self._told.add(key)
        if notice.kind is NoticeKind.ALARM:
            self.alarm = notice.text
        data: dict[str, object] = {
            "hold": self.identity.id,
            "t_s": notice.t_ns / 1e9,
            "text": text,
            "causes": [str(cause) for cause in notice.causes],
            "said": said(text=notice.text),
        }
        if notice.kind is NoticeKind.PHASE:
            data["phase"] = str(self.progress().phase)
        return self._draft(kind, data)

    def _verdict_draft(self, verdict: Verdict, now_ns: int) -> Draft:
        identity = self.identity
        data = verdict.to_dict() | {
            "hold": identity.id,
            "unit": identity.unit,
            "recipe": identity.recipe.name,
        }
        return Draft("holdwatch.verdict", now_ns, data, identity.bay, identity.id)

    def _draft(self, kind: EventType, data: Mapping[str, object]) -> Draft:
        return Draft(kind, self._utc_ns(), dict(data), self.identity.bay, self.identity.id)


def failed_judging(recipe: Recipe, version: str, error: Exception) -> Verdict:
    """Return the verdict of a hold whose judging raised an error."""
    text = Say("reason.judging_failed", error=f"{type(error).__name__}: {error}")
    return Verdict(
        outcome=Outcome.INCONCLUSIVE,
        causes=(),
        reasons=(text, Say("reason.judge_again")),
        decided_at_s=None,
        leak=unknown_leak(recipe),
        smallest_visible_g_per_year=None,
        pressure_change_raw_pa=None,
        pressure_change_compensated_pa=None,
        criterion_kind=recipe.criterion.kind,
        criterion_limit=recipe.criterion.limit,
        criterion_source=recipe.criterion.source,
        settled_at_s=None,
        mark_s=None,
        readings_used=0,
        readings_sha256=hashlib.sha256(TRACE_HEADER).hexdigest(),
        version=version,
        procedure=recipe.procedure,
        sentence=Say("verdict.judging_failed"),
    )


def _no_progress(elapsed_s: float) -> Progress:
    return Progress(
        phase=Phase.DONE,
        elapsed_s=elapsed_s,
        since_mark_s=None,
        sentence=Say("nothing"),
        leak=None,
        smallest_visible_g_per_year=None,
        criterion_g_per_year=None,
        pressure_change_raw_pa=None,
        pressure_change_compensated_pa=None,
        earliest_end_s=None,
        latest_end_s=elapsed_s,
        pressure_pa=None,
        temperature_k=None,
    )
