"""Runs a bay's hold: readings go in, its events are written in whole transactions and passed on."""

from __future__ import annotations

import hashlib
import logging
from dataclasses import replace
from typing import TYPE_CHECKING, TypeAlias

from holdwatch_daemon.jobs.hold_binding import settle
from holdwatch_daemon.store import rows
from holdwatch_daemon.store.events import Draft
from holdwatch_daemon.store.hold_identity import insert_begun
from holdwatch_daemon.timestamps import rfc3339
from holdwatch_physics.trace_line import TRACE_HEADER
from holdwatch_procedures.holds import (
    MARK_WORD,
    WAIT_NS,
    AlarmRaised,
    CurvePoint,
    Decided,
    Mark,
    Noted,
    Outcome,
    Phase,
    PhaseChanged,
    Progress,
    Readings,
    Restarted,
    Verdict,
    curve_of,
    unknown_leak,
)
from holdwatch_procedures.wording import Say, as_written, render, said

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterable, Mapping

    from holdwatch_daemon.messages import EventType
    from holdwatch_daemon.store.events import EventLog, Telling
    from holdwatch_daemon.store.hold_identity import HoldIdentity
    from holdwatch_daemon.store.rows import Ids
    from holdwatch_physics.reading import Quality, Quantity, Reading
    from holdwatch_procedures.holds import Cause, Hold, HoldEvent, Recipe

log = logging.getLogger(__name__)

OVERDUE_NS = 15_000_000_000
"""How long past its latest end a hold waits for a reading that ends it, ns."""

Announced: TypeAlias = AlarmRaised | Decided
"""What a bay is told of its hold, once it is on its way to the disk."""

