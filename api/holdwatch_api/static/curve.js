// The curve of a hold: change since the valve was closed, what a leak could account for, the limit.

import { roomFor, spansDecades } from "./scale.js";

const ENDS_MIN = [5, 10, 15, 20, 30, 45, 60, 90, 120, 180, 240, 360, 480, 720, 960, 1440, 2880, 10080];

/** The end of the time axis: it moves in steps, so that the curve does not creep. */
export function axisEnd(minutes, latest) {
  const wanted = ENDS_MIN.find((end) => end >= minutes * 1.25) ?? minutes;
  return Number.isFinite(latest) && latest > 0 ? Math.min(wanted, Math.max(latest, minutes)) : wanted;
}

const GAP_MIN = 1; // points come every 10 s; over a longer silence no line is drawn

/** The points that tell of the change; none before the valve is closed and the gas has settled. */
export function judged(points, hold) {
  return hold.since_mark_s === null ? [] : points.filter((p) => p.compensated_pa !== null);
}

/** What is drawn of the change, from the points of a curve; in minutes since the mark and the unit's figures. */
export function shapeChange(points, hold, unit) {
  const mark = hold.elapsed_s - hold.since_mark_s;
  const usable = judged(points, hold);
  const minute = (p) => (p.t_s - mark) / 60;
  const x = [];
  const y = [];
  for (const point of usable) {
    const at = minute(point);
    if (x.length && at - x[x.length - 1] > GAP_MIN) { x.push(at); y.push(null); }
    x.push(at);
    y.push(point.compensated_pa / unit.pa);
  }
  const newest = x[x.length - 1];
  const end = hold.outcome ? Math.max(newest, 1) : axisEnd(newest, (hold.latest_end_s - mark) / 60);
  const limit = limitLine(points, minute, unit, end, hold);
  return { change: true, x, y, limit, band: bandOf(usable, minute, unit, hold), end, log: false };
}

/** What is drawn before: the pressure itself, in minutes since the hold began. */
export function shapePressure(series, hold, unit) {
  const x = series.t_s.map((t) => t / 60);
  const y = series.value.map((value) => value / unit.pa);
  const log = hold.procedure === "standing-vacuum" && spansDecades(y);
  const end = axisEnd(hold.elapsed_s / 60, Infinity);
  return { change: false, x, y, limit: { x: [], y: [] }, band: null, end, log };
}

function limitLine(points, minute, unit, end, hold) {
  const known = points.filter((p) => p.criterion_pa !== null);
  const x = known.map(minute);
  const y = known.map((p) => p.criterion_pa / unit.pa);
  if (x.length > 1 && x[x.length - 1] < end) {
    // A leak at the limit goes on as it went; a limit on the change itself is level.
    const last = x.length - 1;
    const from = Math.max(0, last - 6);
    const slope = hold.criterion_kind.startsWith("max_change") ? 0 : (y[last] - y[from]) / (x[last] - x[from] || 1);
    x.push(end);
    y.push(y[last] + slope * (end - x[last]));
  }
  return { x, y };
}

/** The change that a leak between the deciding bounds would have made by each moment. */
function bandOf(points, minute, unit, hold) {
  const limit = hold.criterion_g_per_year;
  if (!limit) return null;
  const known = points.filter((p) => p.criterion_pa !== null && p.low_g_per_year !== null && p.high_g_per_year !== null);
  if (!known.length) return null;
  const at = (p, grams) => (p.criterion_pa * grams) / limit / unit.pa;
  return {
    x: known.map(minute),
    low: known.map((p) => at(p, p.low_g_per_year)),
    high: known.map((p) => at(p, p.high_g_per_year)),
  };
}

/** The value axis shows the curve and the limit whole; a band that is wider is cut off. */
export function valueRange(drawn) {
  const values = [...drawn.y, ...drawn.limit.y];
  if (drawn.change) values.push(0);
  return roomFor(values, 0.12, drawn.log);
}

const HOURS_FROM_MIN = 300; // a longer time is told in hours

/** What a plot draws of a shape. */
export function drawingOf(drawn, hold, unit) {
  const closed = hold.procedure === "standing-vacuum" ? "isolated" : "valve closed";
  const kind = drawn.end > HOURS_FROM_MIN ? "hours" : "minutes";
  const time = (minutes) => (kind === "hours" ? minutes.map((one) => one / 60) : minutes);
  const series = [{ css: "measured", x: time(drawn.x), y: drawn.y, name: drawn.change ? "measured" : "pressure", ends: true, leads: true }];
  if (drawn.limit.x.length) series.unshift({ css: "limit", x: time(drawn.limit.x), y: drawn.limit.y, name: "limit", label: "limit" });
  if (drawn.band) series.unshift({ css: "measured", x: time(drawn.band.x), low: drawn.band.low, high: drawn.band.high });
  return {
    x: { from: 0, to: time([drawn.end])[0], kind, title: `${kind} since ${drawn.change ? closed : "the hold began"}` },
    y: { ...valueRange(drawn), unit: unit.text },
    series,
    marks: drawn.change ? [{ css: "zero", y: 0 }] : [],
  };
}
