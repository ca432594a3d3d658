"""Replays a recorded trace as a probe: its readings come live, each at its time."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - pydantic reads it at run time
from typing import TYPE_CHECKING, ClassVar, Literal

from holdwatch_adapters.settings import ProbeSettings
from holdwatch_adapters.trace import read_trace
from holdwatch_physics.reading import Channel, Reading

if TYPE_CHECKING:
    from collections.abc import AsyncGenerator, Callable, Iterable, Sequence

    from holdwatch_adapters.ports import Adapter, Clock, Surroundings
    from holdwatch_physics.reading import ProbeNotice


class TraceSettings(ProbeSettings):
    """A recorded trace that stands for a probe."""

    channels: ClassVar = "any"
    kind: Literal["trace"] = "trace"
    file: Path | None = None

    def check_kind(self) -> None:
        """Refuse a probe without its file."""
        if self.file is None:
            raise ValueError("a trace probe needs `file`, the recorded trace")


def open_traces(probes: Sequence[TraceSettings], surroundings: Surroundings) -> list[Adapter]:
    """Return an adapter for each trace."""
    return [
        TraceAdapter(probe.file, surroundings.clock, probe=probe.name)
        for probe in probes
        if probe.file is not None
    ]


class TraceAdapter:
    """Replays a recorded trace live, each reading at its time on the clock given.

    Readings carry the recorded spacing exactly: their stamps are the stream's start plus the
    trace's own time, so that judging the replay and judging the file come to the same.

    Args:
        source: The trace's path, or its lines.
        clock: Paces the replay and gives its start.
        on_mark: Called with a mark's monotonic time (ns) and word when its time has come; where
            None, marks are passed over.
        probe: Name of the probe that the trace stands for: its channels become
            ``<probe>/<channel>``. None leaves them as they are.
    """

    def __init__(
        self,
        source: Path | str | Iterable[str],
        clock: Clock,
        on_mark: Callable[[int, str], None] | None = None,
        *,
        probe: str | None = None,
    ) -> None:
        self._probe = probe
        self._source = source
        self._clock = clock
        self._on_mark = on_mark

    @property
    def name(self) -> str:
        """Return the adapter's name in logs and health."""
        return "trace"

    async def stream(self) -> AsyncGenerator[Reading | ProbeNotice, None]:
        """Yield the readings at their times; end with the trace.

        Raises:
            TraceError: A line cannot be read.
        """
        utc_zero, mono_zero = self._clock.utc_ns(), self._clock.mono_ns()
        for row in read_trace(self._source):
            mono_ns = mono_zero + row.t_ns
            ahead = mono_ns - self._clock.mono_ns()
            if ahead > 0:
                await self._clock.sleep(ahead / 1_000_000_000)
            if row.quantity is None:
                if self._on_mark is not None:
                    self._on_mark(mono_ns, row.word)
                continue
            utc_ns = utc_zero + row.t_ns
            channel = row.channel
            if self._probe is not None:
                channel = str(Channel(self._probe, channel))
            yield Reading(channel, row.quantity, utc_ns, mono_ns, row.value, row.quality)
