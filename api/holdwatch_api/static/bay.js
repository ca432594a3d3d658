// One bay's panel: the sentence, the numbers, the curve, in this order.

import { exchange, read } from "./api.js";
import { drawingOf, judged, shapeChange, shapePressure } from "./curve.js";
import { Plot } from "./plot.js";
import { drawFall, fallBox } from "./spark.js";
import * as units from "./units.js";
import { el, say } from "./elements.js";
import { clockTime, duration, figure, grams, rank, roleName } from "./format.js";
import { drawShape, shape } from "./shapes.js";

const CURVE_EVERY_MS = 4000;
const REASONS_AGAIN_MS = 2000;
const NO_NEWS_MS = 15000;
const SMALLEST = "Smallest visible by now";
const BACKGROUND_ROLES = new Set(["ambient_temperature", "barometer"]);
const PRESSURE_ROLES = new Set(["low_side", "high_side", "vacuum"]);

export class BayPanel {
  constructor(name, actions) {
    this.name = name;
    this.state = null;
    this.live = null;
    this.liveAt = 0;
    this.points = [];
    this.series = null;
    this.hasCurve = false;
    this.curveHold = null;
    this.curveAt = 0;
    this.fetching = false;
    this.verdictHold = null;
    this.root = document.getElementById("bay-template").content.firstElementChild.cloneNode(true);
    this.root.id = `bay-${name}`;
    this.root.setAttribute("aria-label", `Bay ${name}`);
    const on = (css, work) => this.find(css).addEventListener("click", work);
    on(".start", () => actions.start(this));
    on(".mark", () => actions.mark(this));
    on(".extend", () => actions.extend(this));
    on(".stop", () => actions.stop(this));
    on(".bind", () => actions.bind(this));
    on(".evacuate", () => actions.evacuate(this));
    on(".stop-evacuation", () => actions.stopEvacuation(this));
    this.actions = actions;
    this.plot = new Plot(this.find(".plot"));
  }

  find(css) { return this.root.querySelector(css); }

  showState(state) {
    this.state = state;
    const hold = state.hold;
    say(this.find(".bay-name"), state.label);
    say(this.find(".bay-unit"), [state.unit, state.refrigerant].filter(Boolean).join(", "));
    this.showWords(state, hold);
    this.showFacts(hold, state.evacuation);
    this.showAlarms(state.alarms);
    this.showActions(state, hold);
    if (this.live) this.showNumbers();
    this.refreshCurve(false);
  }

  showLive(live) {
    this.live = live;
    this.liveAt = Date.now();
    this.showNumbers();
  }

  /** Called every second: what is said of the age of things. */
  tick() {
    const quiet = this.live !== null && Date.now() - this.liveAt > NO_NEWS_MS && !document.body.classList.contains("stale");
    const note = this.find(".no-news");
    note.hidden = !quiet;
    if (quiet) say(note, `No new values since ${clockTime(new Date(this.liveAt))}.`);
    this.refreshCurve(false);
  }

  showWords(state, hold) {
    const decided = Boolean(hold?.outcome);
    const sentence = this.find(".sentence");
    sentence.hidden = decided && (!state.sentence || state.sentence === hold.verdict_sentence);
    say(sentence, state.sentence);
    const verdict = this.find(".verdict");
    verdict.hidden = !decided;
    if (!decided) return;
    verdict.className = `verdict ${hold.outcome}`;
    drawShape(verdict.querySelector(".shape"), hold.outcome);
    say(verdict.querySelector(".verdict-word"), hold.outcome.toUpperCase());
    say(verdict.querySelector(".verdict-sentence"), hold.verdict_sentence);
    if (this.verdictHold !== hold.hold_id) this.loadReasons(hold);
  }