Told = tuple[str, int, str]
"""Type, hold time in ns and text of an event: what tells one of a hold's events from another."""


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
        told: What is told in the store already.
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
        self._listen: Callable[[HoldRunner, Announced], None] | None = None
        self._unheard: list[Announced] = []
        self.written: asyncio.Future[None] | None = None
        self._broken: Verdict | None = None
        self._decided = False  # nothing more is judged
        self._ended = False  # and the verdict is written
        self._last: list[HoldEvent] = []
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

    def listen(self, listener: Callable[[HoldRunner, Announced], None]) -> None:
        """Let somebody be told of an alarm and, once, of the verdict; of what was, at once."""
        self._listen = listener
        self._pass_on([])

    def is_late(self, reading: Reading) -> bool:
        """Whether a reading lags so far behind that it is not judged (and must not be put)."""
        t_ns = reading.mono_ns - self.zero_mono_ns
        return 0 <= t_ns < (self._newest_ns or 0) - WAIT_NS

    def count_late(self) -> None:
        """Note a late reading; the first one is told."""
        self._late += 1
        if self._late == 1:
            late = Say("hold.late_reading")
            data = {"hold": self.identity.id, "text": render(late), "said": said(text=late)}
            self._events.tell(self._draft("holdwatch.hold.noted", data))

    def put(self, reading: Reading) -> None:
        """Take one reading of the bay, to be judged at the next `judge`.

        Other channels and earlier times are ignored.
        """
        channel, quantity, _, mono_ns, value, quality = reading
        role = self.identity.channels.get(channel)
        t_ns = mono_ns - self.zero_mono_ns
        if role is None or t_ns < 0 or self._decided:
            return
        if self._newest_ns is None or t_ns > self._newest_ns:
            self._newest_ns = t_ns
        self._queue.append((t_ns, role, quantity, value, quality))

    def judge(self) -> None:
        """Judge the readings that were put, in the order in which they came."""
        if not self._queue:
            if self._broken is not None and not self._ended:
                self._write([])  # the judging failed where nobody wrote: a screen had asked
            return
        readings, self._queue = self._queue, []
        events = self._judged(lambda: self.hold.take(Readings.of(readings)))
        if events or self._broken is not None:
            self._write(events)

    def _judged(self, judging: Callable[[], list[HoldEvent]]) -> list[HoldEvent]:
        """Return what comes of some judging; where it fails, the hold has ended."""
        if self._broken is not None:
            return []
        try:
            events = judging()
        except Exception as error:  # noqa: BLE001 - one hold's mistake must not stop the others
            self.fail(error)
            return []
        self._decided = self._decided or any(isinstance(event, Decided) for event in events)
        return events

    def progress(self) -> Progress:
        """Return how the hold stands; one whose judging failed is done."""
        try:
            progress = self.hold.snapshot()
        except Exception as error:  # noqa: BLE001 - as in _judged; the service ends it at its next tick
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
        events = self._judged(lambda: self.hold.take(Mark(t_ns, word)))

        def mark(telling: Telling) -> None:
            rows.insert_mark(telling.connection, self.identity.id, t_ns, word)

        return self._write(events, before=mark, after=also)

    def finish(
        self, why: str | None = None, also: Callable[[Telling], None] | None = None
    ) -> asyncio.Future[None]:
        """End the hold with what there is.

        Args:
            why: Told in a ``hold.stopped`` event; None where no person stopped it.
            also: Joins the transaction.
        """
        self._last += self._judged(self.hold.finish)

        def before(telling: Telling) -> None:
            if why is not None:
                data = {"hold": self.identity.id, "text": why}
                telling.tell(self._draft("holdwatch.hold.stopped", data))

        events, self._last = self._last, []
        return self._write(events, before=before, after=also)

    def decide(self) -> Verdict:
        """End the judging and return its verdict; `finish` writes it."""
        self._last += self._judged(self.hold.finish)
        return self.verdict or self.fail(RuntimeError("a finished hold must have a verdict"))

    def tell_untold(self, events: Iterable[HoldEvent]) -> None:
        """Write what a replay told that had not reached the store before the process ended."""
        untold: list[HoldEvent] = []
        stored = self._curve_told  # its points are the first ones
        for event in events:
            if isinstance(event, CurvePoint) and stored:
                stored -= 1
            else:
                untold.append(event)
        self._decided = self._decided or self.hold.verdict is not None
        self._write(untold)

    def is_overdue(self, now_mono_ns: int, grace_ns: int = OVERDUE_NS) -> bool:
        """Whether the hold must be finished: its time is up and no reading came to say so.

        Or its judging failed where nobody wrote.
        """
        if self._broken is not None and not self._ended:
            return True
        elapsed_ns = now_mono_ns - self.zero_mono_ns
        if elapsed_ns <= self.hold.longest_min * 60e9 + grace_ns:
            return False  # its time counts from a mark that is not before its zero
        return elapsed_ns > self.progress().latest_end_s * 1e9 + grace_ns

    def fail(self, error: Exception) -> Verdict:
        """End a hold whose judging failed: never a pass, and the readings are kept."""
        self._decided = True
        if self._broken is None:
            log.error("hold %s could not be judged", self.identity.id, exc_info=error)
            self._broken = failed_judging(self.identity.recipe, self._version, error)
        return self._broken

    def break_off(self, sentence: str, reason: str) -> None:
        """End a hold whose record is lost, whatever it was about to say: never a pass."""
        self._decided = True
        text = failed_judging(self.identity.recipe, self._version, RuntimeError(reason))
        self._broken = replace(text, sentence=as_written(sentence), reasons=(as_written(reason),))

    def _write(
        self,
        events: list[HoldEvent],
        *,
        before: Callable[[Telling], None] | None = None,
        after: Callable[[Telling], None] | None = None,
    ) -> asyncio.Future[None]:
        """Write events, curve points and the verdict, if it has come, in one transaction."""
        told = [(event, draft) for event in events if (draft := self._draft_of(event)) is not None]
        drafts = [draft for _, draft in told]
        first, points = self._curve_told, curve_of(events)
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
        self.written = future = self._events.transact(work, durable=durable)
        future.add_done_callback(self._say_lost)
        heard: list[Announced] = [event for event, _ in told if isinstance(event, AlarmRaised)]
        if verdict is not None:
            heard.append(Decided(end_t_ns, verdict))
        self._pass_on(heard)
        return future

    def _pass_on(self, heard: list[Announced]) -> None:
        """Tell the listener; what comes before there is one waits for it."""
        self._unheard += heard
        listener = self._listen
        if listener is not None:
            unheard, self._unheard = self._unheard, []
            for event in unheard:
                listener(self, event)

    def _say_lost(self, future: asyncio.Future[None]) -> None:
        if not future.cancelled() and (error := future.exception()) is not None:
            log.error("hold %s could not be written: %s", self.identity.id, error)

    def _draft_of(self, event: HoldEvent) -> Draft | None:
        """Return the draft of an event that is not told yet."""
        kind: EventType
        causes: tuple[Cause, ...] = ()
        match event:
            case CurvePoint() | Decided():
                return None  # written each in its own way
            case PhaseChanged():
                kind = "holdwatch.hold.phase"
            case Restarted(causes=causes):
                kind = "holdwatch.hold.restarted"
            case Noted(causes=causes) | AlarmRaised(causes=causes):
                kind = "holdwatch.hold.noted"
        text = render(event.text)
        key = (kind, event.t_ns, text)
        if key in self._told:
            return None
        self._told.add(key)
        data: dict[str, object] = {
            "hold": self.identity.id,
            "t_s": event.t_ns / 1e9,
            "text": text,
            "causes": [str(cause) for cause in causes],
            "said": said(text=event.text),
        }
        if isinstance(event, PhaseChanged):
            data["phase"] = str(event.phase)
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
