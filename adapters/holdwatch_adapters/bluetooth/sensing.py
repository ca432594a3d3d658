"""What an Environmental Sensing characteristic says of how it measures and when it notifies.

Descriptors ES Measurement (0x290C), ES Trigger Setting (0x290D) and ES Configuration (0x290B):
Environmental Sensing Service 1.0, section 3.1.2. The layout and the codes of the first agree
with two open firmware implementations of the service; those of the others are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

_MEASUREMENT_LENGTH: Final = 11
_NOT_STATED: Final = 0
_NO_UNCERTAINTY: Final = 0xFF
_SAMPLING: Final = {
    0x00: "unspecified",
    0x01: "instantaneous",
    0x02: "mean",
    0x03: "root mean square",
    0x04: "maximum",
    0x05: "minimum",
    0x06: "accumulated",
    0x07: "count",
}
_PRESENT_VALUES: Final = frozenset({"unspecified", "instantaneous", "mean"})


@dataclass(frozen=True, slots=True)
class Sampling:
    """How a characteristic measures.

    Attributes:
        function: In the format's words: ``instantaneous``, ``mean``, ``maximum``, …
        period_s: Over what time it measures or averages, s; None where not stated.
        interval_s: Time between two values, s; None where not stated.
        uncertainty_percent: Relative uncertainty; None where not stated.
    """

    function: str
    period_s: int | None
    interval_s: int | None
    uncertainty_percent: float | None

    @property
    def is_present_value(self) -> bool:
        """Whether the value tells the present: a maximum of the past hour is no reading."""
        return self.function in _PRESENT_VALUES


def sampling(descriptor: bytes) -> Sampling | None:
    """Return what an ES Measurement descriptor says, or None where it cannot be read.

    Layout, little endian: flags u16, sampling function u8, measurement period u24 s, update
    interval u24 s, application u8, uncertainty u8 in half percent.

    >>> sampling(bytes.fromhex("0000" "02" "0a0000" "3c0000" "03" "04")).interval_s
    60
    """
    if len(descriptor) != _MEASUREMENT_LENGTH:
        return None
    uncertainty = descriptor[10]
    return Sampling(
        _SAMPLING.get(descriptor[2], "reserved"),
        int.from_bytes(descriptor[3:6], "little") or None,
        int.from_bytes(descriptor[6:9], "little") or None,
        None if uncertainty == _NO_UNCERTAINTY else uncertainty / 2.0,
    )


_BY_TIME: Final = frozenset({0x01, 0x02})  # at a fixed interval; not more often than an interval
_ANY_OF: Final = 0x01  # of the configuration descriptor: one trigger is enough


def notifies_by_time(triggers: Sequence[bytes], configuration: bytes) -> bool:
    """Return whether a characteristic notifies without waiting for a certain value.

    A probe that speaks only when its value changes or crosses a limit would look dead on a
    steady hold; such a one is polled as well.

    Args:
        triggers: Its ES Trigger Setting descriptors; the first byte is the condition.
        configuration: Its ES Configuration descriptor; empty where it has none.
    """
    by_time = [bool(trigger) and trigger[0] in _BY_TIME for trigger in triggers]
    if not by_time:
        return True
    any_of = len(configuration) == 1 and configuration[0] == _ANY_OF
    return any(by_time) if any_of else all(by_time)