  async loadReasons(hold) {
    this.verdictHold = hold.hold_id;
    const list = this.find(".reasons");
    list.replaceChildren();
    try {
      const { verdict } = await read(units.withUnits(`/api/v1/holds/${encodeURIComponent(hold.hold_id)}`), { quiet: true });
      if (!verdict) throw new Error("not written yet");
      const { reasons } = verdict;
      list.replaceChildren(...reasons.filter((r) => r !== hold.verdict_sentence).slice(0, 3).map((text) => {
        return el("li", {}, text);
      }));
    } catch {
      setTimeout(() => { if (this.state?.hold?.hold_id === hold.hold_id) this.loadReasons(hold); }, REASONS_AGAIN_MS);
    }
  }

  showNumbers() {
    const hold = this.state?.hold;
    const values = [...this.live.values].sort((a, b) => rank(a.role, hold?.procedure) - rank(b.role, hold?.procedure) || a.role.localeCompare(b.role));
    const entries = [
      ...values.map((value) => ({ ...value, shown: units.shown(value, this.live.barometer_pa) })),
      ...this.live.differences.map((one) => ({ role: one.kind, quality: "good", shown: units.difference(one.value_k) })),
    ];
    const list = this.find(".numbers");
    while (list.children.length > entries.length) list.lastElementChild.remove();
    entries.forEach((entry, at) => {
      let box = list.children[at];
      if (box?.dataset.role !== entry.role) {
        const made = numberBox(entry.role);
        if (box) box.replaceWith(made); else list.append(made);
        box = made;
      }
      const main = PRESSURE_ROLES.has(entry.role) && (at === 0 || !hold || Boolean(hold.outcome));
      box.className = `number${main ? " main" : ""}${BACKGROUND_ROLES.has(entry.role) ? " small" : ""}${entry.quality === "good" ? "" : isBeyond(entry) ? " beyond" : " doubt"}`;
      say(box.querySelector(".value"), entry.shown.text);
      say(box.querySelector(".unit"), entry.shown.unit);
      this.showBeside(box.querySelector(".also"), entry, hold);
    });
  }

  /** What stands beside a number: doubt before all else, then the saturation temperature. */
  showBeside(node, value, hold) {
    const parts = [];
    if (value.quality !== "good") {
      const age = value.quality === "stale" ? `, ${duration(value.age_s)} old` : "";
      const end = isBeyond(value) ? `, ${value.beyond > 0 ? "above" : "below"} the gauge's range` : "";
      parts.push(["doubt-word", `${value.quality.toUpperCase()}${age}${end}`]);
    }
    // Under nitrogen the refrigerant's saturation temperature would say nothing.
    const nitrogen = hold && hold.procedure === "pressure-decay" && !hold.outcome;
    const saturation = this.live.saturation.find((s) => s.role === value.role);
    if (saturation && !nitrogen) parts.push(["small", `${saturation.refrigerant} saturates at`], ["b", Object.values(units.saturation(saturation)).join("\u00a0")]);
    const wanted = parts.map((part) => part[1]).join(" ");
    if (node.textContent === wanted && node.dataset.quality === value.quality) return;
    node.dataset.quality = value.quality;
    node.replaceChildren(...parts.flatMap(([kind, text], at) => {
      const part = document.createElement(kind === "b" ? "b" : "span");
      part.className = kind;
      part.textContent = text;
      return at ? [" ", part] : [part];
    }));
  }

  showFacts(hold, evacuation) {
    const facts = evacuation ? wireFacts(evacuation) : [];
    if (hold) {
      if (!hold.outcome) facts.push(["Time left", timeLeft(hold)]);
      else facts.push(["Held for", duration(hold.since_mark_s ?? hold.elapsed_s)]);
      facts.push(["Limit", hold.criterion_text]);
      const leak = hold.leak_g_per_year;
      if (leak.low !== null && leak.high !== null) {
        facts.push([`Leak (${hold.refrigerant})`, leakRange(leak)]);
      }
      if (hold.smallest_visible_g_per_year !== null) {
        facts.push([SMALLEST, `${grams(hold.smallest_visible_g_per_year)} a year`]);
      }
    }
    const list = this.find(".facts");
    while (list.children.length > facts.length) list.lastElementChild.remove();
    facts.forEach(([name, text], at) => {
      let box = list.children[at];
      if (!box) {
        box = el("div", {}, el("dt"), el("dd", {}, el("span")));
        list.append(box);
      }
      say(box.firstElementChild, name);
      say(box.querySelector("span"), text);
      if (name !== SMALLEST) box.querySelector(".spark")?.remove();
    });
    this.showFall(hold);
  }

