"""Defines the verdict of a hold, and how one stands that still runs, as plain data."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from holdwatch_physics.substances import refrigerant
from holdwatch_procedures.wording import render, said

if TYPE_CHECKING:
    from holdwatch_procedures.holds.estimates import Cause
    from holdwatch_procedures.wording import Say


class Outcome(StrEnum):
    """The three answers a hold may give."""

    PASS = "pass"  # noqa: S105 (an outcome, no password)
    FAIL = "fail"
    INCONCLUSIVE = "inconclusive"


class Phase(StrEnum):
    """What a hold is doing now."""

    EVACUATING = "evacuating"
    WAITING = "waiting"  # for pressure, or for the valve to be closed
    SETTLING = "settling"
    HOLDING = "holding"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class Figure:
    """A leak in one unit: estimate, deciding bounds, ordinary 95 % interval.

    ``low``, ``high`` and ``interval95`` are None while the engine cannot run yet.
    """

    value: float | None
    low: float | None
    high: float | None
    interval95: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Leak:
    """The leak in every unit of the contract.

    Attributes:
        mol_per_s: Test gas lost (or air drawn in), mol/s.
        pa_m3_per_s: The same as a throughput at ``at_k``, Pa·m³/s.
        at_k: Temperature of that throughput, K.
        g_per_year: Restated for the unit's refrigerant by ``law``, g a year.
        by_law: The estimate restated by either flow law, g a year.
        refrigerant: Canonical refrigerant name.
        law: The law that the criterion is judged on.
        confidence: 1 − false_pass − false_fail.
        restatement_u: Relative standard uncertainty of the restatement (viscosity).
    """

    mol_per_s: Figure
    pa_m3_per_s: Figure
    at_k: float | None
    g_per_year: Figure
    by_law: dict[str, float | None]
    refrigerant: str
    law: str
    confidence: float
    restatement_u: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return the ``leak`` object of the contract."""
        mol, flow, grams = self.mol_per_s, self.pa_m3_per_s, self.g_per_year
        return {
            "mol_per_s": {
                "value": mol.value,
                "low": mol.low,
                "high": mol.high,
                "confidence": self.confidence,
                "interval95": None if mol.interval95 is None else list(mol.interval95),
            },
            "pa_m3_per_s": {
                "value": flow.value,
                "low": flow.low,
                "high": flow.high,
                "at_k": self.at_k,
            },
            "g_per_year": {
                "value": grams.value,
                "low": grams.low,
                "high": grams.high,
                "interval95": None if grams.interval95 is None else list(grams.interval95),
                "refrigerant": refrigerant(self.refrigerant).short_name,
                "law": self.law,
                "by_law": dict(self.by_law),
                "viscosity_relative_u": self.restatement_u,
            },
        }


@dataclass(frozen=True, slots=True)
class Verdict:
    """The end of a hold: one of three outcomes with the figures it rests on.

    Times are seconds from the start of the hold (of the trace); pressures Pa.
    ``own_slope_pa_per_s`` (value, low, high) is what this hold found by itself, before earlier
    ones were taken in; None until its engine could run. Of the readings fed, those up to
    ``judged_until_ns`` were judged: an export writes just them.
    """

    outcome: Outcome
    causes: tuple[Cause, ...]
    reasons: tuple[Say, ...]
    decided_at_s: float | None
    leak: Leak
    smallest_visible_g_per_year: float | None
    pressure_change_raw_pa: float | None
    pressure_change_compensated_pa: float | None
    criterion_kind: str
    criterion_limit: float
    criterion_source: str
    settled_at_s: float | None
    mark_s: float | None
    readings_used: int
    readings_sha256: str
    version: str
    procedure: str
    sentence: Say
    judged_until_ns: int | None = None
    criterion_g_per_year: float | None = None
    own_slope_pa_per_s: tuple[float, float, float] | None = None
    quality: dict[str, int] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object of the contract, with what we add to it."""
        return {
            "outcome": str(self.outcome),
            "causes": [str(cause) for cause in self.causes],
            "reasons": [render(reason) for reason in self.reasons],
            "decided_at_s": self.decided_at_s,
            "leak": self.leak.to_dict(),
            "smallest_visible_g_per_year": self.smallest_visible_g_per_year,
            "pressure_change_pa": {
                "raw": self.pressure_change_raw_pa,
                "compensated": self.pressure_change_compensated_pa,
            },
            "criterion": {
                "kind": self.criterion_kind,
                "limit": self.criterion_limit,
                "source": self.criterion_source,
                "g_per_year": self.criterion_g_per_year,
            },
            "own_slope_pa_per_s": (
                None
                if self.own_slope_pa_per_s is None
                else dict(zip(("value", "low", "high"), self.own_slope_pa_per_s, strict=True))
            ),
            "settled_at_s": self.settled_at_s,
            "readings_used": self.readings_used,
            "readings_sha256": self.readings_sha256,
            "version": self.version,
            "procedure": self.procedure,
            "mark_s": self.mark_s,
            "judged_until_s": (
                None if self.judged_until_ns is None else self.judged_until_ns / 1e9
            ),
            "sentence": render(self.sentence),
            "quality": dict(self.quality),
            "said": said(sentence=self.sentence, reasons=self.reasons),
        }


@dataclass(frozen=True, slots=True)
class Progress:
    """How a hold stands now; figures are None until the engine gives them.

    ``earliest_end_s`` and ``latest_end_s`` count from the start of the hold.
    """

    phase: Phase
    elapsed_s: float
    since_mark_s: float | None
    sentence: Say
    leak: Leak | None
    smallest_visible_g_per_year: float | None
    criterion_g_per_year: float | None
    pressure_change_raw_pa: float | None
    pressure_change_compensated_pa: float | None
    earliest_end_s: float | None
    latest_end_s: float
    pressure_pa: float | None
    temperature_k: float | None
