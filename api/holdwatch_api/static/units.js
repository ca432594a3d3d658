// The units that this screen shows: the shop's, or those chosen at this very screen. Plain figures
// are formatted here; sentences come from the service in the units that it is asked for.

import { digits } from "./format.js";

const KEPT = "holdwatch-units";
const MICRON_PA = 101325 / 760 / 1000;
const PA = {
  Pa: 1, kPa: 1e3, bar: 1e5, mbar: 1e2, psi: (0.45359237 * 9.80665) / 0.0254 ** 2,
  inHg: 3386.388640341, mmHg: 133.322387415, Torr: 1000 * MICRON_PA, micron: MICRON_PA,
};
const BARE_IS_ABSOLUTE = new Set(["Pa", "Torr", "micron"]);
// As many decimals as a shop reads, always the same, so that the figures do not jitter.
const DECIMALS = { Pa: 0, kPa: 1, bar: 3, mbar: 1, psi: 1, inHg: 2, mmHg: 1, Torr: 2, micron: 0 };
const VACUUM_DECIMALS = { Pa: 1, kPa: 4, bar: 6, mbar: 3, psi: 4, inHg: 4, mmHg: 3, Torr: 3, micron: 0 };
const TEMPERATURE = {
  degC: ["°C", (k) => k - 273.15], degF: ["°F", (k) => k * 1.8 - 459.67], K: ["K", (k) => k],
};

export const CHOICES = {
  pressure: ["kPag", "barg", "psig"],
  vacuum: ["micron", "Pa", "Torr", "mbara"],
  temperature: ["degC", "degF"],
};

let shop = { pressure: "kPag", vacuum: "micron", temperature: "degC" };
let own = kept();

function kept() {
  // A screen whose browser keeps nothing shows the shop's units.
  try { return JSON.parse(localStorage.getItem(KEPT)) ?? {}; } catch { return {}; }
}

export function setShop(units) { shop = units; }
export function shopUnit(kind) { return shop[kind]; }
export function ownUnit(kind) { return CHOICES[kind].includes(own[kind]) ? own[kind] : ""; }

/** Choose a unit at this screen; an empty name goes back to the shop's. */
export function choose(kind, name) {
  own = { ...own, [kind]: name || undefined };
  try { localStorage.setItem(KEPT, JSON.stringify(own)); } catch { /* then it lasts until the page is left */ }
}

function unit(kind) { return ownUnit(kind) || shop[kind]; }

/** "kPag" → its stem, and whether it counts from the room's pressure. */
function parse(name) {
  const stem = PA[name] ? name : name.slice(0, -1);
  return { stem, gauge: !PA[name] && name.endsWith("g") };
}

function labelOf({ stem, gauge }) {
  if (gauge) return `${stem} (gauge)`;
  return BARE_IS_ABSOLUTE.has(stem) ? stem : `${stem} (absolute)`;
}

export function label(name) {
  return TEMPERATURE[name]?.[0] ?? labelOf(parse(name));
}

function temperature(k) {
  const [text, convert] = TEMPERATURE[unit("temperature")];
  return { text: digits(convert(k), 1), unit: text };
}

/** A temperature as a bare figure, for drawing, and the unit that it is in. */
export function temperatureOf(k) { return TEMPERATURE[unit("temperature")][1](k); }
export function temperatureLabel() { return TEMPERATURE[unit("temperature")][0]; }

/** How a value of the live message reads here: `{text, unit}`. */
export function shown(value, barometerPa) {
  const end = value.beyond ?? null;
  const si = end ?? value.value;
  const made = value.quantity === "temperature" ? temperature(si) : pressure(value, si, barometerPa);
  if (made === null) return value.shown;
  return end === null ? made : { text: `${end > 0 ? ">" : "<"}\u00a0${made.text}`, unit: made.unit };
}

function pressure(value, si, barometerPa) {
  const role = value.role.split(".")[0];
  const to = parse(unit(role === "vacuum" ? "vacuum" : "pressure"));
  if (role === "barometer") to.gauge = false;
  const isGauge = value.quantity === "pressure_gauge";
  if (isGauge !== to.gauge && !barometerPa) return null; // then as the service shows it
  const pa = si + (isGauge === to.gauge ? 0 : isGauge ? barometerPa : -barometerPa);
  const decimals = (role === "vacuum" ? VACUUM_DECIMALS : DECIMALS)[to.stem] + (role === "barometer" && to.stem === "psi" ? 1 : 0);
  return { text: digits(pa / PA[to.stem], decimals), unit: labelOf(to) };
}

/** A saturation temperature: dew on the low side, bubble on the high side. */
export function saturation(of) {
  return temperature(of.role.startsWith("low_side") ? of.dew_k : of.bubble_k);
}

/** A difference of temperatures, in kelvin or degrees Fahrenheit. */
export function difference(k) {
  return unit("temperature") === "degF" ? { text: digits(k * 1.8, 1), unit: "°F" } : { text: digits(k, 1), unit: "K" };
}

/** The unit of a curve: pressure changes have neither gauge nor absolute. */
export function curveUnit(procedure) {
  const { stem } = parse(unit(procedure === "standing-vacuum" ? "vacuum" : "pressure"));
  return { text: stem, pa: PA[stem] };
}

/** An address of the service that answers with its sentences in this screen's units. */
export function withUnits(address) {
  const chosen = Object.keys(CHOICES).map(ownUnit);
  if (!chosen.some(Boolean)) return address; // then in the shop's
  return `${address}${address.includes("?") ? "&" : "?"}units=${chosen.join(",")}`;
}