  /** Beside the smallest visible leak: how it has fallen. */
  showFall(hold) {
    const box = [...this.find(".facts").children].find((one) => one.firstElementChild.textContent === SMALLEST);
    if (!box) return;
    const there = box.querySelector(".spark") ?? box.lastElementChild.appendChild(fallBox());
    drawFall(there, this.points, hold.criterion_g_per_year);
  }

  showAlarms(alarms) {
    const place = this.find(".alarms");
    const wanted = alarms.map((alarm) => `${alarm.id}/${alarm.acknowledged}/${alarm.text}`).join("|");
    if (place.dataset.shown === wanted) return;
    place.dataset.shown = wanted;
    place.replaceChildren(...alarms.map((alarm) => {
      const since = `Alarm since ${clockTime(new Date(alarm.since))}${alarm.acknowledged ? ", acknowledged" : ""}`;
      const box = el("div", { className: `alarm ${alarm.acknowledged ? "known" : "standing"}`, role: "alert" },
        shape("alarm"), el("p", {}, alarm.text, el("small", {}, since)));
      if (!alarm.acknowledged) {
        box.append(el("button", { type: "button", onclick: () => this.actions.acknowledge(this, alarm.id) }, "Acknowledge"));
      }
      return box;
    }));
  }

  showActions(state, hold) {
    const running = state.doing === "hold" && hold !== null && !hold.outcome;
    const { evacuation } = state;
    const pumping = Boolean(evacuation) && evacuation.step !== "idle";
    this.find(".start").hidden = running || pumping;
    this.find(".evacuate").hidden = !evacuation || running || pumping;
    this.find(".stop-evacuation").hidden = !pumping;
    this.find(".stop").hidden = !running;
    this.find(".extend").hidden = !running;
    this.find(".bind").hidden = !hold || !state.unit;
    const mark = this.find(".mark");
    mark.hidden = !running || hold.since_mark_s !== null;
    if (hold) say(mark, hold.procedure === "standing-vacuum" ? "The pump is valved off" : "The valve is closed");
  }

  /** Show everything anew, after the units have changed. */
  renew() {
    if (!this.state) return;
    this.find(".alarms").dataset.shown = "";
    this.verdictHold = null;
    this.showState(this.state);
    this.redraw();
  }

  answer(text, bad) {
    const node = this.find(".answer");
    node.classList.toggle("bad", Boolean(bad));
    say(node, text);
    clearTimeout(this.answerTimer);
    if (!bad) this.answerTimer = setTimeout(() => say(node, ""), 8000);
  }

  /** Fetch the points that are new and draw; at most every few seconds. */
  async refreshCurve(now) {
    const hold = this.state?.hold;
    const figureNode = this.find(".curve");
    if (!hold) { figureNode.hidden = true; this.curveHold = null; return; }
    const key = `${hold.hold_id}/${hold.outcome ?? ""}`;
    const due = key !== this.curveHold || (!hold.outcome && Date.now() - this.curveAt > CURVE_EVERY_MS);
    if (this.fetching || !(due || now)) return;
    this.fetching = true;
    this.curveAt = Date.now();
    try {
      if (!this.curveHold?.startsWith(`${hold.hold_id}/`)) { this.points = []; this.series = null; }
      const curve = await read(`/api/v1/holds/${encodeURIComponent(hold.hold_id)}/curve?after=${this.points.length}`, { quiet: true });
      this.hasCurve = true;
      this.points.push(...curve.points);
      this.series = judged(this.points, hold).length ? null : await this.fetchPressure(hold);
      this.curveHold = key;
      this.showFall(hold);
      this.redraw();
    } catch (error) {
      console.warn(`bay ${this.name}: no curve (${error.message})`);
    } finally {
      this.fetching = false;
    }
  }

