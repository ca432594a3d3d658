"""A service that plays a script: two bays of a bookmobile shop, with holds at a chosen minute."""

from __future__ import annotations

import math
import shutil
import sqlite3
import tempfile
import weakref
from contextlib import closing
from typing import TYPE_CHECKING, Any, Literal, TypeVar, cast

from fake_events import FakeEvents

from holdwatch_daemon.health.figures import Metric
from holdwatch_daemon.messages import (
    Alarm,
    BayState,
    Bounds,
    Command,
    Difference,
    HoldProgress,
    Live,
    LiveValue,
    Reply,
    Saturation,
    Shown,
)
from holdwatch_daemon.outlets.feed import Feed
from holdwatch_daemon.settings.shop import ShopConfig
from holdwatch_daemon.store.queries import HoldRow
from holdwatch_daemon.store.schema import migrate
from holdwatch_procedures.wording import Say, in_units, render, said

if TYPE_CHECKING:
    from collections.abc import Callable

    from holdwatch_daemon.service import Service
    from holdwatch_procedures.wording import Units

T = TypeVar("T")
STARTED = "2026-03-02T08:00:00Z"
MICRON_PA = 101325.0 / 760.0 / 1000.0
MARK_S = 120.0
Outcome = Literal["pass", "fail", "inconclusive"]
RISE_LIMIT = Say("criterion.max_change_micron", limit_pa=500 * MICRON_PA, within_s=900.0)

CONFIG: dict[str, Any] = {
    "site": {"name": "library-garage"},
    "bay": [
        {
            "name": "bay-1",
            "label": "Bay 1",
            "unit_under_test": {
                "name": "BM-03",
                "refrigerant": "R1234yf",
                "charge_g": 600,
                "volume_l": 2.5,
                "max_pressure_kpa_g": 1600,
            },
        },
        {
            "name": "bay-2",
            "label": "Bay 2",
            "unit_under_test": {"name": "VAN-11", "refrigerant": "R134a"},
        },
    ],
    "recipes": {
        "nitrogen hour": {
            "procedure": "pressure-decay",
            "criterion": {"leak_g_per_year": 500.0, "source": "shop rule"},
            "limits": {"max_duration_min": 60},
        },
        "standing vacuum": {
            "procedure": "standing-vacuum",
            "refrigerant": "R134a",
            "volume_l": 2.5,
            "criterion": {"max_change_micron": 500, "within_min": 15, "source": "shop rule"},
        },
    },
}


def decay_points(minutes: float) -> list[dict[str, Any]]:
    """Return the curve of a slow nitrogen loss: 300 g a year against a limit of 500."""
    points = []
    for block in range(int(minutes * 6)):
        t_s = MARK_S + 10.0 * block + 5.0
        held_min = (t_s - MARK_S) / 60.0
        noise = 60.0 * math.sin(block * 2.3) + 40.0 * math.sin(block * 0.7)
        settled = held_min > 6.0
        since = held_min - 6.0
        spread = 9000.0 / since**1.5 if settled else 0.0
        points.append(
            {
                "t_s": t_s,
                "pressure_pa": 1.6e6 - 900.0 * held_min + noise,
                "temperature_k": 296.2 - 0.01 * held_min,
                "compensated_pa": -21.0 * since + noise if settled else None,
                "criterion_pa": -35.0 * since if settled else None,
                "leak_g_per_year": 300.0 if settled else None,
                "low_g_per_year": 300.0 - spread * 5 if settled else None,
                "high_g_per_year": 300.0 + spread * 5 if settled else None,
                "smallest_visible_g_per_year": spread * 8 if settled else None,
            }
        )
    return points


def vacuum_points(minutes: float) -> list[dict[str, Any]]:
    """Return the curve of a moist system that levels off."""
    points = []
    for block in range(int(minutes * 6)):
        held_min = (10.0 * block + 5.0) / 60.0
        rise = 45.0 * (1.0 - math.exp(-held_min / 5.0))
        points.append(
            {
                "t_s": MARK_S + held_min * 60.0,
                "pressure_pa": 40.0 + rise,
                "temperature_k": 294.0,
                "compensated_pa": rise + 0.3 * math.sin(block * 1.7),
                "criterion_pa": 500.0 * MICRON_PA,
                "leak_g_per_year": None,
                "low_g_per_year": None,
                "high_g_per_year": None,
                "smallest_visible_g_per_year": None,
            }
        )
    return points


