"""Names what the store knows of a bay: its alarms, and a running hold to be written anew."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import asyncio

    from holdwatch_daemon.messages import Alarm
    from holdwatch_daemon.store.hold_identity import HoldIdentity
    from holdwatch_procedures.wording import Say


class BayAlarms(Protocol):
    """A bay's alarms, as far as the store raises and settles them."""

    def standing(self) -> list[Alarm]:
        """Return the alarms that stand, the oldest first."""

    def raise_(self, kind: str, what: Say, utc_ns: int) -> bool:
        """Raise an alarm unless one of its kind stands; return whether it is new."""

    def cause_gone(self, kind: str, utc_ns: int) -> bool:
        """Note that an alarm's cause is gone; return whether that changed anything."""


class RunningHold(Protocol):
    """A running hold, as far as the store writes it anew or ends it."""

    @property
    def identity(self) -> HoldIdentity:
        """What stays the same through the hold."""

    @property
    def zero_mono_ns(self) -> int:
        """Monotonic time of the hold's zero, ns."""

    def break_off(self, sentence: str, reason: str) -> None:
        """End the hold whose record is lost: never a pass."""

    def finish(self) -> asyncio.Future[None]:
        """End the hold with what there is."""


class RecordedBay(Protocol):
    """A bay whose readings and holds are recorded."""

    @property
    def name(self) -> str:
        """The bay's name."""

    @property
    def alarms(self) -> BayAlarms:
        """Its alarms."""

    @property
    def runner(self) -> RunningHold | None:
        """The running hold; None between holds."""
