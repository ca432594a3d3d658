"""How long what is recorded is kept, and what gives way when the disk fills."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from holdwatch_daemon.settings.base import Table


class KeepingConfig(Table):
    """Retention; without it everything is kept, for as long as the disk has room.

    Readings that a hold cites, events, holds, verdicts, visits and the summaries of ten minutes
    and of an hour are kept for ever.

    Attributes:
        raw_days: Readings that no hold cites are kept so long, days; None: for ever.
        fine_days: Summaries of ten seconds and of a minute are kept so long, days.
        low_disk_mb: Below this much free room the alarm stands, and the oldest readings give way.
        thin_when_low: Whether they do.
        least_days: However full the disk is, readings are kept so long, days.
    """

    raw_days: float | None = Field(default=None, ge=1, le=36500)
    fine_days: float | None = Field(default=None, ge=1, le=36500)
    low_disk_mb: float = Field(default=200.0, ge=0, le=1e7)
    thin_when_low: bool = True
    least_days: float = Field(default=7.0, ge=1, le=36500)

    @model_validator(mode="after")
    def _orders(self) -> Self:
        if self.fine_days is not None and (self.raw_days is None or self.fine_days < self.raw_days):
            raise ValueError(
                "`fine_days` must not be shorter than `raw_days`: where readings are kept, "
                "their summaries are too"
            )
        if self.raw_days is not None and self.least_days > self.raw_days:
            raise ValueError("`least_days` must not be longer than `raw_days`")
        return self
