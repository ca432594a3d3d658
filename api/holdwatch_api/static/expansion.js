// Measuring a vehicle's volume with nitrogen from a known bottle, one step a page.

import * as bottle from "./bottle.js";
import { figure } from "./format.js";
import { read, send } from "./api.js";
import { el, find } from "./elements.js";
import { asked, caution, field, tell, tiles, toVehicle, vehiclePath } from "./story.js";
import { setShop } from "./units.js";

const KEPT = "holdwatch-bottle";
const live = new bottle.LiveBay(() => refresh());
const said = { bay: "", pressure: "", vacuum: "", bottleT: "", pipeT: "", ...kept() };
const taken = {}; // what was read: before_kpa_g, before_c, left_pa, after_kpa_g, after_c, pipe_c, barometer_kpa
let guide = null;
let bays = [];
let vocabulary = null;
let at = 0;
let refresh = () => {};
let found = null;

/** The bottle that this screen used last. */
function kept() {
  try { return JSON.parse(localStorage.getItem(KEPT)) ?? {}; } catch { return {}; }
}

function keep() {
  const { bottle_l, bottle_u_ml, hose_ml } = said;
  try { localStorage.setItem(KEPT, JSON.stringify({ bottle_l, bottle_u_ml, hose_ml })); } catch { /* asked again next time */ }
}

async function begin() {
  const name = asked("vehicle");
  find("vehicle").href = toVehicle(name);
  try {
    [guide, bays, vocabulary] = await Promise.all([read(`${vehiclePath(name)}/volume`), read("/api/v1/bays"), read(`${vehiclePath(name)}/words`)]);
    setShop(await read("/api/v1/show"));
  } catch (error) {
    tell(error.message, true);
    return;
  }
  find("name").textContent = `Volume of ${guide.unit}`;
  find("vehicle").textContent = guide.unit;
  said.bay = bays.find((one) => one.unit === guide.unit)?.bay ?? "";
  live.follow(said.bay);
  go(0);
}

// -- one step a page -----------------------------------------------------------------------------

const STEPS = [prepare, instruments, theBottle, evacuated, filled, opened, result];

function go(to) {
  at = to;
  refresh = () => {};
  const page = STEPS[to]();
  const back = el("button", { type: "button", onclick: () => go(to - 1), hidden: to === 0 }, "Back");
  const next = page.next && el("button", { type: "button", className: "strong", onclick: () => forward(page) }, page.nextWord ?? "Next");
  const node = find("step");
  node.replaceChildren(
    el("p", { className: "progress" }, `Step ${to + 1} of ${STEPS.length}`),
    el("h2", {}, page.title), ...page.parts.filter(Boolean),
    el("nav", { "aria-label": "Steps" }, back, ...[next].filter(Boolean), ...(page.extra ?? [])),
  );
  page.after?.();
  tell("");
  node.focus();
  scrollTo(0, 0);
}

async function forward(page) {
  try {
    await page.next();
  } catch (error) {
    tell(error.message, true);
    return;
  }
  go(at + 1);
}

function prepare() {
  const limit = guide.max_pressure_kpa_g;
  return {
    title: limit ? `${guide.unit} may bear ${Number(bottle.kPaGaugeText(limit))} ${bottle.pressureUnit()}. Never more.` : `Read the highest pressure from ${guide.unit}’s plate before you fill the bottle.`,
    parts: [caution(guide.cautions), el("p", {}, "You need: a bottle of known volume, a gauge and a thermometer on it, a thermometer on the vehicle’s pipes, dry nitrogen with a regulator.")],
    next: async () => {},
    nextWord: "I have read this",
  };
}

function instruments() {
  const choose = tiles("bay", "In which bay are the gauges?", [...bays.map((one) => [one.bay, one.label]), ["", "None: I type the readings"]], said.bay, (bay) => {
    said.bay = bay;
    live.follow(bay);
    roles();
  });
  const node = el("div", { className: "entries" });
  const roles = () => {
    if (!said.bay) { node.replaceChildren(); return; }
    const pressures = live.roles("pressure").filter((role) => !role.startsWith("vacuum") && !role.startsWith("barometer"));
    const temperatures = live.roles("temperature");
    const pick = (key, label, choices, fallback) => {
      if (!choices.includes(said[key])) said[key] = fallback ?? "";
      const select = el("select", { onchange: () => { said[key] = select.value; } }, choices.map((role) => new Option(words(role), role)), new Option("I type it", ""));
      select.value = said[key];
      return field(key, label, select);
    };
    const wanted = [
      pick("pressure", "Gauge on the bottle", pressures, pressures.find((role) => role.startsWith("high")) ?? pressures[0]),
      pick("vacuum", "Vacuum gauge", live.roles("pressure").filter((role) => role.startsWith("vacuum")), live.roles("pressure").find((role) => role.startsWith("vacuum"))),
      pick("bottleT", "Thermometer on the bottle", temperatures, temperatures.find((role) => role.startsWith("pipe")) ?? temperatures[0]),
      pick("pipeT", "Thermometer on the pipes", temperatures, temperatures.filter((role) => role.startsWith("pipe"))[1] ?? temperatures.find((role) => role.startsWith("pipe"))),
    ];
    const key = JSON.stringify([said.bay, live.roles("pressure"), temperatures]);
    if (node.dataset.shown === key) return;
    node.dataset.shown = key;
    node.replaceChildren(...wanted);
  };
  return { title: "Which instruments read the bottle and the pipes?", parts: [choose, node], next: async () => {}, after: () => { refresh = roles; roles(); } };
}