def nitrogen(minutes: float, outcome: Outcome | None = None) -> HoldProgress:
    """Return a nitrogen hold, so many minutes after its valve was closed."""
    last = decay_points(minutes)[-1]
    sentence = f"Holding, {minutes:.0f} min. Leaks above 900 g a year would have shown by now."
    verdict = {
        "pass": "The leak is below 410 g a year (limit 500 g a year).",
        "fail": "The leak is at least 640 g a year (limit 500 g a year).",
        "inconclusive": "The thermometer came off its pipe at 22 min. Clamp it on and hold again.",
    }
    return HoldProgress(
        hold_id="H-0007",
        procedure="pressure-decay",
        recipe="nitrogen hour",
        started=STARTED,
        phase="done" if outcome else "holding",
        elapsed_s=MARK_S + minutes * 60.0,
        since_mark_s=minutes * 60.0,
        sentence=verdict[outcome] if outcome else sentence,
        leak_g_per_year=Bounds(
            value=300.0, low=last["low_g_per_year"], high=last["high_g_per_year"]
        ),
        smallest_visible_g_per_year=900.0,
        refrigerant="R-1234yf",
        criterion_kind="leak_g_per_year",
        criterion_limit=500.0,
        criterion_text="500 g a year",
        criterion_g_per_year=500.0,
        pressure_change_pa=Bounds(value=-357.0, low=None, high=None),
        earliest_end_s=MARK_S + 31 * 60.0,
        latest_end_s=MARK_S + 3600.0,
        outcome=outcome,
        verdict_sentence=verdict[outcome] if outcome else None,
    )


def vacuum(minutes: float, outcome: Outcome | None = None) -> HoldProgress:
    """Return a standing vacuum, so many minutes after the pump was valved off."""
    sentence = f"Standing, {minutes:.0f} min. The rise is slowing down: moisture."
    told = "The pressure rose by 330 micron in 15 min (limit 500 micron within 15 min)."
    return HoldProgress(
        hold_id="H-0008",
        procedure="standing-vacuum",
        recipe="standing vacuum",
        started=STARTED,
        phase="done" if outcome else "holding",
        elapsed_s=MARK_S + minutes * 60.0,
        since_mark_s=minutes * 60.0,
        sentence=told if outcome else sentence,
        leak_g_per_year=Bounds(value=None, low=None, high=None),
        smallest_visible_g_per_year=None,
        refrigerant="R-134a",
        criterion_kind="max_change_micron",
        criterion_limit=500.0,
        criterion_text=render(RISE_LIMIT),
        said=said(criterion_text=RISE_LIMIT),
        criterion_g_per_year=None,
        pressure_change_pa=Bounds(value=40.0, low=None, high=None),
        earliest_end_s=None,
        latest_end_s=MARK_S + 3600.0,
        outcome=outcome,
        verdict_sentence=told if outcome else None,
    )


def value(role: str, si: float, text: str, unit: str, quality: str = "good") -> LiveValue:
    """Return a role's newest value."""
    kind = "pressure_gauge" if "gauge" in unit else "pressure_absolute"
    quantity = "temperature" if unit.startswith("°") else kind
    return LiveValue(
        role=role,
        channel=f"gauge/{role}",
        quantity=quantity,
        value=si,
        unit={"temperature": "K", "pressure_gauge": "Pag"}.get(quantity, "Paa"),
        shown=Shown(text=text, unit=unit),
        quality=quality,
        age_s=0.4 if quality == "good" else 41.0,
    )


