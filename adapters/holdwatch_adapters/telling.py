"""What one probe tells: readings and notices stamped by a clock, complaints at a limited rate."""

from __future__ import annotations

import logging
from typing import TYPE_CHECKING, Final

from holdwatch_physics.reading import Channel, ProbeNotice, Quantity, Reading

if TYPE_CHECKING:
    from holdwatch_adapters.ports import Clock

log = logging.getLogger(__name__)

Told = tuple[Reading | ProbeNotice, ...]

_COMPLAIN_AGAIN_NS: Final = 60_000_000_000  # a babbling probe is named once a minute


class Teller:
    """Speaks for one probe.

    Args:
        probe: The probe's name.
        clock: Stamps what is told.

    Attributes:
        complained: What was complained of, kind and source → when, mono_ns.
    """

    def __init__(self, probe: str, clock: Clock) -> None:
        self.probe = probe
        self.complained: dict[str, int] = {}
        self._clock = clock

    def notice(self, kind: str, detail: str = "", value: float | None = None) -> ProbeNotice:
        """Return a notice about the probe, stamped now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return ProbeNotice(self.probe, kind, utc_ns, mono_ns, detail, value)

    def reading(self, channel: str, quantity: Quantity, value_si: float) -> Reading:
        """Return a reading of the channel ``<probe>/<channel>``, stamped now."""
        utc_ns, mono_ns = self._clock.utc_ns(), self._clock.mono_ns()
        return Reading(str(Channel(self.probe, channel)), quantity, utc_ns, mono_ns, value_si)

    def complain(self, kind: str, source: str, detail: str) -> Told:
        """Return a notice, or nothing where the same was said less than a minute ago."""
        now = self._clock.mono_ns()
        key = f"{kind} {source}"
        last = self.complained.get(key)
        if last is not None and now - last < _COMPLAIN_AGAIN_NS:
            return ()
        self.complained[key] = now
        return (self.notice(kind, f"{self.probe}: {detail}"),)

    def is_well(self, kind: str, source: str) -> None:
        """Let the next complaint about this source be heard at once."""
        self.complained.pop(f"{kind} {source}", None)


class Presence:
    """Whether a probe is being heard: ``connected`` at its first value, ``lost`` after silence.

    Args:
        teller: Speaks for the probe.
        way: The name of the way in, for the log.
        silence_s: No value for this long means that the probe is lost.
        now_s: Real seconds at the start.
    """

    def __init__(self, teller: Teller, way: str, silence_s: float, now_s: float) -> None:
        self._teller = teller
        self._way = way
        self._silence_s = silence_s
        self._last_s = now_s
        self.is_here = False

    def heard(self, now_s: float) -> Told:
        """Note that the probe gave a value."""
        self._last_s = now_s
        if self.is_here:
            return ()
        self.is_here = True
        log.info("%s: %s connected", self._way, self._teller.probe)
        return (self._teller.notice("connected"),)

    def looked(self, now_s: float, why: str = "") -> Told:
        """Return the notice of loss once the silence has lasted too long.

        Args:
            now_s: Real seconds now.
            why: What is known of the reason.
        """
        if not self.is_here or now_s - self._last_s < self._silence_s:
            return ()
        self.is_here = False
        reason = why or f"nothing was heard for {self._silence_s:g} s"
        log.warning("%s: %s lost: %s", self._way, self._teller.probe, reason)
        return (self._teller.notice("lost", reason),)
