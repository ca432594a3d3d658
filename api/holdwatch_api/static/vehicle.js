// A vehicle's page: the sentence, the charge against time, the suspects, its visits.

import { chargeShape, drawingOf } from "./charges.js";
import { grams } from "./format.js";
import { Plot } from "./plot.js";
import { read, send } from "./api.js";
import { el, fill, find } from "./elements.js";
import { outcome } from "./shapes.js";
import { asked, day, suspectList, tell, toVisit, vehiclePath } from "./story.js";

let view = null;
const plot = new Plot(find("plot"));

async function begin() {
  try {
    view = await read(vehiclePath(asked("name")));
  } catch (error) {
    tell(error.message, true);
    return;
  }
  tell("");
  show();
}

function show() {
  const { unit } = view;
  document.title = `${view.name} – holdwatch`;
  find("name").textContent = view.name;
  find("sentence").textContent = view.sentence;
  find("past").href = `/history?unit=${encodeURIComponent(view.name)}`;
  find("measure").href = `/expansion?vehicle=${encodeURIComponent(view.name)}`;
  find("export").href = `/api/v1/story?vehicle=${encodeURIComponent(view.name)}`;
  fill(find("numbers"), numbers().map(fact));
  fill(find("facts"), facts(unit).map(fact));
  fill(find("suspects"), suspectList(view.suspects));
  const check = view.next_checks[0];
  find("next").textContent = check && view.suspects.length ? `Next: ${check.check} (about ${check.minutes} min).` : "";
  fill(find("dye"), view.visits.some((visit) => visit.dye.length) ? view.dye.map((line) => el("li", {}, line)) : []);
  fill(find("visits"), [...view.visits].reverse().map(visitLine));
  fill(find("balance-notes"), (view.balance?.notes ?? []).map((line) => el("li", {}, line)));
  draw();
}

const fact = ([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value));

function numbers() {
  const made = view.balance;
  if (!made) return [];
  const { value, low, high } = made.g_per_year;
  const between = `${grams(Math.max(low, 0))} to ${high === null ? "no upper bound" : grams(high)}`;
  const law = { below: "below it", above: "above it", "cannot tell": "cannot tell yet" }[made.law.loss] ?? made.law.loss;
  const rows = [["Loss a year", grams(Math.max(value, 0))], ["Between (95 %)", between], [`Law, ${grams(made.law.limit_g_per_year)} a year`, law]];
  if (made.noticed_between) {
    const [first, last] = made.noticed_between;
    rows.push(["Noticed as poor cooling", `${first ? day(first) : "any day"} to ${last ? day(last) : "no date that can be named"}`]);
  }
  return rows;
}

function facts(unit) {
  const oil = [unit.oil.kind, unit.oil.grade, unit.oil.amount_ml ? `${unit.oil.amount_ml} ml` : ""].filter(Boolean).join(" ");
  return [
    ["Plate", unit.plate], ["VIN", unit.vin ? `${unit.vin}${view.vin_check === "matches" ? ", check digit right" : ""}` : ""],
    ["Refrigerant", unit.refrigerant + (view.flammable ? ", burns when it leaks" : "")],
    ["Charge by the plate", unit.nameplate_charge_g ? grams(unit.nameplate_charge_g) : "not known"],
    ["Oil", oil], ["Evaporators", String(unit.evaporators)],
    ["Highest pressure", unit.max_pressure_kpa_g ? `${unit.max_pressure_kpa_g} kPa gauge` : "not known: read the plate"],
    ["Volume", view.volume],
    ...Object.entries(view.section_volumes).map(([place, said]) => [`Volume of ${place}`, said]),
    ["In words", unit.description],
  ].filter(([, value]) => value);
}

function visitLine(visit) {
  const closed = visit.closed_on === visit.opened_on ? "closed" : `closed ${day(visit.closed_on)}`;
  const state = visit.closed_on ? closed : "open";
  const done = [
    ...visit.repairs.map((repair) => `${repair.place} ${repair.act}`),
    ...visit.weighings.map((weighing) => `${weighing.kind} ${weighing.grams} g`),
  ].join(", ");
  const outcomes = [...new Set(visit.holds.filter((hold) => !hold.judged_elsewhere).map((hold) => hold.outcome))].map(outcome);
  if (visit.holds.some((hold) => hold.judged_elsewhere)) outcomes.push("holds brought by a file, not judged here");
  return el("li", {}, el("a", { href: toVisit(visit.number) },
    el("strong", {}, visit.number), el("span", {}, `${day(visit.opened_on)}, ${state}`),
    el("span", { className: "words" }, visit.complaint), el("span", { className: "others" }, done),
    el("span", { className: "outcomes" }, outcomes)));
}

function draw() {
  const shape = chargeShape(view.weights, view.law_g_per_year, view.notice_g);
  find("charges").hidden = !shape;
  if (!shape) return;
  find("law-words").textContent = `the law’s ${view.law_g_per_year} g a year`;
  find("notice-words").textContent = view.notice_g === null ? "" : `usually noticed below ${grams(view.notice_g)}`;
  find("notice-words").hidden = view.notice_g === null;
  find("plot").setAttribute("aria-label", `Weights of ${view.name} against time. ${view.sentence}`);
  plot.draw(drawingOf(shape));
}

async function open(event) {
  event.preventDefault();
  const number = find("number").value.trim();
  try {
    const made = await send(`${vehiclePath(view.name)}/visits`, { complaint: find("complaint").value.trim(), ...(number ? { number } : {}) });
    location.href = toVisit(made.visit.number);
  } catch (error) {
    find("new-told").textContent = error.message;
    find("new-told").classList.add("bad");
  }
}

find("open").addEventListener("click", () => find("new").showModal());
find("new").querySelector(".cancel").addEventListener("click", () => find("new").close());
find("new").querySelector("form").addEventListener("submit", open);
begin();
