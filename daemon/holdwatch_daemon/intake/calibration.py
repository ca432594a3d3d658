"""What a shop found out about a gauge's own error, and readings put right by it."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from holdwatch_daemon.store.events import Draft
from holdwatch_physics.reading import Channel

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping

    from holdwatch_adapters.settings import Calibration, CalibrationSettings, ProbeSettings
    from holdwatch_daemon.settings.shop import ShopConfig


def calibrations_of(probe: ProbeSettings) -> dict[str, Calibration]:
    """Return the calibrated channels of a probe, for example ``gauge-2/pressure``."""
    return {
        str(Channel(probe.name, channel)): config.line(probe.unit)
        for channel, config in probe.calibration.items()
    }


def calibration_drafts(
    config: ShopConfig, last: Mapping[str, Mapping[str, Any]], utc_ns: int
) -> list[Draft]:
    """Return an event for each channel whose calibration is not the one last told.

    With these events what a device said can be had back from what was recorded, for all time:
    said = (recorded − offset) / scale in the unit that the event names.

    Args:
        config: The shop's configuration.
        last: Channel → data of its newest event, as ``last_told`` returns it.
        utc_ns: The present time.
    """
    drafts = []
    for probe in config.probe:
        known = map(Channel.parse, last)
        told_before = {channel.quantity for channel in known if channel.probe == probe.name}
        for channel in sorted(set(probe.calibration) | told_before):
            name = str(Channel(probe.name, channel))
            data = {"probe": probe.name, "channel": name}
            data |= _figures(probe.calibration.get(channel), probe.unit)
            if data != last.get(name):
                drafts.append(Draft("holdwatch.probe.calibrated", utc_ns, data, subject=name))
    return drafts


def last_told(connection: sqlite3.Connection) -> dict[str, dict[str, Any]]:
    """Return for each channel ever calibrated the data of its newest event."""
    rows = connection.execute(
        "SELECT subject, body FROM events WHERE type = 'holdwatch.probe.calibrated'"
        " ORDER BY sequence"
    )
    return {str(subject): json.loads(body)["data"] for subject, body in rows}


def _figures(config: CalibrationSettings | None, unit: str | None) -> dict[str, Any]:
    """The figures of an event; None is the calibration without effect."""
    if config is None:
        return {"offset": 0.0, "scale": 1.0, "unit": unit, "made": None, "how": None}
    return {
        "offset": config.offset,
        "scale": config.scale,
        "unit": config.unit or unit,
        "made": None if config.made is None else config.made.isoformat(),
        "how": config.how,
    }