  /** Until there is a change to draw: the readings of the role that will be judged. */
  async fetchPressure(hold) {
    const answer = await exchange(`/api/v1/holds/${encodeURIComponent(hold.hold_id)}/trace?points=400`, { quiet: true });
    if (!answer.ok) return null;
    const { series } = answer.body;
    const roles = Object.keys(series).filter((role) => PRESSURE_ROLES.has(role));
    roles.sort((a, b) => rank(a, hold.procedure) - rank(b, hold.procedure));
    return roles.length ? series[roles[0]] : null;
  }

  redraw() {
    const hold = this.state?.hold;
    const box = this.find(".curve");
    const change = hold ? judged(this.points, hold).length > 0 : false;
    if (!hold || !this.hasCurve || !(change || this.series?.t_s.length)) { box.hidden = true; return; }
    box.hidden = false;
    const unit = units.curveUnit(hold.procedure);
    const drawn = change ? shapeChange(this.points, hold, unit) : shapePressure(this.series, hold, unit);
    const title = titleOf(hold, change, this.series);
    say(box.querySelector("figcaption"), `${title}, ${unit.text}`);
    this.find(".plot").setAttribute("aria-label", `${title}: ${figure(drawn.y[drawn.y.length - 1])} ${unit.text} now.`);
    showLegend(box.querySelector(".legend"), drawn, hold);
    this.plot.draw(drawingOf(drawn, hold, unit));
  }
}

/** Whether a value is only known to lie beyond the end of its gauge. */
function isBeyond(value) {
  return value.quality === "saturated" && (value.beyond ?? null) !== null;
}

function numberBox(role) {
  return el("div", { "data-role": role }, el("dt", {}, roleName(role)),
    el("dd", {}, el("span", { className: "value" }), el("span", { className: "unit" }), el("div", { className: "also" })));
}

/** How valve and pump stand, and how far an evacuation by wire has come. */
function wireFacts({ step, valve, pump, pump_down, most_pump_downs, at_target_s, held_s, linked }) {
  const facts = [["Valve", linked ? valve : `${valve}, not connected`], ["Pump", pump]];
  if (step === "idle") return facts;
  if (pump_down) facts.push(["Pump-down", `${pump_down} of at most ${most_pump_downs}`]);
  if (at_target_s !== null && held_s !== null) facts.push(["At the target", `${duration(at_target_s)} of ${duration(held_s)}`]);
  return facts;
}

function leakRange({ low, high }) {
  const [from, to] = [grams(Math.max(0, low)), grams(Math.max(0, high))];
  const [size, unit] = from.split("\u00a0");
  if (size === "0") return `0 to ${to} a year`;
  return `${to.endsWith(`\u00a0${unit}`) ? size : from} to ${to} a year`;
}

function titleOf(hold, change, series) {
  if (!change) return series.quantity === "pressure_gauge" ? "Gauge pressure" : "Absolute pressure";
  return hold.procedure === "standing-vacuum" ? "Rise of the vacuum's pressure" : "Pressure change, corrected for temperature";
}

function timeLeft(hold) {
  const latest = duration(hold.latest_end_s - hold.elapsed_s);
  if (hold.earliest_end_s === null) return `at most ${latest}`;
  const earliest = hold.earliest_end_s - hold.elapsed_s;
  return earliest <= 0 ? `any moment, at most ${latest}` : `${duration(earliest)} to ${latest}`;
}

function showLegend(list, drawn, hold) {
  const lines = [["measured", drawn.change ? "measured" : "pressure"]];
  if (drawn.limit.x.length) lines.push(["limit", `limit: ${hold.criterion_text}`]);
  if (drawn.band) lines.push(["band", "range still possible for the leak"]);
  const wanted = lines.map((line) => line[1]).join("|");
  if (list.dataset.shown === wanted) return;
  list.dataset.shown = wanted;
  list.replaceChildren(...lines.map(([css, text]) => el("li", { className: css }, text)));
}
