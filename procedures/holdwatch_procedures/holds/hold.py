"""Runs a hold as a pure state machine: readings and marks in, events out.

| phase | entered | left |
| --- | --- | --- |
| evacuating (vacuum) | at the beginning; when the pump pulls again | isolated: said, or seen |
| waiting (pressure) | at the beginning | valve closed: said, or charging seen to end |
| settling (pressure) | from waiting; after a disturbance | the heat of charging no longer matters |
| holding | isolated, or settled | decided, void, or time up |
| done | with the verdict | never |

Everything that moves a hold lives in this file.
"""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING

from holdwatch_procedures.holds import reasons
from holdwatch_procedures.holds.blocks import BLOCK_NS
from holdwatch_procedures.holds.estimates import BLOCK_S, Action, Cause, Disturbance
from holdwatch_procedures.holds.events import AlarmRaised, Decided, Noted, PhaseChanged, Restarted
from holdwatch_procedures.holds.order import (
    EXTENDED,
    MARK_WORD,
    Columns,
    Item,
    Ledger,
    Mark,
    Readings,
    Roles,
    Sequencer,
)
from holdwatch_procedures.holds.overpressure import OverPressure
from holdwatch_procedures.holds.scale import charge_density, unknown_leak
from holdwatch_procedures.holds.segment import Segment
from holdwatch_procedures.holds.start import Starter
from holdwatch_procedures.holds.verdict import Outcome, Phase, Progress, Verdict
from holdwatch_procedures.wording import Say

if TYPE_CHECKING:
    from holdwatch_physics.fluids import Fluids
    from holdwatch_procedures.holds.events import HoldEvent
    from holdwatch_procedures.holds.order import Entry
    from holdwatch_procedures.holds.recipe import Recipe
    from holdwatch_procedures.holds.segment import Evaluation


