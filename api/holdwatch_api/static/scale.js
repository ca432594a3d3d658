// @ts-check
// Scales, ticks and figures of a drawing: from values to places, without a browser.

import { digits } from "./format.js";

/** @typedef {{from: number, to: number, log?: boolean}} Range what an axis shows */
/** @typedef {{at: number, text: string}} Tick a value on an axis; without text it is a fine line only */

const MINUTE_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 240, 480, 720, 1440, 2880, 10080];
const SECOND = 1000;
const HOUR = 3600 * SECOND;
const DAY = 24 * HOUR;
const CLOCK_STEPS = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200].map((s) => s * SECOND);
const DAY_STEPS = [1, 2, 7, 14];
const MONTH_STEPS = [1, 2, 3, 6, 12, 24, 60, 120];

/**
 * The place of a value between two ends, and the value of a place.
 * @param {Range} range
 * @param {number} begin place of `range.from`
 * @param {number} end place of `range.to`
 */
export function scale({ from, to, log = false }, begin, end) {
  const bend = log ? Math.log10 : (/** @type {number} */ value) => value;
  const unbend = log ? (/** @type {number} */ value) => 10 ** value : (/** @type {number} */ value) => value;
  const [low, high] = [bend(from), bend(to)];
  const span = high - low || 1;
  return {
    place: (/** @type {number} */ value) => begin + ((end - begin) * (bend(value) - low)) / span,
    value: (/** @type {number} */ place) => unbend(low + (span * (place - begin)) / (end - begin || 1)),
  };
}

/** The smallest of 1, 2, 5 times a power of ten that cuts a span into at most so many parts. */
export function niceStep(/** @type {number} */ span, /** @type {number} */ most) {
  const least = span / Math.max(1, most);
  const power = 10 ** Math.floor(Math.log10(least));
  return power * ([1, 2, 5, 10].find((factor) => factor * power >= least * (1 - 1e-9)) ?? 10);
}

/** As many decimals as tell two ticks of a step apart. */
export const decimalsOf = (/** @type {number} */ step) => Math.max(0, -Math.floor(Math.log10(step) + 1e-9));

/**
 * @param {number} from
 * @param {number} to
 * @param {number} step
 * @returns {Tick[]}
 */
function stepped(from, to, step) {
  const decimals = decimalsOf(step);
  const ticks = [];
  for (let n = Math.ceil(from / step - 1e-9); n * step <= to + step * 1e-9; n += 1) {
    ticks.push({ at: n * step, text: digits(n * step, decimals) });
  }
  return ticks;
}

/** Round values within a range. */
export function linearTicks(/** @type {Range} */ { from, to }, /** @type {number} */ most) {
  return stepped(from, to, niceStep(to - from, most));
}

/** Minutes as a clock cuts them: 15, 30, 60, not 20, 50, 100. */
export function minuteTicks(/** @type {Range} */ range, /** @type {number} */ most) {
  const span = range.to - range.from;
  const step = MINUTE_STEPS.find((one) => one >= span / most);
  return step === undefined || span / most < 0.5 ? linearTicks(range, most) : stepped(range.from, range.to, step);
}

/** Decades with fine lines between them; within two decades 2 and 5 are named too, within less any round value. */
export function logTicks(/** @type {Range} */ range, /** @type {number} */ most) {
  const decades = Math.log10(range.to / range.from);
  if (decades < 0.8) return linearTicks(range, most);
  const every = Math.max(1, Math.ceil((decades + 1) / most));
  const fine = 3 * decades <= most;
  /** @type {Tick[]} */
  const ticks = [];
  for (let power = Math.floor(Math.log10(range.from)); power <= Math.log10(range.to); power += 1) {
    for (let factor = 1; factor < 10; factor += 1) {
      const at = factor * 10 ** power;
      if (at < range.from * (1 - 1e-9) || at > range.to * (1 + 1e-9)) continue;
      const named = factor === 1 ? power % every === 0 : fine && (factor === 2 || factor === 5);
      ticks.push({ at, text: named ? digits(at, Math.max(0, -power)) : "" });
    }
  }
  return ticks;
}

const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
const MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];

/** "14 May", "14 May 2026" of a moment in this place. */
export function dateText(/** @type {number} */ ms, withYear = false) {
  const day = new Date(ms);
  return `${day.getDate()} ${MONTHS[day.getMonth()]}${withYear ? ` ${day.getFullYear()}` : ""}`;
}

