// How the smallest visible leak falls while a hold lasts: a small line beside its number.

const SVG = "http://www.w3.org/2000/svg";
const WIDTH = 120;
const HEIGHT = 30;
const EDGE = 3;

function line(css, places) {
  const node = document.createElementNS(SVG, "polyline");
  node.setAttribute("class", css);
  node.setAttribute("points", places.map(([x, y]) => `${x.toFixed(1)},${y.toFixed(1)}`).join(" "));
  return node;
}

/** Draw the fall on a logarithmic scale, with the limit dashed; hidden until there is one to show. */
export function drawFall(svg, points, limit) {
  const known = points.filter((p) => p.smallest_visible_g_per_year > 0);
  svg.toggleAttribute("hidden", known.length < 2);
  if (known.length < 2) return;
  const logs = known.map((p) => Math.log(p.smallest_visible_g_per_year));
  const all = limit > 0 ? [...logs, Math.log(limit)] : logs;
  const [low, high] = [Math.min(...all), Math.max(...all)];
  const from = known[0].t_s;
  const span = known[known.length - 1].t_s - from || 1;
  const y = (log) => EDGE + (HEIGHT - 2 * EDGE) * (high - log) / (high - low || 1);
  const step = Math.max(1, Math.floor(known.length / WIDTH));
  const fall = known.flatMap((p, at) => (at % step && at !== known.length - 1 ? [] : [[WIDTH * (p.t_s - from) / span, y(logs[at])]]));
  const parts = [line("fall", fall)];
  if (limit > 0) parts.unshift(line("limit", [[0, y(Math.log(limit))], [WIDTH, y(Math.log(limit))]]));
  svg.setAttribute("viewBox", `0 0 ${WIDTH} ${HEIGHT}`);
  svg.replaceChildren(...parts);
}

/** An empty drawing; the number beside it says the same, so that a screen reader leaves it out. */
export function fallBox() {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("class", "spark");
  svg.setAttribute("aria-hidden", "true");
  return svg;
}