class Hold:
    """One run of a procedure.

    ::

        hold = Hold(recipe, fluids, version="1.0")
        events = hold.take(Mark(0, "valve_closed"))
        events += hold.take(Readings.of([(10**9, "low_side", quantity, 1e6, quality)]))
        events += hold.finish()

    Times are nanoseconds since the hold began. Readings may overtake each other by two seconds.
    The first verdict stands: after `Decided` nothing that is taken changes anything. The same
    readings and marks give the same events, bit for bit, in whatever batches they come, and the
    same verdict in whatever order within those two seconds.

    Args:
        recipe: What to judge by.
        fluids: Fluid properties.
        version: Software version that the verdict names.

    Raises:
        RecipeError: The recipe needs a charge that it does not give.
        FluidError: Its refrigerant has no state at the reference temperature.
    """

    def __init__(self, recipe: Recipe, fluids: Fluids, *, version: str) -> None:
        if charge_density(recipe) is None:
            fluids.saturation_pressure_pa(recipe.refrigerant, recipe.reference_k)
        self.recipe = recipe
        self._verdict: Verdict | None = None
        self._fluids = fluids
        self._version = version
        self._sequencer = Sequencer()
        self._ledger = Ledger()
        self._starter = Starter(recipe)
        self._segment: Segment | None = None
        self._mark_ns: int | None = None
        self._seen = False
        self._first_ns: int | None = None
        self._now_ns = 0
        self._events: list[HoldEvent] = []
        self._causes: list[Cause] = []
        self._found: dict[Say, float] = {}  # what was found, and at which minute first
        self._phase = Phase.EVACUATING if recipe.is_vacuum else Phase.WAITING
        self._alarm = OverPressure(recipe)
        self._over = OverPressure(recipe)
        self._late = 0
        self._roles = Roles(recipe)
        self._extended_min = 0.0
        self._ending: tuple[Outcome, float | None] | None = None

    def take(self, batch: Readings | Mark) -> list[HoldEvent]:
        """Take a batch of readings, or a mark; return what comes of it, in its order.

        What many readings bring about is what a batch for each would bring about.
        """
        if self._verdict is not None:
            return []
        if isinstance(batch, Mark):
            self._take_mark(batch)
        else:
            self._take_readings(batch)
        return self._drain()

    def _take_readings(self, readings: Readings) -> None:
        coming, alarm = zip(*readings, strict=True), self._alarm
        while (odd := self._sequencer.take(coming, self._roles, alarm.floor_pa)) is not None:
            self._process_ready()  # what came before is told before
            if self._verdict is not None:
                return
            self._take_odd(odd)
        if not self._only_fills():
            self._process_ready()

    def _take_mark(self, mark: Mark) -> None:
        if self._sequencer.is_late(mark.t_ns):
            self._count_late(mark.t_ns, "mark")
            return
        self._sequencer.push(Item(mark.t_ns, 0, mark.word, None, 0.0, None))
        self._process_ready()

    def _take_odd(self, item: Item) -> None:
        """Take a reading that is late or may be an alarm."""
        if self._sequencer.is_late(item.t_ns):
            self._count_late(item.t_ns, item.channel)
            return
        text = self._alarm.news(item)
        if text is not None:
            self._events.append(AlarmRaised(item.t_ns, text, (Cause.OVERPRESSURE,)))
        self._sequencer.push(item)

    @property
    def longest_min(self) -> float:
        """How long the hold may last: the recipe's limit and what it was extended by, minutes."""
        return self.recipe.limits.max_duration_min + self._extended_min

    def is_late(self, t_ns: int) -> bool:
        """Whether a reading of this time would come too late to be judged."""
        return self._sequencer.is_late(t_ns)

    @property
    def verdict(self) -> Verdict | None:
        """The verdict that `Decided` told; None while there is none."""
        return self._verdict

    def finish(self) -> list[HoldEvent]:
        """End the hold with what there is; return what comes of it, `Decided` at last.

        Nothing comes of it where the hold has its verdict already.
        """
        if self._verdict is not None:
            return []
        self._process_all(self._sequencer.rest())
        if self._ending is None:
            if self._segment is None:
                self._begin_segment(at_end=True)
            self._evaluate_until(self._now_ns)
        if self._ending is None:
            if self._segment is not None:
                self._segment.finish()
            self._conclude(Outcome.INCONCLUSIVE, decided_s=None)
        self._seal()
        return self._drain()

    def snapshot(self) -> Progress:
        """Return how the hold stands now; asking changes nothing."""
        now_ns = self._now_ns
        if self._verdict is None:
            now_ns = max(now_ns, self._sequencer.newest_ready_ns() or 0)
        segment, mark_ns = self._segment, self._mark_ns
        started_ns = mark_ns if mark_ns is not None else self._first_ns or 0
        latest_s = started_ns / 1e9 + self.longest_min * 60.0
        earliest_s = None if segment is None else segment.earliest_end_s
        estimate = None if segment is None else segment.estimate
        scaled = segment is not None and segment.scale is not None
        return Progress(
            phase=self._phase,
            elapsed_s=now_ns / 1e9,
            since_mark_s=None if mark_ns is None else (now_ns - mark_ns) / 1e9,
            sentence=reasons.progress(self.recipe, self._phase, segment, self._verdict),
            leak=segment.leak if segment is not None and scaled else None,
            smallest_visible_g_per_year=None if segment is None else segment.smallest_visible(),
            criterion_g_per_year=None if segment is None else segment.criterion_g_per_year,
            pressure_change_raw_pa=None if segment is None else segment.raw_change_pa,
            pressure_change_compensated_pa=None if estimate is None else estimate.compensated_pa,
            earliest_end_s=None if earliest_s is None else min(earliest_s, latest_s),
            latest_end_s=latest_s,
            pressure_pa=self._starter.pressure_pa if segment is None else segment.pressure_pa,
            temperature_k=None if segment is None else segment.temperature_k,
        )

    def _drain(self) -> list[HoldEvent]:
        events, self._events = self._events, []
        return events

    def _enter(self, phase: Phase, t_ns: int, text: Say) -> None:
        if phase is not self._phase:
            self._phase = phase
            self._events.append(PhaseChanged(t_ns, phase, text))

    def _count_late(self, t_ns: int, role: str) -> None:
        self._late += 1
        if self._late == 1:
            self._events.append(Noted(t_ns, Say("hold.late", channel=role)))

    def _process_ready(self) -> None:
        self._process_all(self._sequencer.ready())
        if self._ending is not None:
            self._seal()

    def _only_fills(self) -> bool:
        """Whether what is ready would only fill the block now open, so that it can wait."""
        segment, sequencer = self._segment, self._sequencer
        return (
            segment is not None
            and sequencer.watermark_ns <= segment.end_ns
            and not sequencer.marks
            and not (self._seen and self._starter.may_pull_again(self._now_ns))
        )

    def _process_all(self, items: list[Entry]) -> None:
        """Take items in the order of time; the last is the one that ended the hold.

        That one, and what else is of its instant, is entered as judged although it came after
        the end: without it a replay would not know that the time had passed.
        """
        place = 0
        while place < len(items):
            plain = self._plain_from(items, place)
            if plain is not None and self._segment is not None:
                self._ledger.add_readings(plain)
                self._segment.add_many(plain)
                self._now_ns = plain.times_ns[-1]
                place += len(plain.times_ns)
                continue
            item = Item._make(items[place])
            place += 1
            if self._ending is None:
                self._process(item)
            elif item.t_ns > (self._ledger.last_ns or 0):
                return
            else:
                self._ledger.add(item)

    def _plain_from(self, items: list[Entry], place: int) -> Columns | None:
        """The readings from a place on that do nothing but fill the block now open, if any.

        Nearly all readings of a long hold are such; all others are looked at one by one.
        """
        segment, first_ns = self._segment, items[place][0]
        if segment is None or self._ending is not None or first_ns >= segment.end_ns:
            return None
        if self._seen and self._starter.may_pull_again(first_ns):
            return None
        filling = items[place : bisect_left(items, (segment.end_ns,), place)]
        columns, floor_pa = Columns.of(filling), self._over.floor_pa
        if 0 not in columns.ranks and max(columns.values) <= floor_pa:
            return columns
        for at, item in enumerate(filling):
            if item[1] == 0 or (item[4] > floor_pa and self._over.is_above(Item._make(item))):
                return Columns.of(filling[:at]) if at else None
        return columns

    def _process(self, item: Item) -> None:
        """Take one item in the order of time."""
        t_ns = item.t_ns
        if self._first_ns is None:
            self._first_ns = t_ns
        began_ns = self._mark_ns
        if self._segment is None and began_ns is not None and t_ns >= began_ns + BLOCK_NS:
            self._begin_segment(at_end=False)
        if self._segment is not None:
            self._evaluate_until(t_ns)
        elif self._is_overdue(t_ns):
            self._conclude(Outcome.INCONCLUSIVE, decided_s=None)
        self._ledger.add(item)
        if self._ending is not None:
            return
        self._now_ns = t_ns
        over = self._over.news(item)
        if over is not None:
            self._causes.append(Cause.OVERPRESSURE)
            self._found.setdefault(over, t_ns / 60e9)
        if item.quantity is None:
            self._obey_mark(item)
        elif self._segment is not None:
            self._segment.add(item)
            if self._seen and self._starter.pulls_again(item):
                self._evacuate_again(t_ns)
        else:
            self._wait_for_start(item)

    def _obey_mark(self, item: Item) -> None:
        word = item.channel
        extended = EXTENDED.fullmatch(word)
        if extended is not None:
            self._extended_min += float(extended[1])
            text = Say("hold.extended", longer=extended[1])
            self._events.append(Noted(item.t_ns, text))
        if word != MARK_WORD[self.recipe.procedure]:
            return
        self._starter.forget_before(item.t_ns)
        self._segment = None
        self._set_mark(item.t_ns, reasons.started_by_mark(self.recipe))

    def _evacuate_again(self, t_ns: int) -> None:
        """Take back an isolation that was seen and was none."""
        self._starter.begin_again()
        self._segment = self._mark_ns = None
        self._enter(Phase.EVACUATING, t_ns, Say("hold.pulls_again"))

    def _set_mark(self, t_ns: int, text: Say, *, seen: bool = False) -> None:
        self._mark_ns, self._seen = t_ns, seen
        phase = Phase.HOLDING if self.recipe.is_vacuum else Phase.SETTLING
        self._enter(phase, t_ns, text)

    def _wait_for_start(self, item: Item) -> None:
        """Before the start: watch for it in the data, and keep what may belong to the hold."""
        self._starter.add(item)
        if self._mark_ns is None:
            found_ns = self._starter.found_ns
            if found_ns is not None:
                self._set_mark(found_ns, self._starter.text, seen=True)
        for text in self._starter.news():
            self._events.append(Noted(item.t_ns, text))

    def _begin_segment(self, *, at_end: bool) -> None:
        """Start judging from the mark with the readings kept since."""
        if self._mark_ns is None and at_end:
            self._mark_ns = self._starter.fallback_ns()
        start_ns = self._mark_ns
        role = None if start_ns is None else self._starter.role_since(start_ns)
        if start_ns is None or role is None:
            return
        segment = Segment(self.recipe, self._fluids, role, start_ns, before=None)
        self._segment = segment
        for item in self._starter.take_since(start_ns):
            self._evaluate_until(item.t_ns)
            if self._segment is segment and self._ending is None:
                segment.add(item)

    def _evaluate_until(self, t_ns: int) -> None:
        segment = self._segment
        if segment is None:
            return
        for evaluation in segment.close_until(t_ns):
            self._events.append(evaluation.point)
            self._act_on(segment, evaluation)
            if self._ending is not None or self._segment is not segment:
                return

    def _act_on(self, segment: Segment, evaluation: Evaluation) -> None:
        end_ns = segment.start_ns + round((evaluation.block.t_s + BLOCK_S / 2) * 1e9)
        self._now_ns = max(self._now_ns, end_ns)
        if segment.settled_at_s is not None and self._phase is Phase.SETTLING:
            self._enter(Phase.HOLDING, end_ns, Say("hold.settled"))
        if evaluation.decision is not None:
            decided = evaluation.decision is not Outcome.INCONCLUSIVE
            self._conclude(evaluation.decision, decided_s=end_ns / 1e9 if decided else None)
            return
        for disturbance in evaluation.disturbances:
            if self._act_on_disturbance(segment, disturbance, end_ns):
                return
        if self._is_overdue(end_ns):
            self._conclude(Outcome.INCONCLUSIVE, decided_s=None)

    def _act_on_disturbance(self, segment: Segment, disturbance: Disturbance, end_ns: int) -> bool:
        """Act on a disturbance; return whether the segment is over."""
        if disturbance.cause not in self._causes:
            self._causes.append(disturbance.cause)
        is_news = disturbance.text not in self._found
        self._found.setdefault(disturbance.text, (segment.start_s + disturbance.t_s) / 60.0)
        if disturbance.action is Action.NOTE:
            if is_news:
                self._events.append(Noted(end_ns, disturbance.text, (disturbance.cause,)))
            return False
        if disturbance.action is Action.VOID:
            self._conclude(Outcome.INCONCLUSIVE, decided_s=None)
            return True
        if is_news:
            anew = Say("hold.restarted", why=disturbance.text)
            self._events.append(Restarted(end_ns, anew, (disturbance.cause,)))
        self._segment = Segment(self.recipe, self._fluids, segment.role, end_ns, before=segment)
        if not self.recipe.is_vacuum:
            self._phase = Phase.SETTLING
        return True

    def _is_overdue(self, t_ns: int) -> bool:
        start_ns = self._mark_ns if self._mark_ns is not None else self._first_ns
        limit_ns = round(self.longest_min * 60e9)
        return start_ns is not None and t_ns - start_ns >= limit_ns

    def _conclude(self, outcome: Outcome, *, decided_s: float | None) -> None:
        self._ending = (outcome, decided_s)
        self._phase = Phase.DONE

    def _seal(self) -> None:
        """Write the verdict of a hold that has ended; once."""
        if self._verdict is not None or self._ending is None:
            return
        outcome, decided_s = self._ending
        segment = self._segment
        estimate = None if segment is None else segment.ready_estimate
        if outcome is Outcome.INCONCLUSIVE and segment is not None and segment.lost is not None:
            self._causes.append(segment.lost)
        barred = segment is not None and bool(segment.entry_remark) and estimate is not None
        causes = reasons.causes(self.recipe, outcome, self._causes, estimate, barred=barred)
        marked = self._mark_ns is not None
        sha256 = self._ledger.sha256()
        criterion = self.recipe.criterion
        self._verdict = Verdict(
            outcome=outcome,
            causes=causes,
            reasons=reasons.reasons(
                self.recipe, outcome, segment, self._found, causes, marked=marked
            ),
            decided_at_s=decided_s,
            leak=unknown_leak(self.recipe) if segment is None else segment.leak,
            smallest_visible_g_per_year=(
                None if segment is None else segment.smallest_visible(outcome)
            ),
            pressure_change_raw_pa=None if segment is None else segment.raw_change_pa,
            pressure_change_compensated_pa=None if estimate is None else estimate.compensated_pa,
            criterion_kind=criterion.kind,
            criterion_limit=criterion.limit,
            criterion_source=criterion.source,
            criterion_g_per_year=None if segment is None else segment.criterion_g_per_year,
            own_slope_pa_per_s=None if segment is None else segment.own_slope,
            settled_at_s=None if segment is None else segment.settled_s,
            mark_s=None if self._mark_ns is None else self._mark_ns / 1e9,
            readings_used=self._ledger.readings,
            readings_sha256=sha256,
            version=self._version,
            procedure=self.recipe.procedure,
            sentence=reasons.verdict(self.recipe, outcome, segment, causes),
            judged_until_ns=self._ledger.last_ns,
            quality=dict(self._ledger.quality),
        )
        self._events.append(Decided(self._now_ns, self._verdict))


def conclude(hold: Hold) -> Verdict:
    """End a hold with what there is, if it has not ended, and return its verdict."""
    hold.finish()
    if hold.verdict is None:
        raise RuntimeError("a finished hold must have a verdict")
    return hold.verdict
