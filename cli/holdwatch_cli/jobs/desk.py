"""What the commands of the story share: the book, the shop's tables, days, and how it is said."""

from __future__ import annotations

import json
import time
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from holdwatch_cli.errors import UserError
from holdwatch_cli.jobs.running_service import RunningService, at
from holdwatch_cli.terminal import say
from holdwatch_daemon.jobs import StoryDesk, TraceToBind, change_job, open_desk

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    from holdwatch_daemon.jobs import Story
    from holdwatch_procedures.vehicles import Act, Change, Job, Vehicle


@dataclass(frozen=True, slots=True)
class Desk(StoryDesk):
    """Where a command works: the book, the tables, and whether it answers in JSON.

    What a command changes, the service makes where one runs (``service``); where none does, the
    command opens the store itself.
    """

    as_json: bool = False
    service: RunningService | None = None

    def change_job(self, name: str, change: Change | TraceToBind) -> tuple[Story, Job]:
        """Change a job; return it with its vehicle's history as both then are.

        Args:
            name: The job's number, or the vehicle with one open job.
            change: The change; a trace is only brought so where no service runs.

        Raises:
            VehicleError: The change is not possible; nothing was written.
            StoreError: The store cannot be written, or the service cannot be reached.
        """
        if self.service is None or isinstance(change, TraceToBind):
            return self.book.write(lambda page: change_job(page, self.tables, name, change))
        return self.sent(name, change.route, change.body)

    def sent(self, name: str, route: str, body: Mapping[str, Any]) -> tuple[Story, Job]:
        """Change a job through the service that runs; return it as ``change_job`` does."""
        if self.service is None:
            raise ValueError("no service runs")
        told = self.service.change(at("jobs", name, route), body)
        return self.book.visit(told["visit"]["number"])

    def answer(self, content: Any, text: Iterable[str]) -> int:
        """Print the answer in the form that was asked for; return the exit status 0."""
        if self.as_json:
            say(json.dumps(content, ensure_ascii=False, allow_nan=False))
        else:
            say("\n".join(text))
        return 0

    def cautions(self, act: Act, unit: Vehicle) -> list[str]:
        """Return the cautions of an act as lines."""
        return [f"! {caution}" for caution in self.warnings(act, unit)]


def desk(data: Path, *, as_json: bool = False) -> Desk:
    """Return the desk over a data folder, with the tables that the shop keeps in it.

    Raises:
        VehicleError: A table cannot be read, or is wrong.
        StoreError: The service that runs over the folder cannot be reached.
    """
    database = data / "holdwatch.db"
    opened = open_desk(database, time.time_ns)
    return Desk(opened.book, opened.tables, as_json, RunningService.over(database))


def day_of(text: str | None, option: str = "--on") -> date:
    """Return a day as ISO 8601 writes it; today where none is given.

    Raises:
        UserError: It is no day.
    """
    if text is None:
        return datetime.now(UTC).astimezone().date()
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise UserError(f"{option} {text}: write the day as 2026-05-04") from None


def pair_of(option: str, text: str) -> tuple[str, str]:
    """Return both sides of ``NAME=VALUE``.

    Raises:
        UserError: There is no equals sign, or nothing on a side of it.
    """
    name, _, value = text.partition("=")
    if not name.strip() or not value.strip():
        raise UserError(f"{option} {text}: write NAME=VALUE")
    return name.strip(), value.strip()


def grams(value: float | None) -> str:
    """Return a mass or rate for people, ``not known`` where there is none."""
    return "not known" if value is None else f"{value:.0f} g"
