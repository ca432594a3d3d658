"""What arrives from the shops of a chain, checked and turned into rows."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

__all__ = [
    "RESTORED",
    "VERDICT",
    "LiveReading",
    "Refused",
    "RefusedError",
    "ShopEvent",
    "Topics",
    "read_event",
    "read_live",
]

VERDICT = "holdwatch.verdict"
RESTORED = "holdwatch.store.restored"
_LARGEST_PAYLOAD = 1_000_000
_AHEAD = timedelta(days=1)
_BEHIND = timedelta(days=400)

_Name = Annotated[str, Field(min_length=1, max_length=200)]


class RefusedError(ValueError):
    """A message that cannot be landed; the text says why."""


class ShopEvent(BaseModel):
    """An event as a shop sends it; a newer holdwatch may say more than this one knows."""

    model_config = ConfigDict(frozen=True, extra="ignore")

    specversion: Literal["1.0"]
    id: _Name
    source: Annotated[str, Field(pattern=r"^/holdwatch/[^/]{1,100}$")]
    type: Annotated[str, Field(pattern=r"^holdwatch\.[a-z0-9_.]{1,100}$")]
    time: AwareDatetime
    sequence: Annotated[int, Field(ge=1, lt=2**63)]
    bay: _Name | None = None
    baysequence: Annotated[int, Field(ge=1, lt=2**63)] | None = None
    subject: _Name | None = None
    simulated: bool = False
    data: dict[str, Any] = {}

    @property
    def site(self) -> str:
        """The shop's name."""
        return self.source.removeprefix("/holdwatch/")

    @property
    def store(self) -> str:
        """The identity of the shop's database, within which ``sequence`` counts."""
        return self.id.removeprefix(f"{self.site}-").removesuffix(f"-{self.sequence}")


class _ShopValue(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    role: _Name
    channel: _Name
    quantity: _Name
    value: Annotated[float, Field(allow_inf_nan=False)]
    unit: _Name
    quality: _Name
    age_s: Annotated[float, Field(ge=0, allow_inf_nan=False)]


class _ShopLive(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")

    bay: _Name
    time: AwareDatetime
    simulated: bool
    values: list[_ShopValue]


@dataclass(frozen=True, slots=True)
class LiveReading:
    """One reading of one role, as the shop's live message showed it.

    Attributes:
        slot: Beginning of the stretch of time that it stands for; one reading a role and slot.
        time: When it was measured, to a few milliseconds.
        value: Pa or K, as ``unit`` says.
    """

    site: str
    bay: str
    role: str
    slot: datetime
    time: datetime
    channel: str
    quantity: str
    value: float
    unit: str
    quality: str
    simulated: bool


@dataclass(frozen=True, slots=True)
class Refused:
    """A message that could not be landed, kept for a person to look at."""

    topic: str
    reason: str
    payload: bytes


def read_event(payload: bytes, site: str | None) -> ShopEvent:
    """Return the event in a payload.

    Args:
        payload: CloudEvents JSON.
        site: The shop whose topic or address it came from; an event of another is refused.
            None where the way does not tell.

    Raises:
        RefusedError: It is no event of ours, or of another shop than its way says.
    """
    if len(payload) > _LARGEST_PAYLOAD:
        message = f"larger than {_LARGEST_PAYLOAD} bytes"
        raise RefusedError(message)
    try:
        event = ShopEvent.model_validate_json(payload)
    except ValidationError as error:
        raise RefusedError(_problem(error)) from error
    if site is not None and event.site != site:
        message = f"it says that it is of {event.site!r}, and came from {site!r}"
        raise RefusedError(message)
    if event.id != f"{event.site}-{event.store}-{event.sequence}" or not event.store:
        message = f"its id {event.id!r} does not go with its source and sequence"
        raise RefusedError(message)
    return event


def read_live(payload: bytes, site: str, slot_s: int, now: datetime) -> list[LiveReading]:
    """Return the readings of a live message that are new enough to be worth a row.

    Args:
        payload: The JSON of ``…/bay/<bay>/live``.
        site: The shop whose topic it came from.
        slot_s: Length of a slot, s.
        now: The time here; a shop whose clock is far from it is refused.

    Raises:
        RefusedError: It is no live message, or its time cannot be true.
    """
    try:
        live = _ShopLive.model_validate_json(payload)
    except ValidationError as error:
        raise RefusedError(_problem(error)) from error
    if not now - _BEHIND < live.time < now + _AHEAD:
        message = f"its time {live.time.isoformat()} is far from the time here"
        raise RefusedError(message)
    found = []
    for each in live.values:
        if each.age_s > slot_s or each.quality == "stale":
            continue  # it was shown, and landed, when it was new
        time = live.time - timedelta(seconds=each.age_s)
        slot = datetime.fromtimestamp(time.timestamp() // slot_s * slot_s, UTC)
        found.append(
            LiveReading(
                site=site,
                bay=live.bay,
                role=each.role,
                slot=slot,
                time=time,
                channel=each.channel,
                quantity=each.quantity,
                value=each.value,
                unit=each.unit,
                quality=each.quality,
                simulated=live.simulated,
            )
        )
    return found


class Topics:
    """The topics of all shops: what to subscribe to, and which shop a topic belongs to.

    Args:
        prefix: As in a shop's ``[mqtt]``, with ``+`` in the place of the shop's name.
    """

    def __init__(self, prefix: str) -> None:
        if prefix.count("+") != 1 or "#" in prefix or prefix != prefix.strip("/"):
            raise ValueError("give the prefix with one + for the shop's name, as holdwatch/+")
        self.events = f"{prefix}/events"
        self.live = f"{prefix}/bay/+/live"
        before, after = (re.escape(part) for part in prefix.split("+"))
        self._event = re.compile(f"{before}(?P<site>[^/]+){after}/events")
        self._live = re.compile(f"{before}(?P<site>[^/]+){after}/bay/[^/]+/live")

    def site_of_event(self, topic: str) -> str | None:
        """Return the shop whose events come here; None for another topic."""
        found = self._event.fullmatch(topic)
        return None if found is None else found["site"]

    def site_of_live(self, topic: str) -> str | None:
        """Return the shop whose live values come here; None for another topic."""
        found = self._live.fullmatch(topic)
        return None if found is None else found["site"]


def _problem(error: ValidationError) -> str:
    details = (
        f"{'.'.join(str(part) for part in detail['loc']) or 'message'}: {detail['msg']}"
        for detail in error.errors(include_url=False, include_input=False)[:5]
    )
    return "; ".join(details)
