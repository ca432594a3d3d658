"""The JSON that leaves and enters the process: events, state, live values, commands.

One set of models serves MQTT, HTTP and the store, and the API documents are generated from it.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

__all__ = [
    "AcknowledgeAlarm",
    "Alarm",
    "BayState",
    "BindWorkOrder",
    "Bounds",
    "Command",
    "CommandId",
    "Difference",
    "Evacuation",
    "Event",
    "EventType",
    "ExtendHold",
    "HoldProgress",
    "Live",
    "LiveValue",
    "Message",
    "Reply",
    "Said",
    "Saturation",
    "SayIsolated",
    "Shown",
    "StartEvacuation",
    "StartHold",
    "StopEvacuation",
    "StopHold",
    "WorkOrderNumber",
]

EventType = Literal[
    "holdwatch.service.started",
    "holdwatch.service.stopped",
    "holdwatch.service.stalled",
    "holdwatch.clock.stepped",
    "holdwatch.probe.connected",
    "holdwatch.probe.lost",
    "holdwatch.probe.battery_low",
    "holdwatch.probe.malformed",
    "holdwatch.probe.calibrated",
    "holdwatch.reading.refused",
    "holdwatch.reading.doubted",
    "holdwatch.reading.trusted",
    "holdwatch.hold.started",
    "holdwatch.hold.phase",
    "holdwatch.hold.noted",
    "holdwatch.hold.restarted",
    "holdwatch.hold.stopped",
    "holdwatch.hold.resumed",
    "holdwatch.verdict",
    "holdwatch.alarm.raised",
    "holdwatch.alarm.cleared",
    "holdwatch.command.refused",
    "holdwatch.evacuation.started",
    "holdwatch.evacuation.step",
    "holdwatch.evacuation.ended",
    "holdwatch.wire.switched",
    "holdwatch.job.changed",
    "holdwatch.story.changed",
    "holdwatch.store.thinned",
    "holdwatch.store.dropped",
    "holdwatch.store.slow",
    "holdwatch.store.steady",
    "holdwatch.store.set_aside",
    "holdwatch.store.restored",
]
"""Every event type that holdwatch writes."""

Said = Annotated[
    dict[str, Any],
    Field(description="Key and SI values of each sentence, by the name of its field."),
]


class Message(BaseModel):
    """Base of all messages: unknown keys are errors, instances do not change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Event(Message):
    """A CloudEvents 1.0 event in JSON, with our integer extensions ``sequence`` and
    ``baysequence`` (numbered without gaps, the latter per bay) and ``simulated``.
    """  # noqa: D205 - the sentence needs two lines

    specversion: Literal["1.0"] = "1.0"
    id: str
    source: str
    type: EventType
    time: str
    subject: str | None = None
    datacontenttype: Literal["application/json"] = "application/json"
    sequence: int
    bay: str | None = None
    baysequence: int | None = None
    simulated: bool | None = None
    data: dict[str, Any] = Field(default_factory=dict)


class Shown(Message):
    """A value in the unit that the bay's people read, already rounded for show."""

    text: str
    unit: str


class LiveValue(Message):
    """The newest value of one role.

    ``beyond`` is the end of the instrument's range, in ``unit``, where the true value lies beyond
    it: above the upper end, or below the lower one. ``shown`` then reads ``> …`` or ``< …``.
    """

    role: str
    channel: str
    quantity: str
    value: float
    unit: str
    shown: Shown
    quality: str
    age_s: float
    beyond: float | None = None


class Saturation(Message):
    """Saturation temperatures of the unit's refrigerant at a role's pressure."""

    role: str
    refrigerant: str
    bubble_k: float
    dew_k: float
    shown: Shown


class Difference(Message):
    """Superheat or subcooling, K."""

    kind: Literal["superheat", "subcooling"]
    value_k: float
    shown: Shown


class Live(Message):
    """Payload of ``…/bay/<bay>/live``.

    ``pressure_role`` names the gauge that speaks for the line now: a vacuum gauge and a
    pressure gauge hand over to each other, and the one that is outside its range is left out of
    ``values``. It is null where no gauge speaks. ``barometer_pa`` is the room's pressure, measured
    or the site's, by which gauge and absolute pressures are turned into each other.
    """

    bay: str
    time: str
    simulated: bool
    values: list[LiveValue]
    pressure_role: str | None = None
    barometer_pa: float | None = None
    saturation: list[Saturation] = []
    differences: list[Difference] = []


class Bounds(Message):
    """A figure with the bounds that decide; null while they cannot be given."""

    value: float | None
    low: float | None
    high: float | None


class HoldProgress(Message):
    """How a hold stands now.

    ``phase`` is one of ``evacuating``, ``waiting`` (for pressure or the valve), ``settling``,
    ``holding``, ``done``. Times are seconds of the hold's own clock.
    """

    hold_id: str
    procedure: Literal["standing-vacuum", "pressure-decay"]
    recipe: str
    started: str
    phase: str
    elapsed_s: float
    since_mark_s: float | None
    sentence: str
    leak_g_per_year: Bounds
    smallest_visible_g_per_year: float | None
    refrigerant: str
    criterion_kind: str
    criterion_limit: float
    criterion_text: str
    criterion_g_per_year: float | None
    pressure_change_pa: Bounds
    earliest_end_s: float | None
    latest_end_s: float
    outcome: Literal["pass", "fail", "inconclusive"] | None = None
    verdict_sentence: str | None = None
    said: Said = Field(default_factory=dict)


