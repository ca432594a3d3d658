// Past holds by unit and date, their traces laid over each other.

import { el, say, svg } from "./elements.js";
import { rank } from "./format.js";
import { outcome } from "./shapes.js";
import { Plot } from "./plot.js";
import { read } from "./api.js";
import { roomFor, spansDecades } from "./scale.js";
import "./signin.js";
import { onUnits, unitsDialog } from "./settings.js";
import * as units from "./units.js";

const MOST = 8;
const POINTS = 4000;
const PRESSURES = new Set(["low_side", "high_side", "vacuum"]);
const find = (id) => document.getElementById(id);

let holds = [];
const HOLDS = "/api/v1/holds?limit=1000";
let problem = "";
const plot = new Plot(find("plot"), { onZoom: (from, to) => draw([from, to]), onWhole: () => draw(null) });
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
  const begun = begunText(hold);
  const cells = [mark(hold, begun), begun, hold.unit ?? "", hold.bay, outcomeOf(hold), hold.sentence ?? ""];
  return el("tr", {}, cells.map((content, at) => el("td", { className: at === 1 ? "when" : "" }, content)));
}

/** When a hold began, as its row and its line are called. */
function begunText(hold) {
  return `${dayOf(hold.started)} ${new Date(hold.started).toLocaleTimeString([], { hour12: false, hour: "2-digit", minute: "2-digit" })}`;
}

function mark(hold, begun) {
  const checked = drawn.has(hold.id);
  const box = el("input", {
    type: "checkbox", checked, disabled: !checked && drawn.size >= MOST, "aria-label": `Draw the hold of ${begun}`,
    onchange: () => choose(hold.id, box.checked),
  });
  return el("label", {}, box, checked ? sample(drawn.get(hold.id)) : null);
}

function sample(number) {
  return svg("svg", { class: "sample", viewBox: "0 0 52 16", "aria-hidden": "true" }, svg("line", { class: `hold-${number}`, x1: 0, x2: 52, y1: 8, y2: 8 }));
}

const outcomeOf = (hold) => outcome(hold.outcome ?? (hold.ended ? "inconclusive" : "running"));

async function choose(id, wanted) {
  problem = "";
  if (wanted) {
    const taken = new Set(drawn.values());
    drawn.set(id, [...Array(MOST).keys()].find((number) => !taken.has(number)));
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
  draw(null);
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
    name: begunText(holds.find((hold) => hold.id === id)),
  };
}

/** Draw the chosen holds; `range` in minutes, or null for all of them. */
function draw(range) {
  const node = find("plot");
  const procedure = find("procedure").value;
  const shapes = [...drawn.keys()].map(shape).filter(Boolean);
  const isPressure = find("quantity").value === "pressure";
  const unit = isPressure ? units.curveUnit(procedure).text : units.temperatureLabel();
  const what = isPressure ? (procedure === "standing-vacuum" ? "Absolute pressure" : "Pressure as the gauge read it") : "Pipe temperature";
  const since = procedure === "standing-vacuum" ? "the pump was valved off" : "the valve was closed";
  say(find("caption"), `${what}, ${unit}`);
  node.setAttribute("aria-label", shapes.length ? `${what} of ${shapes.length} ${shapes.length === 1 ? "hold" : "holds"}, minutes since ${since}.` : "No hold is drawn.");
  const ends = shapes.flatMap(({ x }) => [x[0], x[x.length - 1]]);
  const whole = ends.length ? [Math.min(...ends), Math.max(...ends)] : [0, 10];
  const [from, to] = range ?? whole;
  [find("x0").value, find("x1").value] = [from, to].map((end) => Number(end.toFixed(2)));
  const seen = shapes.flatMap((one) => one.y.filter((_, at) => one.x[at] >= from && one.x[at] <= to)).filter((y) => y !== null);
  plot.draw({
    x: { from, to, kind: "minutes", title: `minutes since ${since}` },
    y: { ...roomFor(seen, 0.08, isPressure && procedure === "standing-vacuum" && spansDecades(seen)), unit },
    series: shapes.map((one) => ({ css: `hold-${one.number}`, x: one.x, y: one.y, name: one.name })),
    marks: [{ css: "moment", x: 0, text: procedure === "standing-vacuum" ? "valved off" : "valve closed" }],
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
begin();
