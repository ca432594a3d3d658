// The charge of a vehicle against time: what was weighed, the law's loss, the level that is noticed.

import { dateText, roomFor } from "./scale.js";

const YEAR_MS = 365.25 * 86400000;
const at = (text) => new Date(`${text}T12:00:00Z`).getTime();

/**
 * Lines to draw from weights in the order of time; null where nothing was weighed.
 * A charge is followed to the recovery after it; the newest to its own day only.
 */
export function chargeShape(weights, lawPerYear, notice) {
  if (!weights.length) return null;
  const line = { x: [], y: [] };
  const law = { x: [], y: [] };
  const put = (to, x, y) => { to.x.push(x); to.y.push(y); };
  let charge = null;
  const end = Math.max(...weights.map((one) => at(one.on)));
  const follow = (until) => {
    if (!charge || until <= charge.at) return;
    put(law, charge.at, charge.grams);
    put(law, until, Math.max(charge.grams - (lawPerYear * (until - charge.at)) / YEAR_MS, 0));
    put(law, until, null);
  };
  for (const one of ordered(weights)) {
    const when = at(one.on);
    if (one.kind === "recovered") {
      follow(when);
      put(line, when, one.grams);
      put(line, when, null);
      charge = null;
    } else if (one.tops_up && charge) {
      charge = { ...charge, grams: charge.grams + one.grams };
      put(line, when, charge.grams);
    } else {
      charge = { at: when, grams: one.grams };
      put(line, when, one.grams);
    }
  }
  const begin = at(weights[0].on);
  const newest = charge ? Math.max(end, charge.at + 0.25 * YEAR_MS) : end;
  follow(newest);
  return { line, law, notice, from: begin - 0.04 * YEAR_MS, to: newest + 0.04 * YEAR_MS };
}

/** Within a day what comes out goes before what goes in. */
function ordered(weights) {
  return weights.map((one, index) => [one, index])
    .sort(([a, i], [b, j]) => a.on.localeCompare(b.on) || (a.kind === b.kind ? i - j : a.kind === "recovered" ? -1 : 1))
    .map(([one]) => one);
}

/** What a plot draws of a shape. */
export function drawingOf(shape) {
  const most = roomFor([0, shape.notice, ...shape.line.y, ...shape.law.y], 0.08).to;
  return {
    x: { from: shape.from, to: shape.to, kind: "time", title: `${dateText(shape.from, true)} to ${dateText(shape.to, true)}` },
    y: { from: 0, to: most, unit: "g", decimals: 0 },
    series: [
      { css: "law", ...shape.law },
      { css: "measured", ...shape.line, name: "weighed", dots: true },
    ],
    marks: shape.notice === null ? [] : [{ css: "notice", y: shape.notice }],
  };
}
