"""Builds a job's report as data: a page for the customer, one for the shop, a hash over both."""

from __future__ import annotations

import hashlib
import json
import math
from datetime import date  # noqa: TC003 (pydantic needs it when the class is made)
from typing import TYPE_CHECKING, Any, Final

from holdwatch_procedures.vehicles.job import (
    NOT_JUDGED_HERE,
    WHOLE,
    HoldEntry,
    Job,
    Points,
)
from holdwatch_procedures.vehicles.validation import Row, Text, VehicleError, Word, load_row
from holdwatch_procedures.vehicles.vehicle import Vehicle  # noqa: TC001 (the same)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from holdwatch_procedures.vehicles.balance import Balance
    from holdwatch_procedures.vehicles.components import ComponentTree
    from holdwatch_procedures.vehicles.sections import SectionReading
    from holdwatch_procedures.vehicles.suspects import Likelihoods, Ranking

FORMAT: Final = 1
_HASH_KEY: Final = "content_sha256"
_SHOWN_SUSPECTS: Final = 5


class CurvePointRow(Row):
    """One point of a proof's curve: seconds since the hold's start, pressure changes in Pa."""

    t_s: float
    compensated_pa: float | None = None
    criterion_pa: float | None = None
    leak_g_per_year: float | None = None
    low_g_per_year: float | None = None
    high_g_per_year: float | None = None


class ProofRow(Row):
    """A hold with its curve for drawing."""

    hold: HoldEntry
    curve: tuple[CurvePointRow, ...] = ()


class ChargeRow(Row):
    """One line of the charge history."""

    on: date
    what: Word
    grams: float


class SuspectRow(Row):
    """One line of the suspects: place, its share, what speaks for and against it."""

    place: Word
    name: Word
    share: float
    findings: tuple[Text, ...]


class CustomerPage(Row):
    """What the customer reads: plain sentences, no figure without a meaning."""

    title: Text
    complaint: Text
    found: tuple[Text, ...]
    done: tuple[Text, ...]
    proof: tuple[Text, ...]
    charge_history: tuple[ChargeRow, ...]
    outlook: Text
    advice: tuple[Text, ...]
    come_back_on: date | None


class ShopPage(Row):
    """What the shop keeps: everything the verdict and the search rest on."""

    unit: Vehicle
    work_order: Job
    proofs: tuple[ProofRow, ...]
    balance: dict[str, Any] | None
    suspects: tuple[SuspectRow, ...]
    sections: tuple[Text, ...]
    open_points: tuple[Text, ...]


class Report(Row):
    """A report; ``content_sha256`` is the hash over all else in its canonical JSON."""

    format: int
    version: Word
    made_on: date
    customer: CustomerPage
    shop: ShopPage
    content_sha256: str

    def to_json(self) -> str:
        """Return the report as JSON text."""
        return json.dumps(self.model_dump(mode="json"), ensure_ascii=False, allow_nan=False)


