"""Curves of a hold as small drawings (SVG) that a report carries inside itself."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from holdwatch_procedures.vehicles import CurvePointRow

_NAMESPACE = "http://www.w3.org/2000/svg"
# Written on each part: not every program that draws SVG looks at the page's style sheet.
_VALUE = 'fill="none" stroke="#12506b" stroke-width="1.6"'
_LIMIT = 'fill="none" stroke="#a35a00" stroke-width="1.2" stroke-dasharray="5 3"'
_BOUNDS = 'fill="#cfe0e8" stroke="none"'
_GRID = 'stroke="#dde3e6" stroke-width="0.6"'
_BOX = 'fill="none" stroke="#5a666d" stroke-width="0.8"'
_TEXT = 'font-family="DejaVu Sans, sans-serif" font-size="9" fill="#1d2429"'
_LEFT, _TOP, _RIGHT, _BOTTOM = 52.0, 20.0, 8.0, 30.0


@dataclass(frozen=True, slots=True)
class _Frame:
    """Where a drawing's figures fall on its paper."""

    width: float
    height: float
    x_most: float
    y_least: float
    y_most: float

    def x(self, value: float) -> float:
        span = self.width - _LEFT - _RIGHT
        return _LEFT + span * value / self.x_most

    def y(self, value: float) -> float:
        span = self.height - _TOP - _BOTTOM
        share = (value - self.y_least) / (self.y_most - self.y_least)
        return _TOP + span * (1.0 - min(max(share, 0.0), 1.0))


def pressure_svg(curve: Sequence[CurvePointRow], *, width: float = 330, height: float = 150) -> str:
    """Return the drawing of the compensated pressure change beside what the criterion allows.

    Empty text where there are fewer than two points with a change.
    """
    known = [point for point in curve if point.compensated_pa is not None]
    if len(known) < 2:
        return ""
    values = [point.compensated_pa or 0.0 for point in known]
    limits = [point.criterion_pa for point in known if point.criterion_pa is not None]
    scale, unit = (1e3, "kPa") if max(map(abs, [*values, *limits])) >= 1000 else (1.0, "Pa")
    frame = _frame(known, [v / scale for v in [*values, *limits, 0.0]], width, height)
    body = [_line(known, frame, lambda p: _over(p.criterion_pa, scale), _LIMIT)]
    body.append(_line(known, frame, lambda p: _over(p.compensated_pa, scale), _VALUE))
    return _drawing(frame, f"pressure change without temperature, {unit}", body)


def leak_svg(curve: Sequence[CurvePointRow], *, width: float = 330, height: float = 150) -> str:
    """Return the drawing of the leak with its deciding bounds drawing together.

    What the first minutes say is cut off above: the scale is that of the later half.
    """
    known = [
        point
        for point in curve
        if point.leak_g_per_year is not None
        and point.low_g_per_year is not None
        and point.high_g_per_year is not None
    ]
    if len(known) < 2:
        return ""
    later = known[len(known) // 2 :]
    most = max(point.high_g_per_year or 0.0 for point in later)
    least = min(point.low_g_per_year or 0.0 for point in later)
    margin = 0.15 * (most - least)
    frame = _frame(known, [most + margin, least - margin, 0.0], width, height)
    upper = [(frame.x(p.t_s), frame.y(p.high_g_per_year or 0.0)) for p in known]
    lower = [(frame.x(p.t_s), frame.y(p.low_g_per_year or 0.0)) for p in reversed(known)]
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in [*upper, *lower])
    body = [f'<polygon {_BOUNDS} points="{points}"/>']
    body.append(_line(known, frame, lambda p: p.leak_g_per_year, _VALUE))
    return _drawing(frame, "leak with its bounds, g a year", body)


def _over(value: float | None, scale: float) -> float | None:
    return None if value is None else value / scale


def _frame(
    points: Sequence[CurvePointRow], values: Sequence[float], width: float, height: float
) -> _Frame:
    least, most = min(values), max(values)
    if most - least <= 0.0:
        most = least + 1.0
    room = 0.05 * (most - least)
    x_most = max(point.t_s for point in points) or 1.0
    return _Frame(width, height, x_most, least - room, most + room)


def _line(
    points: Sequence[CurvePointRow],
    frame: _Frame,
    value: Callable[[CurvePointRow], float | None],
    kind: str,
) -> str:
    places = [
        f"{frame.x(point.t_s):.1f},{frame.y(figure):.1f}"
        for point in points
        if (figure := value(point)) is not None
    ]
    return f'<polyline {kind} points="{" ".join(places)}"/>' if places else ""


def _drawing(frame: _Frame, title: str, body: Sequence[str]) -> str:
    right, bottom = frame.width - _RIGHT, frame.height - _BOTTOM
    box = f"0 0 {frame.width:g} {frame.height:g}"
    parts = [
        f'<svg viewBox="{box}" role="img" aria-label="{title}" xmlns="{_NAMESPACE}">',
        f'<text {_TEXT} font-weight="bold" x="{_LEFT:g}" y="12">{title}</text>',
    ]
    for tick in _ticks(frame.y_least, frame.y_most, 6):
        y = frame.y(tick)
        parts.append(f'<line {_GRID} x1="{_LEFT:g}" y1="{y:.1f}" x2="{right:g}" y2="{y:.1f}"/>')
        parts.append(f'<text {_TEXT} x="{_LEFT - 5:g}" y="{y + 3:.1f}" text-anchor="end">'
                     f"{tick:g}</text>")  # fmt: skip
    by, word = (3600.0, "h") if frame.x_most > 2 * 3600.0 else (60.0, "min")
    for tick in _ticks(0.0, frame.x_most / by, 6):
        x = frame.x(tick * by)
        parts.append(f'<text {_TEXT} x="{x:.1f}" y="{bottom + 12:g}" text-anchor="middle">'
                     f"{tick:g}</text>")  # fmt: skip
    parts.append(f'<text {_TEXT} x="{right:g}" y="{frame.height - 4:g}" '
                 f'text-anchor="end">time of the hold, {word}</text>')  # fmt: skip
    frame_box = f'width="{right - _LEFT:g}" height="{bottom - _TOP:g}"'
    parts.append(f'<rect {_BOX} x="{_LEFT:g}" y="{_TOP:g}" {frame_box}/>')
    return "".join([*parts, *body, "</svg>"])


def _ticks(least: float, most: float, about: int) -> list[float]:
    """Return round figures inside a range, about so many.

    >>> _ticks(0.0, 10.0, 5)
    [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
    """
    rough = (most - least) / about
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * n for n in (1.0, 2.0, 5.0, 10.0) if power * n >= rough * 0.999)
    first = math.ceil(least / step - 1e-9)
    last = math.floor(most / step + 1e-9)
    return [round(n * step, 12) + 0.0 for n in range(first, last + 1)]
