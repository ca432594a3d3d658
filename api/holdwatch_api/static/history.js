// Past holds by unit and date, their traces laid over each other.

import { plotly, colour } from "./curve.js";
import { drawShape, rank, say } from "./format.js";
import { read } from "./reading.js";
import { onUnits, unitsDialog } from "./settings.js";
import * as units from "./units.js";

const MOST = 8;
const POINTS = 4000;
// Colours of the Okabe-Ito palette with a dash of their own: no line speaks by colour alone.
const LINES = [
  ["--curve", "solid", ""], ["--limit", "dash", "9 6"], ["--pass", "dot", "2 5"], ["--open", "dashdot", "9 5 2 5"],
  ["--fail", "longdash", "16 6"], ["--soft", "solid", ""], ["--text", "dash", "9 6"], ["--curve", "dot", "2 5"],
];
const PRESSURES = new Set(["low_side", "high_side", "vacuum"]);
const find = (id) => document.getElementById(id);

let holds = [];
const HOLDS = "/api/v1/holds?limit=1000";
let problem = "";
const drawn = new Map(); // hold id → its line's number
const traces = new Map(); // hold id → {series, mark}

async function begin() {
  try {
    const [rows, shop] = await Promise.all([read(units.withUnits(HOLDS)), read("/api/v1/show")]);
    holds = rows;
    units.setShop(shop);
  } catch (error) {
    say(find("told"), `The holds could not be read: ${error.message}`);
    return;
  }
  const names = [...new Set(holds.map((hold) => hold.unit ?? ""))].sort();
  find("unit").replaceChildren(new Option("all", "*"), ...names.map((name) => new Option(name || "not said", name)));
  const asked = new URLSearchParams(location.search).get("unit");
  if (asked !== null && names.includes(asked)) find("unit").value = asked;
  const newest = sifted("unit")[0];
  if (newest) find("procedure").value = newest.procedure;
  list();
  const first = sifted()[0];
  if (first) await choose(first.id, true);
}

/** The holds that are asked for; with "unit" by their unit alone. */
function sifted(only) {
  const unit = find("unit").value;
  const [from, to] = [find("from").value, find("to").value];
  return holds.filter((hold) => {
    if (unit !== "*" && (hold.unit ?? "") !== unit) return false;
    if (only === "unit") return true;
    const day = dayOf(hold.started);
    return hold.procedure === find("procedure").value && (!from || day >= from) && (!to || day <= to);
  });
}