def build_report(
    unit: Vehicle,
    work_order: Job,
    *,
    history: Sequence[Job],
    tree: ComponentTree,
    table: Likelihoods,
    made_on: date,
    version: str,
    balance: Balance | None = None,
    ranking: Ranking | None = None,
    sections: SectionReading | None = None,
    curves: Mapping[str, Sequence[CurvePointRow]] | None = None,
    open_points: Sequence[str] = (),
) -> Report:
    """Return the report of a visit.

    Args:
        unit: The unit.
        work_order: The visit.
        history: All its visits, this one among them, for the charge history.
        tree: The unit's component tree, for the names of places.
        table: The likelihood table, for the names of means.
        made_on: Day of the report.
        version: Version of the software.
        balance: Charge balance, where there is one.
        ranking: Suspects, where something was looked at.
        sections: What the holds on sections said.
        curves: Curve of a hold by its id.
        open_points: What the work order has not answered, in words.
    """
    drawn = curves or {}
    proofs = tuple(
        ProofRow(hold=hold, curve=tuple(drawn.get(hold.hold_id, ()))) for hold in work_order.holds
    )
    content: dict[str, Any] = {
        "format": FORMAT,
        "version": version,
        "made_on": made_on.isoformat(),
        "customer": CustomerPage(
            title=f"{unit.name}, visit of {work_order.opened_on.isoformat()}",
            complaint=work_order.complaint,
            found=_found(work_order, tree, table, sections),
            done=_done(work_order, tree),
            proof=tuple(_proof(hold, tree) for hold in work_order.holds),
            charge_history=_charges(history),
            outlook=_outlook(balance, is_mended=_is_mended(work_order)),
            advice=work_order.advice,
            come_back_on=_come_back(work_order),
        ).model_dump(mode="json"),
        "shop": ShopPage(
            unit=unit,
            work_order=work_order,
            proofs=proofs,
            balance=None if balance is None else balance.to_dict(),
            suspects=() if ranking is None else _suspects(ranking),
            sections=_section_lines(sections),
            open_points=tuple(open_points),
        ).model_dump(mode="json"),
    }
    return Report.model_validate({**content, _HASH_KEY: content_hash(content)})


def content_hash(content: Mapping[str, Any]) -> str:
    """Return the SHA-256 of a report's canonical JSON, its own hash left out.

    Canonical: keys sorted, no spaces, UTF-8, numbers in their shortest round-trip form.
    """
    rest = {key: value for key, value in content.items() if key != _HASH_KEY}
    text = json.dumps(
        rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
    )
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def read_report(mapping: Mapping[str, Any], *, where: str = "report") -> Report:
    """Return a report from its JSON, if its hash is that of its content.

    Raises:
        VehicleError: A key is wrong, or the content is not what was hashed.
    """
    made = load_row(Report, mapping, where=where)
    if content_hash(mapping) != made.content_sha256:
        raise VehicleError(
            f"{where}: its content is not what its hash was made of: it was changed afterwards"
        )
    return made


def differences(report: Report, rebuilt: Report) -> list[str]:
    """Return the places at which a report and one rebuilt from the store differ, with both values.

    The day and version of the making are left out: they may differ.
    """
    left = report.model_dump(mode="json", exclude={"made_on", "version", _HASH_KEY})
    right = rebuilt.model_dump(mode="json", exclude={"made_on", "version", _HASH_KEY})
    return list(_differ("", left, right))


def _differ(path: str, left: Any, right: Any) -> Iterator[str]:
    if isinstance(left, dict) and isinstance(right, dict):
        for key in sorted({*left, *right}):
            yield from _differ(f"{path}.{key}".strip("."), left.get(key), right.get(key))
    elif isinstance(left, list) and isinstance(right, list) and len(left) == len(right):
        for index, (one, other) in enumerate(zip(left, right, strict=True)):
            yield from _differ(f"{path}[{index}]", one, other)
    elif left != right:
        yield f"{path}: the report says {_short(left)}, the store {_short(right)}"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 80 else text[:77] + "…"


def _found(
    order: Job, tree: ComponentTree, table: Likelihoods, sections: SectionReading | None
) -> tuple[str, ...]:
    words = {Points.FOR: "points to a leak", Points.AGAINST: "nothing found"}
    told = []
    for finding in order.findings:
        note = f" ({finding.note})" if finding.note else ""
        means = table.by_key(finding.means).name
        told.append(f"{tree.name(finding.place)}: {means}, {words[finding.points]}{note}.")
    return (*told, *(() if sections is None else (sections.sentence,)))


def _done(order: Job, tree: ComponentTree) -> tuple[str, ...]:
    done = [f"{tree.name(repair.place)}: {repair.act}." for repair in order.repairs]
    fitted = [f"Fitted: {part.quantity} × {part.name}." for part in order.parts]
    dyed = [f"Dye for the next search: {entry.amount_ml:g} ml." for entry in order.dye]
    return (*done, *fitted, *dyed)


