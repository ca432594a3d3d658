"""One pump-down by wire: when it is over, what stands against it, and whether it was isolated."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from holdwatch_procedures.evacuation.interlock import off_scale_ns
from holdwatch_procedures.holds.vacuum.pumpdown import (
    CONFIRM_S,
    HIGHEST_VACUUM_PA,
    EvacuationNews,
    EvacuationPhase,
    EvacuationWatch,
)
from holdwatch_procedures.wording import NOTHING, Say, sentences

if TYPE_CHECKING:
    from holdwatch_procedures.evacuation.interlock import Sight
    from holdwatch_procedures.evacuation.orders import Figures
    from holdwatch_procedures.holds.vacuum.pumpdown import EvacuationEvent

NO_PULL_S = 330.0
"""How long a rise under the running pump may last before the pump counts as not pulling, s."""
OFF_SCALE_READINGS = 5
"""How many readings above the vacuum gauge's range, one after the other, show an isolation."""
_RECENT_S = 30.0
_RISES = Say("pumpdown.rises")


class Turn(StrEnum):
    """What a pump-down comes to."""

    ON = "on"  # it goes on
    CLOSE = "close"  # the valve is to be closed, and the hold to tell
    FAULT = "fault"


class Way(NamedTuple):
    """What is to be done next, and why."""

    turn: Turn
    text: Say = NOTHING


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
        self._stalled: Say | None = None
        self._rises_ns: int | None = None
        self._rise_seen = False
        self._off_scale_ns: list[int] = []

    @property
    def pressure_pa(self) -> float | None:
        """The pressure, averaged over two seconds, Pa."""
        return self._watch.facts.pressure_pa

    def push(
        self, t_ns: int, pressure_pa: float, wall_k: float | None, *, pumping: bool
    ) -> list[Say]:
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
        self._off_scale_ns.clear()
        t_s = (t_ns - self._begun_ns) / 1e9
        events = self._watch.push(t_s, pressure_pa, wall_k)
        told = [self._news(t_ns, event, pumping=pumping) for event in events]
        if pumping and self.pressure_pa is not None:
            if self.pressure_pa > self._figures.target_pa:
                self.at_target_since_ns = None
            elif self.at_target_since_ns is None:
                self.at_target_since_ns = t_ns
        return [text for text in told if text is not None]

    def way(self, t_ns: int) -> Way:
        """Return what the pump-down comes to by now."""
        if self._rises_ns is not None:
            if t_ns - self._rises_ns <= NO_PULL_S * 1e9:
                return _ON
            return Way(Turn.FAULT, sentences(_RISES, Say("pumpdown.does_not_pull")))
        at_target = self.at_target_since_ns
        if at_target is not None and t_ns - at_target >= self._figures.held_s * 1e9:
            return Way(Turn.CLOSE, Say("pumpdown.held"))
        if self._stalled is not None:
            return Way(Turn.CLOSE, sentences(self._stalled, Say("pumpdown.closed_to_tell")))
        too_long = t_ns - self._begun_ns >= self._figures.longest_pump_s * 1e9
        return self._too_long() if too_long else _ON

    def is_isolated(self, t_ns: int, closed_ns: int, sight: Sight) -> bool:
        """Whether the pressure shows that the pump, which still runs, no longer pulls.

        It rises steadily, or it has risen out of the vacuum gauge's range and stays there; either
        for some time, since one odd reading proves nothing. To be asked at every look.

        Args:
            t_ns: Now, ns.
            closed_ns: When the valve was confirmed closed, ns.
            sight: What the gauges show.
        """
        stays = self._stays_off_scale(closed_ns, sight)
        if t_ns - closed_ns < CONFIRM_S * 1e9:
            return False
        return stays or (self._rise_seen and self._watch.facts.phase is EvacuationPhase.ISOLATED)

    def _stays_off_scale(self, closed_ns: int, sight: Sight) -> bool:
        """Whether one reading after the other stood above the range, after some within it."""
        read_ns, seen = off_scale_ns(sight), self._off_scale_ns
        if read_ns is None:
            seen.clear()
            return False
        if read_ns > max(closed_ns, self._newest_ns) and (not seen or read_ns > seen[-1]):
            seen.append(read_ns)
        if len(seen) < OFF_SCALE_READINGS or self.pressure_pa is None:
            return False
        from_within = seen[0] - self._newest_ns <= _RECENT_S * 1e9
        return from_within and seen[-1] - seen[0] >= CONFIRM_S * 1e9

    def _too_long(self) -> Way:
        if self.pressure_pa is None or self.pressure_pa > HIGHEST_VACUUM_PA:
            text = Say("pumpdown.no_vacuum")
            return Way(Turn.FAULT, text)
        return Way(Turn.CLOSE, Say("pumpdown.longest"))

    def _news(self, t_ns: int, event: EvacuationEvent, *, pumping: bool) -> Say | None:
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
