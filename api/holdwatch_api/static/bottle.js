// What the gauges of a bay say of a bottle: its newest values, and whether they stand still.

import { temperatureLabel, temperatureOf, curveUnit } from "./units.js";

export const SETTLED_S = 60; // over so long
export const MOST_SHARE = 0.001; // a pressure may move by a thousandth of itself,
export const MOST_K = 0.3; // and a temperature by this

/** The newest live values of one bay, with their last minute. */
export class LiveBay {
  constructor(onChange) {
    this.onChange = onChange;
    this.bay = null;
    this.values = new Map(); // role → {quantity, value, quality}
    this.past = new Map(); // role → [[time s, value], …]
    this.barometer = null;
    this.source = null;
  }

  follow(bay) {
    if (bay === this.bay) return;
    this.bay = bay;
    this.values.clear();
    this.past.clear();
    this.source?.close();
    this.source = null;
    if (!bay) return;
    this.source = new EventSource(`/api/v1/live?bay=${encodeURIComponent(bay)}`);
    this.source.addEventListener("live", (event) => this.take(JSON.parse(event.data)));
    this.source.onerror = () => { this.values.clear(); this.onChange(); };
  }

  take(live) {
    if (live.bay !== this.bay) return;
    const now = Date.parse(live.time) / 1000;
    this.barometer = live.barometer_pa ?? this.barometer;
    this.values = new Map(live.values.map((value) => [value.role, value]));
    for (const { role, value, quality, age_s: age } of live.values) {
      if (quality !== "good") { this.past.delete(role); continue; }
      const kept = (this.past.get(role) ?? []).filter(([at]) => at > now - 2 * SETTLED_S);
      const at = now - age;
      if (!kept.length || at > kept[kept.length - 1][0]) kept.push([at, value]);
      this.past.set(role, kept);
    }
    this.onChange();
  }

  roles(kind) {
    return [...this.values.values()].filter((value) => (value.quantity === "temperature") === (kind === "temperature")).map((value) => value.role);
  }

  /** The value of a role in Pa absolute or K; null where it cannot be trusted now. */
  si(role) {
    const value = this.values.get(role);
    if (!value || value.quality !== "good") return null;
    if (value.quantity !== "pressure_gauge") return value.value;
    return this.barometer === null ? null : value.value + this.barometer;
  }

  /** Whether a role stood still over the last minute: "yes", "no", or "wait" while it is too short. */
  still(role) {
    const past = this.past.get(role) ?? [];
    if (past.length < 2) return "wait";
    const end = past[past.length - 1][0];
    const window = past.filter(([at]) => at >= end - SETTLED_S);
    if (end - past[0][0] < SETTLED_S * 0.9) return "wait";
    const values = window.map(([, value]) => value);
    const spread = Math.max(...values) - Math.min(...values);
    const isTemperature = this.values.get(role)?.quantity === "temperature";
    const most = isTemperature ? MOST_K : MOST_SHARE * Math.max(Math.abs(values[values.length - 1]), 1e5);
    return spread <= most ? "yes" : "no";
  }
}

// -- figures as a person types them ------------------------------------------------------------

export const pressureUnit = () => `${curveUnit("pressure-decay").text} (gauge)`;
export const vacuumUnit = () => `${curveUnit("standing-vacuum").text} (absolute)`;
export const temperatureUnit = temperatureLabel;
const DECIMALS = { kPa: 1, bar: 3, psi: 1 }; // always as many, so that nothing jitters

export function kPaGaugeText(kpa) {
  const { text, pa } = curveUnit("pressure-decay");
  return ((1000 * kpa) / pa).toFixed(DECIMALS[text] ?? 1);
}
export const kPaGaugeOf = (text) => (Number(text) * curveUnit("pressure-decay").pa) / 1000;
export const vacuumText = (pa) => String(Number((pa / curveUnit("standing-vacuum").pa).toPrecision(3)));
export const vacuumOf = (text) => Number(text) * curveUnit("standing-vacuum").pa;
export const temperatureText = (c) => temperatureOf(c + 273.15).toFixed(1);
/** °C of a figure in this screen's unit: every such unit is a straight line of kelvin. */
export function celsiusOf(text) {
  const [zero, hundred] = [temperatureOf(273.15), temperatureOf(373.15)];
  return (100 * (Number(text) - zero)) / (hundred - zero);
}