def _proof(hold: HoldEntry, tree: ComponentTree) -> str:
    """A hold in plain words, with the smallest leak it could have seen: a pass means no more."""
    told = hold.sentence or f"{hold.procedure} hold: {hold.outcome}."
    gas = "under nitrogen" if hold.procedure == "pressure-decay" else "under vacuum"
    part = tree.name(hold.section)
    alone = "" if hold.section == tree.root else " alone"
    when = "After the repair, " if hold.after_repair else ""
    told = f"{when}{part}{alone} {gas}: {told}"
    told = told[:1].upper() + told[1:]
    if hold.judged_elsewhere:
        return f"{NOT_JUDGED_HERE[:1].upper()}{NOT_JUDGED_HERE[1:]}, and no proof: {told}"
    if hold.smallest_visible is None:
        return told
    return f"{told} It could have seen leaks above {hold.smallest_visible:.0f} g a year."


def _charges(history: Sequence[Job]) -> tuple[ChargeRow, ...]:
    weighings = [weighing for visit in history for weighing in visit.weighings]
    return tuple(
        ChargeRow(on=weighing.on, what=weighing.kind.value, grams=weighing.grams)
        for weighing in sorted(weighings, key=lambda weighing: weighing.on)
    )


def _come_back(order: Job) -> date | None:
    days = [answer.look_again_on for answer in order.answers if answer.look_again_on is not None]
    return min(days, default=None)


def _is_mended(order: Job) -> bool:
    """Whether the newest nitrogen hold of the whole system after the repair passed."""
    proofs = [
        hold
        for hold in order.holds
        if hold.procedure == "pressure-decay" and hold.section == WHOLE and hold.after_repair
    ]
    if not order.repairs or not proofs:
        return False
    return proofs[-1].outcome == "pass" and not proofs[-1].judged_elsewhere


def _outlook(balance: Balance | None, *, is_mended: bool) -> str:
    """Say in plain words what the weights tell, and when poor cooling would be noticed."""
    if balance is None:
        return (
            "Two weights, one going in and one coming out later, are needed to say how much leaks."
        )
    if balance.high is None:
        told = f"At least {max(balance.low, 0):.0f} g a year were lost."
    elif balance.low > 0.0:
        told = f"Between {balance.low:.0f} and {balance.high:.0f} g a year were lost."
    else:
        told = f"The weights show no loss; up to {max(balance.high, 0):.0f} g a year may go unseen."
    if is_mended:
        return f"Before the repair: {told[:1].lower()}{told[1:]} The next weighing shows how it is."
    if balance.noticed is None or balance.noticed[0] is None:
        return told
    first, last = balance.noticed
    end = "" if last is None else f" and {last:%B %Y}"
    begin = "between" if last is not None else "not before"
    return f"{told} At this rate poor cooling would be noticed {begin} {first:%B %Y}{end}."


def _suspects(ranking: Ranking) -> tuple[SuspectRow, ...]:
    """Return the likeliest places, and one line for all others, so that the shares sum to 1."""
    rows = [
        SuspectRow(
            place=suspect.place,
            name=suspect.name,
            share=suspect.share,
            findings=tuple(
                f"{weighed.finding.points} × {weighed.ratio:.2f}: {'; '.join(weighed.why)}"
                for weighed in suspect.findings
            ),
        )
        for suspect in ranking.suspects[:_SHOWN_SUSPECTS]
    ]
    others = ranking.suspects[_SHOWN_SUSPECTS:]
    if others:
        rest = math.fsum(suspect.share for suspect in others)
        name = f"{len(others)} other places together"
        rows.append(SuspectRow(place="others", name=name, share=rest, findings=()))
    return tuple(rows)


def _section_lines(sections: SectionReading | None) -> tuple[str, ...]:
    if sections is None:
        return ()
    parts = [part.sentence for part in sections.sections]
    return (*parts, *(made.sentence for made in sections.comparisons), sections.sentence)