class FakeStore:
    """The two holds of the script."""

    def __init__(self, service: FakeService) -> None:
        self._service = service

    async def list_holds(self, bay: str | None = None, limit: int = 50) -> list[HoldRow]:
        rows = []
        for name, state in self._service.states.items():
            if state.hold is not None and bay in {None, name}:
                row = await self.hold(state.hold.hold_id)
                rows += [] if row is None else [row]
        older = [row for row in self._service.older if bay in {None, row.bay}]
        return [*rows, *older][:limit]

    async def unit_named(self, name: str) -> None:
        """No vehicle has a story here."""

    async def ask(self, question: Callable[[sqlite3.Connection], T]) -> T:
        with closing(sqlite3.connect(":memory:")) as connection:
            migrate(connection, STARTED)
            return question(connection)

    async def hold(self, hold_id: str) -> HoldRow | None:
        for name, state in self._service.states.items():
            if state.hold is not None and state.hold.hold_id == hold_id:
                decided = state.hold.outcome is not None
                return HoldRow(
                    id=hold_id,
                    bay=name,
                    unit=state.unit,
                    procedure=state.hold.procedure,
                    recipe=state.hold.recipe,
                    refrigerant=state.hold.refrigerant,
                    started=STARTED,
                    ended="2026-03-02T08:40:00Z" if decided else None,
                    outcome=state.hold.outcome,
                    sentence=state.hold.verdict_sentence,
                    simulated=True,
                )
        return next((row for row in self._service.older if row.id == hold_id), None)

    async def recipe_toml(self, hold_id: str) -> str | None:
        row = await self.hold(hold_id)
        return None if row is None else f'procedure = "{row.procedure}"\n'

    async def hold_trace(self, hold_id: str, points: int = 1000) -> dict[str, Any]:
        times = [
            10.0 * number for number in range(min(points, len(await self.hold_curve(hold_id))))
        ]
        values = [296.2 for _ in times]
        series = {"quantity": "temperature", "unit": "K", "t_s": times, "value": values}
        fall = [9.5e5 - 2.0 * t_s for t_s in times]
        gauge = {"quantity": "pressure_gauge", "unit": "Pag", "t_s": times, "value": fall}
        return {"series": {"pipe_temperature": series, "high_side": gauge}}

    async def hold_curve(self, hold_id: str) -> list[dict[str, Any]]:
        return self._service.curves.get(hold_id) or decay_points(20.0)

    async def work_order(self, hold_id: str) -> str | None:
        return "WO-17" if hold_id == "H-0007" else None

    async def verdict(self, hold_id: str) -> dict[str, Any] | None:
        row = await self.hold(hold_id)
        if row is None or row.outcome is None:
            return None
        reasons = [str(row.sentence), "The barometer was measured, so the room does not matter."]
        told = self._service.reasons
        if told:
            reasons = [render(each) for each in told]
        return {
            "outcome": row.outcome,
            "reasons": reasons,
            "said": said(reasons=tuple(told) or None),
        }