/** The day in this place, as a date field writes it. */
function dayOf(time) {
  const at = new Date(time);
  const two = (n) => String(n).padStart(2, "0");
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())}`;
}

function list() {
  const shown = sifted();
  for (const id of drawn.keys()) if (!shown.some((hold) => hold.id === id)) drawn.delete(id);
  say(find("told"), problem || `${shown.length} ${shown.length === 1 ? "hold" : "holds"}`);
  find("rows").replaceChildren(...shown.map(row));
}

function row(hold) {
  const line = document.createElement("tr");
  const begun = `${dayOf(hold.started)} ${new Date(hold.started).toLocaleTimeString([], { hour12: false, hour: "2-digit", minute: "2-digit" })}`;
  const cells = [mark(hold, begun), begun, hold.unit ?? "", hold.bay, outcome(hold), hold.sentence ?? ""];
  cells.forEach((content, at) => {
    const cell = document.createElement("td");
    if (at === 1) cell.className = "when";
    cell.append(content);
    line.append(cell);
  });
  return line;
}

function mark(hold, begun) {
  const label = document.createElement("label");
  const box = document.createElement("input");
  box.type = "checkbox";
  box.checked = drawn.has(hold.id);
  box.disabled = !box.checked && drawn.size >= MOST;
  box.setAttribute("aria-label", `Draw the hold of ${begun}`);
  box.addEventListener("change", () => choose(hold.id, box.checked));
  label.append(box);
  if (box.checked) label.append(sample(drawn.get(hold.id)));
  return label;
}

function sample(number) {
  const [name, , dashes] = LINES[number];
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("class", "line");
  svg.setAttribute("viewBox", "0 0 52 16");
  svg.setAttribute("aria-hidden", "true");
  const line = document.createElementNS("http://www.w3.org/2000/svg", "line");
  for (const [key, value] of Object.entries({ x1: 0, x2: 52, y1: 8, y2: 8, stroke: colour(name), "stroke-dasharray": dashes })) line.setAttribute(key, value);
  svg.append(line);
  return svg;
}

function outcome(hold) {
  const word = hold.outcome ?? (hold.ended ? "inconclusive" : "running");
  const node = document.createElement("span");
  node.className = `outcome ${word}`;
  const shape = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  shape.setAttribute("class", "shape");
  shape.setAttribute("viewBox", "0 0 64 64");
  shape.setAttribute("aria-hidden", "true");
  drawShape(shape, word);
  node.append(shape, word.toUpperCase());
  return node;
}

async function choose(id, wanted) {
  problem = "";
  if (wanted) {
    const taken = new Set(drawn.values());
    drawn.set(id, LINES.findIndex((_, number) => !taken.has(number)));
    try {
      if (!traces.has(id)) {
        const path = `/api/v1/holds/${encodeURIComponent(id)}`;
        const [detail, trace] = await Promise.all([read(path), read(`${path}/trace?points=${POINTS}`)]);
        traces.set(id, { series: trace.series, mark: detail.verdict?.mark_s ?? null });
      }
    } catch (error) {
      drawn.delete(id);
      problem = `The hold could not be read: ${error.message}`;
    }
  } else drawn.delete(id);
  const focus = document.activeElement?.getAttribute("aria-label");
  list();
  if (focus) document.querySelector(`[aria-label="${CSS.escape(focus)}"]`)?.focus();
  await draw(null);
}

/** What is drawn of one hold: minutes since the start of its clock, and figures in this screen's units. */
function shape(id) {
  const { series, mark } = traces.get(id);
  const procedure = find("procedure").value;
  const wanted = find("quantity").value === "pressure" ? (role) => PRESSURES.has(role) : (role) => role.startsWith("pipe_temperature");
  const roles = Object.keys(series).filter(wanted).sort((a, b) => rank(a, procedure) - rank(b, procedure) || a.localeCompare(b));
  if (!roles.length) return null;
  const { t_s: times, value: values, quantity } = series[roles[0]];
  const convert = quantity === "temperature" ? units.temperatureOf : ((unit) => (pa) => pa / unit.pa)(units.curveUnit(procedure));
  return {
    x: times.map((t) => (t - (mark ?? 0)) / 60),
    y: values.map((value) => (value === null ? null : convert(value))),
    number: drawn.get(id),
    quantity,
  };
}

/** Draw the chosen holds; `range` in minutes, or null for all of them. */
async function draw(range) {
  const node = find("plot");
  const procedure = find("procedure").value;
  const shapes = [...drawn.keys()].map(shape).filter(Boolean);
  const isPressure = find("quantity").value === "pressure";
  const unit = isPressure ? units.curveUnit(procedure).text : units.temperatureLabel();
  const what = isPressure ? (procedure === "standing-vacuum" ? "Absolute pressure" : "Pressure as the gauge read it") : "Pipe temperature";
  const since = procedure === "standing-vacuum" ? "the pump was valved off" : "the valve was closed";
  say(find("caption"), `${what}, ${unit}`);
  node.setAttribute("aria-label", shapes.length ? `${what} of ${shapes.length} ${shapes.length === 1 ? "hold" : "holds"}, minutes since ${since}.` : "No hold is drawn.");
  const Plotly = await plotly();
  const text = colour("--text");
  const axis = { gridcolor: colour("--rule"), linecolor: colour("--rule"), zeroline: false, color: text };
  const log = isPressure && procedure === "standing-vacuum" && shapes.every((one) => one.y.every((y) => y === null || y > 0));
  const ends = shapes.flatMap(({ x }) => [x[0], x[x.length - 1]]);
  const whole = ends.length ? [Math.min(...ends), Math.max(...ends)] : [0, 10];
  const x = range ?? whole;
  [find("x0").value, find("x1").value] = x.map((end) => Number(end.toFixed(2)));
  const layout = {
    width: node.clientWidth, height: node.clientHeight, margin: { l: 76, r: 16, t: 10, b: 52 },
    paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", showlegend: false, dragmode: "zoom",
    font: { family: getComputedStyle(document.body).fontFamily, size: node.clientWidth > 600 ? 16 : 13, color: text },
    xaxis: { ...axis, range: x, title: { text: `minutes since ${since}`, standoff: 6 } },
    yaxis: { ...axis, fixedrange: true, ...(log ? { type: "log", dtick: 1, exponentformat: "none" } : {}) },
  };
  if (range) {
    const seen = shapes.flatMap((one) => one.y.filter((y, at) => y !== null && one.x[at] >= x[0] && one.x[at] <= x[1]));
    if (seen.length) {
      const [low, high] = seen.reduce(([a, b], y) => [Math.min(a, y), Math.max(b, y)], [Infinity, -Infinity]);
      const ends = log ? [Math.log10(low), Math.log10(high)] : [low, high];
      const room = (ends[1] - ends[0] || Math.abs(ends[1]) || 1) * 0.08;
      layout.yaxis.range = [ends[0] - room, ends[1] + room];
      if (log && ends[1] - ends[0] < 1) Object.assign(layout.yaxis, { dtick: undefined, nticks: 6 });
    }
  }
  const lines = shapes.map((one) => ({
    mode: "lines", x: one.x, y: one.y, hoverinfo: "x+y", line: { color: colour(LINES[one.number][0]), dash: LINES[one.number][1], width: 2.5 },
  }));
  await Plotly.react(node, lines, layout, { displayModeBar: false, responsive: false });
  node.removeAllListeners("plotly_relayout");
  node.on("plotly_relayout", (change) => {
    if (change["xaxis.autorange"]) draw(null);
    else if (change["xaxis.range[0]"] !== undefined) draw([change["xaxis.range[0]"], change["xaxis.range[1]"]]);
  });
}

function typed() {
  const range = [Number(find("x0").value), Number(find("x1").value)];
  draw(range[0] < range[1] ? range : null);
}

for (const id of ["unit", "procedure", "from", "to"]) find(id).addEventListener("change", () => { list(); draw(null); });
for (const id of ["x0", "x1"]) find(id).addEventListener("change", typed);
find("quantity").addEventListener("change", () => draw(null));
find("whole").addEventListener("click", () => draw(null));
find("units-open").addEventListener("click", unitsDialog);
onUnits(async () => {
  try {
    holds = await read(units.withUnits(HOLDS)); // the service tells the sentences in these units
    problem = "";
  } catch (error) {
    problem = `The holds could not be read: ${error.message}`;
  }
  list();
  draw(null);
});
matchMedia("(prefers-color-scheme: light)").addEventListener("change", () => { list(); draw(null); });
new ResizeObserver(() => { if (window.Plotly) draw([Number(find("x0").value), Number(find("x1").value)]); }).observe(find("plot").parentElement);
begin();
