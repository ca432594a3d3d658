"""Pairs the weighings of a vehicle's jobs for the charge balance."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from typing import TYPE_CHECKING

from holdwatch_procedures.vehicles.balance import Allowances, Balance, Pair, balance
from holdwatch_procedures.vehicles.job import Weighing, WeighingKind

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from holdwatch_procedures.vehicles.job import Job
    from holdwatch_procedures.vehicles.vehicle import Vehicle


@dataclass(frozen=True, slots=True)
class ChargeHistory:
    """The pairs that weighings make, and those that pair with nothing, with the reason.

    ``open_charge`` is the newest charge (with its top-ups, g) that no recovery has followed yet.
    """

    pairs: tuple[Pair, ...]
    unpaired: tuple[tuple[Weighing, str], ...]
    open_charge: tuple[float, date] | None


def at_noon(day: date) -> datetime:
    """Return a day as a moment, so that differences of days are whole."""
    return datetime(day.year, day.month, day.day, 12, tzinfo=UTC)


def pair_up(weighings: Iterable[Weighing]) -> ChargeHistory:
    """Pair each charge (with its top-ups) with the recovery that followed it.

    Within a day the order given is kept, but for one slip: a visit that found the unit charged
    and lists its own charge before its recovery is read the other way round. What is charged and
    recovered within one day is a trial of the shop's and pairs with nothing.
    """
    pairs: list[Pair] = []
    unpaired: list[tuple[Weighing, str]] = []
    charge: Weighing | None = None
    top_ups: tuple[float, ...] = ()
    by_day = groupby(sorted(weighings, key=lambda one: one.on), key=lambda one: one.on)
    for _, same in by_day:
        for weighing in _in_order(list(same), charged_before=charge is not None):
            if weighing.kind is WeighingKind.RECOVERED:
                if charge is None:
                    unpaired.append((weighing, "no charge before it is known"))
                elif charge.on == weighing.on:
                    unpaired.append((weighing, "recovered on the day it was charged"))
                else:
                    pairs.append(_pair(charge, top_ups, weighing))
                charge, top_ups = None, ()
            elif weighing.tops_up and charge is not None:
                top_ups = (*top_ups, weighing.grams)
            elif weighing.tops_up:
                unpaired.append((weighing, "tops up a charge that is not known"))
            else:
                if charge is not None:
                    unpaired.append((charge, "charged again without a recovery or `tops_up`"))
                charge, top_ups = weighing, ()
    left = None if charge is None else (charge.grams + sum(top_ups), charge.on)
    return ChargeHistory(tuple(pairs), tuple(unpaired), left)


def _in_order(same_day: list[Weighing], *, charged_before: bool) -> list[Weighing]:
    """Return a day's weighings, recoveries first where the day cannot begin with its charge."""
    first = same_day[0]
    if charged_before and first.kind is WeighingKind.CHARGED and not first.tops_up:
        return sorted(same_day, key=lambda one: one.kind is WeighingKind.CHARGED)
    return same_day


def _pair(charge: Weighing, top_ups: tuple[float, ...], recovery: Weighing) -> Pair:
    return Pair(
        charge.grams, at_noon(charge.on), recovery.grams, at_noon(recovery.on), top_ups_g=top_ups
    )


def last_repair(work_orders: Iterable[Job]) -> date | None:
    """Return the day of the newest repair over all visits."""
    days = [order.repaired_on for order in work_orders if order.repaired_on is not None]
    return max(days, default=None)


def unit_balance(
    unit: Vehicle,
    work_orders: Sequence[Job],
    *,
    since: date | None = None,
    until: date | None = None,
    unrecovered_g: tuple[float, float] | None = None,
) -> Balance | None:
    """Return the balance over a unit's visits, None where nothing pairs.

    A repair changes the leak, so give ``since`` the day of the last repair to balance what came
    after it, and ``until`` the same day for what came before. The coarsest scale of the visits
    speaks for all.

    Raises:
        VehicleError: Weighings that cannot be.
    """
    weighings = [weighing for order in work_orders for weighing in order.weighings]
    history = pair_up(weighings)
    kept = [
        pair
        for pair in history.pairs
        if (since is None or pair.charged_at >= at_noon(since))
        and (until is None or pair.recovered_at <= at_noon(until))
    ]
    if not kept:
        return None
    plain = Allowances(tolerance_g=max(weighing.tolerance_g for weighing in weighings))
    allowances = plain if unrecovered_g is None else Allowances(plain.tolerance_g, unrecovered_g)
    return balance(
        kept,
        allowances,
        nameplate_g=unit.nameplate_charge_g,
        evaporators=unit.evaporators,
        refilled=None
        if history.open_charge is None
        else (history.open_charge[0], at_noon(history.open_charge[1])),
    )