/** "10:42", or "10:42:07". */
export function clockText(/** @type {number} */ ms, withSeconds = false) {
  const time = new Date(ms);
  return `${two(time.getHours())}:${two(time.getMinutes())}${withSeconds ? `:${two(time.getSeconds())}` : ""}`;
}

/**
 * Hours, days or months of this place within a span of ms since 1970; midnight is told by its date.
 * @returns {Tick[]}
 */
export function timeTicks(/** @type {Range} */ { from, to }, /** @type {number} */ most) {
  const least = (to - from) / Math.max(1, most);
  const midnight = new Date(from);
  midnight.setHours(0, 0, 0, 0);
  const clock = CLOCK_STEPS.find((step) => step >= least);
  if (clock !== undefined) {
    const begin = midnight.getTime();
    const ticks = [];
    for (let at = begin + Math.ceil((from - begin) / clock) * clock; at <= to; at += clock) {
      const isMidnight = clockText(at, true) === "00:00:00";
      ticks.push({ at, text: isMidnight ? dateText(at) : clockText(at, clock < 60 * SECOND) });
    }
    return ticks;
  }
  const days = DAY_STEPS.find((step) => step * DAY >= least);
  const months = days ? 0 : MONTH_STEPS.find((step) => step * 30.4 * DAY >= least) ?? 240;
  const at = new Date(midnight);
  if (months) at.setMonth(at.getMonth() - (at.getMonth() % Math.min(months, 12)), 1);
  const ticks = [];
  for (; at.getTime() <= to; days ? at.setDate(at.getDate() + days) : at.setMonth(at.getMonth() + months)) {
    if (at.getTime() < from) continue;
    const text = days ? dateText(at.getTime()) : `${months % 12 ? `${MONTHS[at.getMonth()]} ` : ""}${at.getFullYear()}`;
    ticks.push({ at: at.getTime(), text });
  }
  return ticks;
}

/** Whether values are all above zero and reach over a decade or more. */
export function spansDecades(/** @type {(number | null)[]} */ values) {
  const { low, high } = extent(values);
  return low > 0 && high >= 10 * low;
}

/** The lowest and highest of values, of which some may be missing. */
export function extent(/** @type {Iterable<number | null>} */ values) {
  let [low, high] = [Infinity, -Infinity];
  for (const value of values) {
    if (value === null) continue;
    if (value < low) low = value;
    if (value > high) high = value;
  }
  return { low, high };
}

/** A range that shows all values with some room above and below them. */
export function roomFor(/** @type {(number | null)[]} */ values, share = 0.12, log = false) {
  const { low, high } = extent(values);
  if (low > high) return { from: 0, to: 1, log: false };
  if (log) {
    const room = (high / low) ** share;
    return { from: low / room, to: high * room, log };
  }
  const room = (high - low || Math.abs(high) || 1) * share;
  return { from: low - room, to: high + room, log };
}

/**
 * The index of the value nearest to a wanted one, in ascending values.
 * @param {number[]} values
 * @param {number} wanted
 */
export function nearest(values, wanted) {
  let [low, high] = [0, values.length - 1];
  while (high - low > 1) {
    const middle = (low + high) >> 1;
    if (values[middle] < wanted) low = middle;
    else high = middle;
  }
  return wanted - values[low] <= values[high] - wanted ? low : high;
}

/**
 * The commands of a path through points; a missing value breaks it. Of many points over one
 * place across only the first, lowest, highest and last are drawn, which looks the same.
 * @param {number[]} x
 * @param {(number | null)[]} y
 * @param {(value: number) => number} across
 * @param {(value: number) => number} up
 */
export function linePath(x, y, across, up) {
  /** @type {string[]} */
  const parts = [];
  /** @type {number[]} */
  let column = []; // heights over one place
  let [place, begins] = [NaN, true];
  const flush = () => {
    if (!column.length) return;
    const [low, high] = [Math.min(...column), Math.max(...column)];
    const kept = column.length > 4 ? [column[0], low, high, column[column.length - 1]] : column;
    for (const height of kept) {
      parts.push(`${begins ? "M" : "L"}${place} ${height.toFixed(1)}`);
      begins = false;
    }
    column = [];
  };
  x.forEach((value, at) => {
    const height = y[at];
    if (height === null) {
      flush();
      begins = true;
      return;
    }
    const next = Math.round(across(value) * 2) / 2;
    if (next !== place || begins) flush();
    place = next;
    column.push(up(height));
  });
  flush();
  return parts.join("");
}