const words = (role) => ({ low_side: "low side", high_side: "high side", vacuum: "vacuum", ambient_temperature: "room" })[role] ?? role.replace(/^pipe_temperature\.?/, "pipe ").trim();

function theBottle() {
  const number = (id, label, value, more = {}) => field(id, label, el("input", { type: "number", step: "any", min: 0, inputMode: "decimal", value: value ?? "", ...more }));
  return {
    title: "How large is the bottle, and what is open to it?",
    parts: [el("div", { className: "entries" },
      part(),
      number("bottle_l", "Bottle with its valve, litres", said.bottle_l),
      number("bottle_u_ml", "How well that is known (standard uncertainty), ml", said.bottle_u_ml ?? 5),
      number("hose_ml", "Hose between bottle and vehicle, ml", said.hose_ml ?? 0)),
    el("p", { className: "hint" }, "Weigh it empty and full of water once: 1 g is 1 ml. About the vehicle’s own volume suits best.")],
    next: async () => {
      const litres = Number(find("bottle_l").value);
      if (!(litres > 0)) throw new Error("Give the bottle’s volume in litres, above 0.");
      Object.assign(said, { bottle_l: litres, bottle_u_ml: Number(find("bottle_u_ml").value), hose_ml: Number(find("hose_ml").value) });
      keep();
    },
  };
}

/** What is measured: the whole, or a part that is shut off from the rest. */
function part() {
  const parts = vocabulary.places.filter((place) => !place.leaf);
  const select = el("select", { onchange: () => { said.section = select.value; } }, parts.map((place) => new Option(place.name, place.key)));
  select.value = said.section ?? "system";
  return field("section", "Open to the bottle", select);
}

/** A page on which readings are taken: live ones where a gauge is there, typed ones where none is. */
function reading(title, lines, wanted, { wait = true, cautions = [] } = {}) {
  const still = el("p", { className: "still", role: "status" });
  const numbers = el("dl", { className: "numbers", "aria-label": "Readings now" });
  const typed = el("div", { className: "entries" });
  const missing = () => wanted.filter((one) => one.now() === null);
  const shape = wanted.map((one) => one.role());
  typed.append(...wanted.filter((one) => !one.role()).map((one) => field(one.key, `${one.label}, ${one.unit()}`, el("input", { type: "number", step: "any", inputMode: "decimal", value: taken[one.key] === undefined ? "" : one.text(taken[one.key]) }))));
  const show = () => {
    const shown = wanted.filter((one) => one.role());
    numbers.replaceChildren(...shown.map((one) => {
      const value = one.now();
      return el("div", { className: "number small" }, el("dt", {}, one.label), el("dd", {}, el("span", { className: "value" }, value === null ? "–" : one.text(value)), el("span", { className: "unit" }, one.unit())));
    }));
    const states = shown.map((one) => (one.steady ? "yes" : live.still(one.role())));
    const silent = missing().filter((one) => one.role()).map((one) => one.label);
    const all = states.every((state) => state === "yes");
    still.classList.toggle("yes", all && !silent.length);
    const text = silent.length ? `No good reading of: ${silent.join(", ")}.` : !wait ? "" : all ? "It stands still. Take the readings." : states.includes("no") ? "Still moving. Wait." : "Looking whether it stands still: one minute.";
    if (still.textContent !== text) still.textContent = text;
    still.hidden = !text;
  };
  return {
    title,
    parts: [...lines.map((line) => el("p", {}, line)), caution(cautions), shape.some(Boolean) ? numbers : null, shape.some(Boolean) ? still : el("p", { className: "still" }, "Wait until gauge and thermometers stand still, about 10 min; then type what they say."), typed],
    next: async () => {
      const read = {};
      for (const one of wanted) {
        const value = one.role() ? one.now() : typedValue(one);
        if (value === null) throw new Error(`${one.label}: there is no good reading. Wait for it, or go back and choose to type it.`);
        read[one.key] = value;
      }
      if (wait && wanted.some((one) => one.role() && !one.steady && live.still(one.role()) === "no")) throw new Error("It is still moving: wait until it stands still.");
      Object.assign(taken, read);
    },
    nextWord: "Take these readings",
    after: () => { refresh = show; show(); },
  };
}