class FakeService:
    """Has the public attributes of ``Service``; a test sets what they tell."""

    def __init__(self, **http: object) -> None:
        folder = tempfile.mkdtemp(prefix="holdwatch-fake-")
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)
        site = CONFIG["site"] | {"data": folder}
        self.config = ShopConfig.model_validate(CONFIG | {"http": http, "site": site})
        self.bays = {bay.name: bay for bay in self.config.bay}
        self.commands: list[tuple[str, Command, str]] = []
        self.states: dict[str, BayState] = {}
        self.older: list[HoldRow] = []
        self.reasons: list[Say] = []
        self.refused: dict[tuple[str, str], str] = {}
        self.lives: dict[str, Live] = {}
        self.curves: dict[str, list[dict[str, Any]]] = {}
        self.store = FakeStore(self)
        self.events = FakeEvents()
        self.feed = Feed(self.bays, self.bay_state, self.live)
        self.set_hold("bay-1", None)
        self.set_hold("bay-2", None)
        self.set_values("bay-1", nitrogen_values("1487.3"))
        self.set_values("bay-2", vacuum_values("622"))

    @property
    def as_service(self) -> Service:
        return cast("Service", self)

    def set_hold(self, name: str, hold: HoldProgress | None, *alarms: Alarm) -> None:
        doing: Literal["idle", "hold", "verdict"] = "idle"
        if hold is not None:
            doing = "verdict" if hold.outcome else "hold"
            points = decay_points if hold.procedure == "pressure-decay" else vacuum_points
            self.curves[hold.hold_id] = points((hold.since_mark_s or 0.0) / 60.0)
        bay = self.bays[name]
        self.states[name] = BayState(
            bay=name,
            label=bay.label or name,
            unit=None if bay.unit_under_test is None else bay.unit_under_test.name,
            refrigerant=None if bay.unit_under_test is None else bay.unit_under_test.refrigerant,
            doing=doing,
            sentence=hold.sentence if hold else "Ready. No hold is running.",
            hold=hold,
            last_verdict_id=None,
            alarms=list(alarms),
            simulated=True,
            time=STARTED,
        )
        self.tell(name)

    def more_holds(self, bay: str, count: int) -> None:
        """Let a bay have older holds, all failed."""
        for number in range(count):
            self.older.append(
                HoldRow(
                    id=f"H-000{number + 1}",
                    bay=bay,
                    unit=self.states[bay].unit,
                    procedure="pressure-decay",
                    recipe="nitrogen hour",
                    refrigerant="R-1234yf",
                    started=f"2026-03-0{number + 1}T08:00:00Z",
                    ended=f"2026-03-0{number + 1}T08:40:00Z",
                    outcome="fail",
                    sentence="The leak is at least 640 g a year.",
                    simulated=True,
                )
            )

    def set_values(
        self,
        name: str,
        values: list[LiveValue],
        saturation: list[Saturation] | None = None,
        differences: list[Difference] | None = None,
    ) -> None:
        self.lives[name] = Live(
            bay=name,
            time=STARTED,
            simulated=True,
            values=values,
            barometer_pa=98.7e3,
            saturation=saturation or [],
            differences=differences or [],
        )
        self.tell(name)

    def tell(self, name: str) -> None:
        self.feed.note(name)

    def bay_state(self, name: str, units: Units | None = None) -> BayState:
        state = self.states[name].model_dump()
        return BayState.model_validate(in_units(state, units or self.config.show.units))

    def live(self, name: str) -> Live:
        return self.lives[name]

    async def command(self, bay: str, command: Command, *, by: str) -> Reply:
        self.commands.append((bay, command, by))
        if command.command == "say_isolated" and self.states[bay].hold is None:
            return Reply(id=command.id, ok=False, text="No hold is running in this bay.")
        if command.command == "start_hold":
            self.set_hold(bay, nitrogen(7.0))
        return Reply(id=command.id, ok=True, text="Done.", hold_id="H-0007")

    async def until_written(self, hold_id: str, patience_s: float) -> None:
        """What is told here is there at once."""

    def unmet_precondition(self, bay: str, procedure: str) -> str | None:
        return self.refused.get((bay, procedure))

    def health(self) -> dict[str, object]:
        return {"status": "degraded", "broker": "no connection to 127.0.0.1:1883"}

    def metrics(self) -> list[Metric]:
        told = "Readings taken in."
        return [
            Metric("holdwatch_readings_total", "counter", told, 12.0, {"bay": "bay-1"}),
            Metric("holdwatch_readings_total", "counter", told, 3.0, {"bay": 'b"2\\'}),
            Metric("holdwatch_up", "gauge", "Whether the service runs.", 1.0),
        ]


def nitrogen_values(shown: str) -> list[LiveValue]:
    """Return a charged system's values."""
    return [
        value("pipe_temperature", 296.25, "23.1", "°C"),
        value("ambient_temperature", 295.0, "21.9", "°C"),
        value("high_side", float(shown) * 1e3, shown, "kPa (gauge)"),
        value("barometer", 98.7e3, "98.7", "kPa (absolute)"),
    ]


def vacuum_values(shown: str) -> list[LiveValue]:
    """Return an evacuated system's values."""
    return [
        value("vacuum", float(shown) * MICRON_PA, shown, "micron"),
        value("pipe_temperature", 294.0, "20.9", "°C"),
        value("ambient_temperature", 294.6, "21.4", "°C"),
    ]
