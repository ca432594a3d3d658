// @ts-check
// The shape of each state: disc with a tick, triangle with a cross, square with broken lines.

import { el, svg } from "./elements.js";

/** @type {Record<string, ["circle" | "path" | "rect", Record<string, string | number>][]>} */
const SHAPES = {
  pass: [["circle", { cx: 32, cy: 32, r: 30 }], ["path", { d: "M18 33l10 10 19-22", class: "ink" }]],
  fail: [["path", { d: "M32 3L62 59H2z" }], ["path", { d: "M24 34l16 16M40 34L24 50", class: "ink" }]],
  inconclusive: [["rect", { x: 4, y: 4, width: 56, height: 56, rx: 4 }], ["path", { d: "M23 25a9 9 0 1 1 13 8c-3 2-4 4-4 8M32 50v1", class: "ink" }]],
  running: [["path", { d: "M32 3a29 29 0 1 0 29 29h-9a20 20 0 1 1-20-20z" }], ["path", { d: "M32 16v17l11 8", class: "hand" }]],
  idle: [["circle", { cx: 32, cy: 32, r: 24, class: "ring" }]],
  alarm: [["path", { d: "M20 3h24l17 17v24L44 61H20L3 44V20z" }], ["path", { d: "M32 15v22M32 45v4", class: "ink" }]],
};

/** Draw a state's own shape into a drawing of 64 by 64. */
export function drawShape(/** @type {SVGElement} */ node, /** @type {string} */ name) {
  if (node.dataset.name === name) return;
  node.dataset.name = name;
  node.replaceChildren(...SHAPES[name].map(([tag, attributes]) => svg(tag, attributes)));
}

/** A state's shape; the word beside it says the same, so that a screen reader leaves it out. */
export function shape(/** @type {string} */ name) {
  const node = svg("svg", { class: "shape", viewBox: "0 0 64 64", "aria-hidden": "true" });
  drawShape(node, name);
  return node;
}

/** An outcome by its shape and its word. */
export const outcome = (/** @type {string} */ word) => el("span", { className: `outcome ${word}` }, shape(word), word.toUpperCase());