function typedValue(one) {
  const text = find(one.key).value.trim();
  if (text === "") throw new Error(`${one.label}: type the reading, ${one.unit()}.`);
  return one.of(text);
}

const gauge = (key, label) => ({
  key, label, role: () => said.bay && said.pressure, unit: bottle.pressureUnit, text: bottle.kPaGaugeText, of: bottle.kPaGaugeOf,
  now: () => { const pa = live.si(said.pressure); return pa === null ? null : (pa - live.barometer) / 1000; },
});
const thermometer = (key, label, which) => ({
  key, label, role: () => said.bay && said[which], unit: bottle.temperatureUnit, text: bottle.temperatureText, of: bottle.celsiusOf,
  now: () => { const k = live.si(said[which]); return k === null ? null : k - 273.15; },
});
const left = {
  key: "left_pa", label: "Left in the vehicle", role: () => said.bay && said.vacuum, unit: bottle.vacuumUnit, text: bottle.vacuumText, of: bottle.vacuumOf,
  now: () => live.si(said.vacuum),
};
const room = {
  steady: true, // the site's own figure may stand for a barometer
  key: "barometer_kpa", label: "The room’s pressure", role: () => (said.bay && live.barometer !== null ? "barometer" : ""), unit: () => "kPa (absolute)", text: (kpa) => kpa.toFixed(1), of: Number,
  now: () => (live.barometer === null ? null : live.barometer / 1000),
};

function evacuated() {
  return reading("Is the vehicle evacuated, with the hose to the bottle, and the pump shut off?",
    ["Refrigerant recovered first. Evacuate vehicle and hose together, then shut the pump off. The bottle’s valve is closed."],
    [left], { wait: false });
}

function filled() {
  const limit = guide.max_pressure_kpa_g;
  const most = limit ? ` Not above ${Number(bottle.kPaGaugeText(limit))} ${bottle.pressureUnit()}.` : " Not above the vehicle’s highest pressure.";
  return reading("Fill the bottle with dry nitrogen, close it, and wait until it stands still.",
    [`Valve to the vehicle closed.${most}`], [gauge("before_kpa_g", "Pressure of the bottle"), thermometer("before_c", "Temperature of the bottle", "bottleT"), room], { cautions: guide.cautions });
}

function opened() {
  return reading("Open the bottle into the vehicle, slowly. Wait until it stands still again.",
    ["The gas cools in the bottle and warms in the vehicle: give it about 10 min."],
    [gauge("after_kpa_g", "Pressure of both"), thermometer("after_c", "Temperature of the bottle", "bottleT"), thermometer("pipe_c", "Temperature of the pipes", "pipeT")], { cautions: guide.cautions.slice(0, 1) });
}

function result() {
  const sentence = el("p", { className: "lead", role: "status" }, "Working it out…");
  const meaning = el("p");
  const table = el("table", { className: "budget" });
  const { bottle_l, bottle_u_ml, hose_ml } = said;
  const expansion = { bottle_l, bottle_u_ml, hose_ml, ...taken };
  const button = el("button", { type: "button", className: "strong", disabled: true, onclick: () => keepVolume(expansion, button) }, "Keep as the vehicle’s volume");
  const work = async () => {
    try {
      found = await send(`${vehiclePath(guide.unit)}/volume`, { expansion, keep: false });
    } catch (error) {
      sentence.textContent = error.message;
      return;
    }
    const { litres, relative_u: u } = found.volume;
    sentence.textContent = `${figure(litres)} litres, ±${figure(100 * u)} %`;
    meaning.textContent = `The ${figure(100 * u)} % are one standard uncertainty; every hold that uses this volume takes it in.`;
    table.replaceChildren(el("caption", {}, "Where the uncertainty comes from, ml"), el("tbody", {}, Object.entries(found.budget_ml).slice(0, 5).map(([source, ml]) => el("tr", {}, el("th", { scope: "row" }, source), el("td", {}, figure(ml))))));
    button.disabled = false;
  };
  return {
    title: "The volume", parts: [sentence, meaning, table, caution(["Let the nitrogen out slowly, outdoors or in a well-aired place, before a fitting is loosened."])],
    extra: [button], after: work,
  };
}

async function keepVolume(expansion, button) {
  button.disabled = true;
  try {
    const kept = await send(`${vehiclePath(guide.unit)}/volume`, { expansion, keep: true, section: said.section ?? "system" });
    const whose = said.section && said.section !== "system" ? `${vocabulary.places.find((place) => place.key === said.section).name} of ${guide.unit}` : guide.unit;
    tell(`Kept: ${kept.sentence}. Every later hold of ${whose} uses it.`);
    button.replaceWith(el("a", { className: "to", href: toVehicle(guide.unit) }, `Back to ${guide.unit}`));
  } catch (error) {
    tell(error.message, true);
    button.disabled = false;
  }
}

begin();
