// The charge of a vehicle against time: what was weighed, the law's loss, the level that is noticed.

import { colour, plotly } from "./curve.js";

const YEAR_MS = 365.25 * 86400000;
const at = (text) => new Date(`${text}T12:00:00Z`).getTime();
const stamp = (ms) => new Date(ms).toISOString();

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
    put(law, stamp(charge.at), charge.grams);
    put(law, stamp(until), Math.max(charge.grams - (lawPerYear * (until - charge.at)) / YEAR_MS, 0));
    put(law, stamp(until), null);
  };
  for (const one of ordered(weights)) {
    const when = at(one.on);
    if (one.kind === "recovered") {
      follow(when);
      put(line, stamp(when), one.grams);
      put(line, stamp(when), null);
      charge = null;
    } else if (one.tops_up && charge) {
      charge = { ...charge, grams: charge.grams + one.grams };
      put(line, stamp(when), charge.grams);
    } else {
      charge = { at: when, grams: one.grams };
      put(line, stamp(when), one.grams);
    }
  }
  const begin = at(weights[0].on);
  const newest = charge ? Math.max(end, charge.at + 0.25 * YEAR_MS) : end;
  follow(newest);
  return { line, law, notice, from: stamp(begin - 0.04 * YEAR_MS), to: stamp(newest + 0.04 * YEAR_MS) };
}

/** Within a day what comes out goes before what goes in. */
function ordered(weights) {
  return weights.map((one, index) => [one, index])
    .sort(([a, i], [b, j]) => a.on.localeCompare(b.on) || (a.kind === b.kind ? i - j : a.kind === "recovered" ? -1 : 1))
    .map(([one]) => one);
}

export async function drawCharges(node, shape) {
  const Plotly = await plotly();
  const text = colour("--text");
  const axis = { gridcolor: colour("--rule"), linecolor: colour("--rule"), zeroline: false, fixedrange: true, color: text };
  const wide = node.clientWidth > 600;
  const layout = {
    width: node.clientWidth, height: node.clientHeight, margin: { l: 64, r: 16, t: 10, b: 36 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", showlegend: false,
    font: { family: getComputedStyle(document.body).fontFamily, size: wide ? 16 : 13, color: text },
    xaxis: { ...axis, type: "date", range: [shape.from, shape.to], nticks: wide ? 10 : 4 },
    yaxis: { ...axis, rangemode: "tozero" },
    shapes: shape.notice === null ? [] : [{ type: "line", xref: "paper", x0: 0, x1: 1, y0: shape.notice, y1: shape.notice, line: { color: colour("--open"), width: 2, dash: "dot" } }],
  };
  await Plotly.react(node, [
    { mode: "lines", ...shape.law, line: { color: colour("--limit"), width: 2, dash: "dash" }, hoverinfo: "skip" },
    { mode: "lines+markers", ...shape.line, line: { color: colour("--curve"), width: 3 }, marker: { size: 10, color: colour("--curve") } },
  ], layout, { staticPlot: true, responsive: false });
}
