"""The JSON that only HTTP has: requests that leave out an id, lists, figures for drawing."""

from __future__ import annotations

import secrets
from typing import Any, Literal

from pydantic import Field

from holdwatch_daemon.messages import CommandId, Message, Said
from holdwatch_daemon.store import HoldRow


def fresh_id() -> str:
    """Return an id for a command whose sender gave none; such a command is not repeatable."""
    return f"http-{secrets.token_hex(8)}"


class HoldRequest(Message):
    """Body of ``POST /api/v1/bays/{bay}/holds``."""

    recipe: str | dict[str, Any]
    continues: list[str] = Field(default_factory=list, max_length=10)
    id: CommandId = Field(default_factory=fresh_id)


class StopRequest(Message):
    """Body of ``POST /api/v1/holds/{id}/stop``; may be ``{}``."""

    id: CommandId = Field(default_factory=fresh_id)


class HoldDetail(HoldRow):
    """A hold with its recipe (TOML) and, once it is decided, the verdict of the contract.

    ``continues`` names the earlier holds that it is judged together with, oldest first;
    ``work_order`` is the number of the work order that it is bound to.
    """

    recipe_toml: str | None
    verdict: dict[str, Any] | None
    continues: list[str] = Field(default_factory=list)
    work_order: str | None = None


class DrawnUnit(Message):
    """The unit of a curve: its name, and how many pascals one of it has."""

    text: str
    pa: float


class Curve(Message):
    """Curve points of a hold from number ``after`` on; ``next`` continues from here.

    ``unit`` is for pressure changes; the points themselves are SI.
    """

    hold_id: str
    unit: DrawnUnit
    after: int
    next: int
    points: list[dict[str, Any]]


class Series(Message):
    """One role's readings for drawing: seconds since the hold's start, and values in ``unit``."""

    quantity: str
    unit: str
    t_s: list[float]
    value: list[float | None]


class Trace(Message):
    """A hold's readings for drawing, thinned."""

    hold_id: str
    series: dict[str, Series]


class RecipeSummary(Message):
    """A configured recipe, completed for a bay where one was asked for.

    ``problem`` says why the recipe cannot be used there; the other figures are then null.
    ``unfit`` says why a hold by it would be refused as the bay stands now.
    """

    name: str
    procedure: Literal["standing-vacuum", "pressure-decay"] | None
    refrigerant: str | None = None
    gas: str | None = None
    criterion: str | None = None
    criterion_source: str | None = None
    max_duration_min: float | None = None
    max_pressure_kpa_g: float | None = None
    target_micron: float | None = None
    problem: str | None = None
    unfit: str | None = None
    said: Said = Field(default_factory=dict)


class Problem(Message):
    """An error, in the form of RFC 9457."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str


class Health(Message):
    """What ``/health`` tells; ``parts`` only to those who may watch."""

    status: Literal["ok", "degraded"]
    parts: dict[str, Any] = Field(default_factory=dict)


class SignIn(Message):
    """Body of ``POST /api/v1/session``."""

    token: str = Field(min_length=1, max_length=200, pattern=r"^[!-~]+$")
