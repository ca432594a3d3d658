"""A visit that a file brings: what it says of holds and of its end is held against the store."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.jobs.holds import check_unit, hold_entry
from holdwatch_daemon.store import answers, story_rows
from holdwatch_procedures.vehicles.follow_through import check_closable
from holdwatch_procedures.vehicles.overview import open_points_of
from holdwatch_procedures.vehicles.validation import RefusedError, VehicleError

if TYPE_CHECKING:
    from holdwatch_daemon.jobs.book import Page
    from holdwatch_procedures.vehicles.job import HoldEntry, Job
    from holdwatch_procedures.vehicles.overview import Tables

_SAID_AT_BINDING: Final = frozenset({"section", "after_repair"})
"""What is said of a hold when it is bound to a visit; all else is what the store judged."""


def put_brought(page: Page, tables: Tables, order: Job, what: str, *, where: str) -> None:
    """Write a visit that a file brings, in place of what is known of it.

    A hold of this store must be as the store judged and bound it. One that is not stored here is
    kept, marked as not judged here. A visit that is closed here may only come as it is. One that
    the file closes must be such as may close, or be new here with holds that were judged
    elsewhere: the shop it comes from closed it by its own proofs.

    Raises:
        VehicleError: Names file, visit, hold and field, and how to mend.
    """
    at = f"{where}, visit {order.number}"
    known = _known(page, order.number)
    _check_once(order, at)
    holds = tuple(_checked(page, order, hold, known, at) for hold in order.holds)
    order = order.model_copy(update={"holds": holds})
    if known is not None and known.closed_on is not None:
        _check_same(order, known, at)
        return
    page.put_visit(order, what)
    is_moved = known is None and any(hold.judged_elsewhere for hold in holds)
    if order.closed_on is not None and not is_moved:
        _check_may_close(page, tables, order, at)


def _known(page: Page, number: str) -> Job | None:
    if story_rows.unit_of_work_order(page.connection, number) is None:
        return None
    return page.story(number)[1]


def _check_once(order: Job, at: str) -> None:
    twice = [name for name, n in Counter(hold.hold_id for hold in order.holds).items() if n > 1]
    if twice:
        raise RefusedError(f"{at}: hold {twice[0]} stands in it twice: take one of them out")


def _checked(page: Page, order: Job, hold: HoldEntry, known: Job | None, at: str) -> HoldEntry:
    """Return a hold as the store knows it, marked where it does not."""
    connection, hold_id = page.connection, hold.hold_id
    row = answers.hold(connection, hold_id)
    _check_other_visits(page, order, hold_id, at)
    if row is None:
        return hold.model_copy(update={"judged_elsewhere": True})
    try:
        own = hold_entry(connection, hold_id, section=hold.section, after_repair=hold.after_repair)
    except VehicleError as error:
        raise RefusedError(f"{at}: {error}") from error
    _compare(hold, own, f"{at}, hold {hold_id}", "judged", "put that in the file")
    bound = [kept for kept in known.holds if kept.hold_id == hold_id] if known is not None else []
    for kept in bound:
        mend = "put that in the file, or take the hold out of the visit and bind it anew"
        _compare(hold, kept, f"{at}, hold {hold_id}", "bound", mend, only=_SAID_AT_BINDING)
    if not bound:
        check_unit(row, page.unit(order.unit).unit)
    return own


def _compare(
    said: HoldEntry,
    own: HoldEntry,
    at: str,
    how: str,
    mend: str,
    *,
    only: frozenset[str] | None = None,
) -> None:
    theirs, ours = _plain(said), _plain(own)
    for key in ours if only is None else sorted(only):
        if theirs[key] != ours[key]:
            raise RefusedError(
                f"{at}, {key}: the file says {theirs[key]}, this store {how} it {ours[key]}: "
                f"{mend}, or leave the hold out"
            )


def _plain(hold: HoldEntry) -> dict[str, Any]:
    return hold.model_dump(mode="json", exclude={"judged_elsewhere"})


def _check_other_visits(page: Page, order: Job, hold_id: str, at: str) -> None:
    other = page.connection.execute(
        "SELECT number FROM visit_holds JOIN work_orders ON work_orders.id = work_order_id"
        " WHERE hold_id = ? AND number <> ?",
        (hold_id, order.number),
    ).fetchone()
    if other is not None:
        raise RefusedError(
            f"{at}: hold {hold_id} is bound to visit {other[0]} already: leave it out of one"
        )


def _check_same(order: Job, known: Job, at: str) -> None:
    """Refuse what differs from a visit that is closed here."""
    theirs, ours = order.model_dump(mode="json"), known.model_dump(mode="json")
    other = [key for key, value in ours.items() if theirs[key] != value]
    if other:
        raise RefusedError(
            f"{at}: it was closed here on {known.closed_on}, and the file has {', '.join(other)} "
            "otherwise: leave it out of the file, or open it again first",
            at_terminal=f"holdwatch visit reopen {order.number}",
        )


def _check_may_close(page: Page, tables: Tables, order: Job, at: str) -> None:
    story, stored = page.story(order.number)
    try:
        check_closable(open_points_of(stored, story.unit, story.visits, tables), stored)
    except RefusedError as error:
        raise RefusedError(
            f"{at}: the file closes it on {order.closed_on}, but {error}; leave `closed_on` out"
        ) from error