class Alarm(Message):
    """An alarm that stands until it is acknowledged and its cause is gone."""

    id: str
    kind: str
    text: str
    since: str
    acknowledged: bool = False
    said: Said = Field(default_factory=dict)


class Evacuation(Message):
    """How valve and pump of a bay stand, and what an unattended evacuation is doing.

    ``step`` is ``idle`` between evacuations; what stands there then tells of the last one.
    ``step_s`` and ``at_target_s`` say for how long the step, and the pressure at its target, have
    lasted. ``not_ready`` says why none could be started now.
    """

    step: str
    sentence: str
    step_s: float | None = None
    pump_down: int
    most_pump_downs: int
    target_pa: float | None = None
    held_s: float | None = None
    at_target_s: float | None = None
    valve: Literal["open", "closed", "unknown"]
    pump: Literal["on", "off", "unknown"]
    linked: bool
    holds: list[str]
    outcome: Literal["pass", "fail", "inconclusive", "stopped", "fault", "interrupted"] | None
    not_ready: str | None = None
    said: Said = Field(default_factory=dict)


class BayState(Message):
    """Payload of ``…/bay/<bay>/state``.

    ``evacuation`` is null where valve and pump are not switched by wire.
    """

    bay: str
    label: str
    unit: str | None
    refrigerant: str | None
    doing: Literal["idle", "hold", "verdict"]
    sentence: str
    hold: HoldProgress | None
    last_verdict_id: str | None
    alarms: list[Alarm]
    simulated: bool
    time: str
    evacuation: Evacuation | None = None
    said: Said = Field(default_factory=dict)


CommandId = Annotated[str, Field(min_length=1, max_length=100)]
WorkOrderNumber = Annotated[str, Field(pattern=r"^[^\s\x00-\x1f](.{0,98}[^\s])?$")]


class StartHold(Message):
    """Start a hold: by the name of a configured recipe, or with a whole recipe.

    ``continues`` names earlier standing vacuums of the same unit, oldest first, to be judged
    together with this one: only where it was pumped down again and nothing was opened since.
    ``section`` is the part of the unit that is held on its own; ``volume_l`` (with
    ``volume_uncertainty``, relative) is then its volume, in place of the unit's. ``work_order``
    binds the hold to an open visit from its beginning.
    """

    command: Literal["start_hold"]
    id: CommandId
    recipe: str | dict[str, Any]
    continues: list[str] = Field(default_factory=list, max_length=10)
    section: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    volume_l: Annotated[float, Field(gt=0, le=10000)] | None = None
    volume_uncertainty: Annotated[float, Field(ge=0, le=0.5)] | None = None
    work_order: WorkOrderNumber | None = None


class StopHold(Message):
    """Stop the running hold; undecided, it ends inconclusive."""

    command: Literal["stop_hold"]
    id: CommandId


class SayIsolated(Message):
    """Say that the pump is valved off (vacuum) or the charging valve closed (pressure)."""

    command: Literal["say_isolated"]
    id: CommandId


class ExtendHold(Message):
    """Let the running hold last longer than its recipe says, by minutes."""

    command: Literal["extend_hold"]
    id: CommandId
    minutes: Annotated[float, Field(gt=0, le=10080)]


class BindWorkOrder(Message):
    """Bind the running hold, else the bay's last one, to an open work order by its number.

    ``section`` is the part that was held alone, where the hold was not started for one;
    ``after_repair`` whether it proves a repair: left out, it does where one is written down.
    """

    command: Literal["bind_work_order"]
    id: CommandId
    work_order: WorkOrderNumber
    section: Annotated[str, Field(min_length=1, max_length=100)] | None = None
    after_repair: bool | None = None


class AcknowledgeAlarm(Message):
    """Acknowledge a standing alarm."""

    command: Literal["acknowledge_alarm"]
    id: CommandId
    alarm: str


class StartEvacuation(Message):
    """Evacuate by wire and hold the vacuum, by the name of a recipe or with a whole one.

    ``recovered`` says that a person has recovered the refrigerant (or that there was none): what
    a vacuum pump draws off is vented.
    """

    command: Literal["start_evacuation"]
    id: CommandId
    recipe: str | dict[str, Any]
    recovered: bool


class StopEvacuation(Message):
    """End the running evacuation: valve closed, pump off, its hold stopped."""

    command: Literal["stop_evacuation"]
    id: CommandId


Command = Annotated[
    StartHold
    | StopHold
    | ExtendHold
    | SayIsolated
    | AcknowledgeAlarm
    | BindWorkOrder
    | StartEvacuation
    | StopEvacuation,
    Field(discriminator="command"),
]


class Reply(Message):
    """Answer to a command, on ``…/bay/<bay>/reply`` and over HTTP."""

    id: str
    ok: bool
    text: str
    hold_id: str | None = None
