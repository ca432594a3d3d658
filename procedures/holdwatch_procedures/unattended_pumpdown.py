"""One pump-down by wire: when it is over, what stands against it, and whether it was isolated."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from holdwatch_procedures.evacuation import (
    HIGHEST_VACUUM_PA,
    EvacuationNews,
    EvacuationPhase,
    EvacuationWatch,
)
from holdwatch_procedures.unattended_guard import is_off_scale

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation import EvacuationEvent
    from holdwatch_procedures.unattended_guard import Sight
    from holdwatch_procedures.unattended_orders import Figures

NO_PULL_S = 330.0
"""How long a rise under the running pump may last before the pump counts as not pulling, s."""
_RECENT_S = 30.0
_RISES = "The pressure rises although the pump should pull."


class Turn(StrEnum):
    """What a pump-down comes to."""

    ON = "on"  # it goes on
    CLOSE = "close"  # the valve is to be closed, and the hold to tell
    FAULT = "fault"


class Way(NamedTuple):
    """What is to be done next, and why."""

    turn: Turn
    text: str = ""


_ON = Way(Turn.ON)


class PumpDown:
    """Follows the pressure from the open valve to the seen isolation.

    Args:
        begun_ns: When the valve was confirmed open, ns.
        figures: What the evacuation keeps to.
    """

    def __init__(self, begun_ns: int, figures: Figures) -> None:
        self.at_target_since_ns: int | None = None
        self._begun_ns = self._newest_ns = begun_ns
        self._figures = figures
        self._watch = EvacuationWatch(figures.target_pa, resolution_pa=figures.resolution_pa)
        self._stalled: str | None = None
        self._rises_ns: int | None = None
        self._rise_seen = False

    @property
    def pressure_pa(self) -> float | None:
        """The pressure, averaged over two seconds, Pa."""
        return self._watch.facts.pressure_pa

    def push(
        self, t_ns: int, pressure_pa: float, wall_k: float | None, *, pumping: bool
    ) -> list[str]:
        """Take a good reading; return what there is to tell.

        Args:
            t_ns: Its time, ns.
            pressure_pa: Absolute pressure, Pa.
            wall_k: Temperature of the coldest wall, K, where known.
            pumping: Whether the valve has not been commanded closed yet.
        """
        if t_ns <= self._newest_ns:
            return []
        self._newest_ns = t_ns
        t_s = (t_ns - self._begun_ns) / 1e9
        events = self._watch.push(t_s, pressure_pa, wall_k)
        told = [self._news(t_ns, event, pumping=pumping) for event in events]
        if pumping and self.pressure_pa is not None:
            if self.pressure_pa > self._figures.target_pa:
                self.at_target_since_ns = None
            elif self.at_target_since_ns is None:
                self.at_target_since_ns = t_ns
        return [text for text in told if text]

    def way(self, t_ns: int) -> Way:
        """Return what the pump-down comes to by now."""
        if self._rises_ns is not None:
            if t_ns - self._rises_ns <= NO_PULL_S * 1e9:
                return _ON
            return Way(Turn.FAULT, f"{_RISES} It does not: check pump, hose and valve.")
        at_target = self.at_target_since_ns
        if at_target is not None and t_ns - at_target >= self._figures.held_s * 1e9:
            return Way(Turn.CLOSE, "The target was reached and held; the valve is closed.")
        if self._stalled is not None:
            return Way(Turn.CLOSE, f"{self._stalled} The valve is closed to tell.")
        too_long = t_ns - self._begun_ns >= self._figures.longest_pump_s * 1e9
        return self._too_long() if too_long else _ON

    def is_isolated(self, t_ns: int, closed_ns: int, sight: Sight) -> bool:
        """Whether the pressure shows that the pump, which still runs, no longer pulls.

        It rises steadily, or it has risen out of the vacuum gauge's range.
        """
        rises = self._rise_seen and self._watch.facts.phase is EvacuationPhase.ISOLATED
        was_read = self._newest_ns > min(closed_ns, t_ns - round(_RECENT_S * 1e9))
        return rises or (was_read and is_off_scale(sight))

    def _too_long(self) -> Way:
        if self.pressure_pa is None or self.pressure_pa > HIGHEST_VACUUM_PA:
            text = "The pump-down took too long and reached no vacuum: check pump, hose and valves."
            return Way(Turn.FAULT, text)
        return Way(Turn.CLOSE, "The longest pump-down is over; the valve is closed to tell.")

    def _news(self, t_ns: int, event: EvacuationEvent, *, pumping: bool) -> str | None:
        match event.kind:
            case EvacuationNews.RESUMED:
                self._rises_ns, self._rise_seen = None, False
            case EvacuationNews.ISOLATED if pumping:
                self._rises_ns = t_ns
                return _RISES
            case EvacuationNews.ISOLATED:
                self._rise_seen = True
                return None
            case EvacuationNews.STAGNATED if pumping:
                self._stalled = event.text
                return None  # said as the reason for closing
        return event.text
