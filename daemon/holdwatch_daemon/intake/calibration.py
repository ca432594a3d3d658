"""Works out a gauge's own error from readings at a known pressure, and tells of each calibration.

How a calibration is applied stands with the probe's settings.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from holdwatch_daemon.errors import CalibrationError
from holdwatch_daemon.store.events import Draft
from holdwatch_physics.reading import Channel

if TYPE_CHECKING:
    import sqlite3
    from collections.abc import Mapping, Sequence

    from holdwatch_adapters.settings import CalibrationSettings, ProbeSettings
    from holdwatch_daemon.settings.shop import ShopConfig
    from holdwatch_physics.reading import Calibration


def calibrations_of(probe: ProbeSettings) -> dict[str, Calibration]:
    """Return the calibrated channels of a probe, for example ``gauge-2/pressure``."""
    return {
        str(Channel(probe.name, channel)): config.line(probe.unit)
        for channel, config in probe.calibration.items()
    }


def calibration_events(
    config: ShopConfig, last: Mapping[str, Mapping[str, Any]], utc_ns: int
) -> list[Draft]:
    """Return an event for each channel whose calibration is not the one last reported.

    With these events what a device said can be had back from what was recorded, for all time:
    said = (recorded − offset) / scale in the unit that the event names.

    Args:
        config: The shop's configuration.
        last: Channel → data of its newest event, as ``last_calibrations`` returns it.
        utc_ns: The present time.
    """
    drafts = []
    for probe in config.probe:
        known = map(Channel.parse, last)
        reported_before = {channel.quantity for channel in known if channel.probe == probe.name}
        for channel in sorted(set(probe.calibration) | reported_before):
            name = str(Channel(probe.name, channel))
            data = {"probe": probe.name, "channel": name}
            data |= _figures(probe.calibration.get(channel), probe.unit)
            if data != last.get(name):
                drafts.append(Draft("holdwatch.probe.calibrated", utc_ns, data, subject=name))
    return drafts


def last_calibrations(connection: sqlite3.Connection) -> dict[str, dict[str, Any]]:
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


LEAST_READINGS: Final = 5
MOST_OFFSET: Final = 0.02
"""Share of the range beyond which an offset is a fault or a pressure, not a zero error."""
MOST_SCALE_ERROR: Final = 0.05
LEAST_APART: Final = 0.10
"""Share of the range that two points must lie apart: nearer, the noise makes the scale."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """What is known of the gauge, in its own unit.

    Attributes:
        name: What messages call it.
        unit: How people read its unit.
        low: Lowest value of its range.
        high: Highest.
        resolution: Step of its readings; 0 where unknown.
        noise: Scatter of single readings; 0 where unknown.
    """

    name: str
    unit: str
    low: float
    high: float
    resolution: float = 0.0
    noise: float = 0.0

    @property
    def span(self) -> float:
        """The width of the range."""
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class Found:
    """A measured calibration: recorded = said · scale + offset, in the gauge's unit.

    Attributes:
        offset: In the gauge's unit.
        scale: Without a unit.
        how: One line for the configuration.
        note: What a person should know of it; empty where nothing.
    """

    offset: float
    scale: float
    how: str
    note: str = ""


def zero(said: Sequence[float], true: float, gauge: Gauge, *, scale: float = 1.0) -> Found:
    """Return the offset of a gauge that stands at a known pressure, by its mean.

    Args:
        said: Its readings as the device says them, in order of time, in its unit.
        true: The pressure that it stands at: 0 for a vented gauge open to the air.
        gauge: What is known of it.
        scale: The scale that it keeps.

    Raises:
        CalibrationError: Too few readings, moving ones, a pressure outside its range, or an
            offset above 2 % of the range: each a sign that this is no zero.
    """
    mean = _steady_mean(said, gauge)
    if not gauge.low <= true < gauge.high:
        raise CalibrationError(
            f"{gauge.name}: {true:g} {gauge.unit} is outside its range of {gauge.low:g} to "
            f"{gauge.high:g}: it cannot be zeroed there. Compare it with a reference at two "
            "pressures in its range and give both with --point"
        )
    offset = _rounded(true - mean * scale)
    if abs(offset) > MOST_OFFSET * gauge.span:
        raise CalibrationError(
            f"{gauge.name}: it says {mean:g} {gauge.unit} where {true:g} is true, more than "
            f"{100 * MOST_OFFSET:g} % of its range: it is not open to the air, its unit or "
            "reference is configured wrongly, or it is broken. Nothing was changed"
        )
    note = ""
    if max(said) == min(said) == gauge.low:
        note = (
            f"It says exactly {gauge.low:g}, the end of its range: an offset below that cannot be "
            "seen."
        )
    return Found(offset, scale, f"zero at {true:g} {gauge.unit}, {len(said)} readings", note)


def two_points(points: Sequence[tuple[float, float]], gauge: Gauge) -> Found:
    """Return the line through two comparisons with a reference.

    Args:
        points: What the gauge said and what was true, twice, in its unit.
        gauge: What is known of it.

    Raises:
        CalibrationError: Not two points, points too near each other, or a scale or an offset
            that no working gauge has.
    """
    if len(points) != 2:
        raise CalibrationError("give exactly two points, each as SAID=TRUE in the gauge's unit")
    (said_1, true_1), (said_2, true_2) = sorted(points)
    apart = said_2 - said_1
    if apart < LEAST_APART * gauge.span:
        raise CalibrationError(
            f"{gauge.name}: the two points lie {apart:g} {gauge.unit} apart; take them at least "
            f"{LEAST_APART * gauge.span:g} apart (a tenth of the range)"
        )
    scale = (true_2 - true_1) / apart
    offset = true_1 - scale * said_1
    if abs(scale - 1.0) > MOST_SCALE_ERROR or abs(offset) > MOST_SCALE_ERROR * gauge.span:
        raise CalibrationError(
            f"{gauge.name}: a scale of {scale:.4g} with an offset of {offset:.4g} {gauge.unit} is "
            f"more than {100 * MOST_SCALE_ERROR:g} % off: a point is mistyped, or the gauge is "
            "broken. Nothing was changed"
        )
    how = f"two points, {said_1:g} was {true_1:g} and {said_2:g} was {true_2:g} {gauge.unit}"
    return Found(_rounded(offset), _rounded(scale), how)


def _steady_mean(said: Sequence[float], gauge: Gauge) -> float:
    if len(said) < LEAST_READINGS:
        raise CalibrationError(
            f"{gauge.name}: {len(said)} readings came, {LEAST_READINGS} are needed: is it awake "
            "and near? Give it longer with --seconds"
        )
    third = max(len(said) // 3, 1)
    moved = sum(said[-third:]) / third - sum(said[:third]) / third
    still = max(2.0 * gauge.resolution, 2.0 * gauge.noise, 5e-4 * gauge.span)
    spread = max(said) - min(said)
    if abs(moved) > still or spread > 10.0 * still:
        raise CalibrationError(
            f"{gauge.name}: its readings move ({spread:g} {gauge.unit} between the lowest and the "
            f"highest, {moved:+.3g} from the beginning to the end): let it settle, open to the "
            "air, and try again. Nothing was changed"
        )
    return sum(said) / len(said)


def _rounded(figure: float) -> float:
    """Six digits are more than any gauge has, and read well in a file."""
    return float(f"{figure:.6g}") + 0.0
