// The whole record: what a channel read over any span, as a band with its mean; zooming in reaches the readings.

import { say } from "./elements.js";
import { Plot } from "./plot.js";
import { read } from "./api.js";
import { dateText, roomFor } from "./scale.js";
import * as units from "./units.js";

const POINTS = 1500;
const SPANS = { hour: 3600, day: 86400, week: 7 * 86400, month: 30 * 86400, all: Infinity };
const find = (id) => document.getElementById(id);

let kept = null; // {channels, first, last}
let asked = 0;
const plot = new Plot(find("record-plot"), { onZoom: show, onWhole: newest });

async function open() {
  if (kept || !find("record").open) return;
  try {
    kept = await read("/api/v1/channels");
  } catch (error) {
    say(find("record-told"), `The record could not be read: ${error.message}`);
    return;
  }
  find("channel").replaceChildren(...kept.channels.map(({ channel, quantity }, at) => new Option(`${channel} (${quantity.replace("_", ", ")})`, at)));
  if (kept.first === null) say(find("record-told"), "Nothing has been recorded yet.");
  else newest();
}

function newest() {
  const [first, last] = [Date.parse(kept.first), Date.parse(kept.last)];
  const span = SPANS[find("span").value] * 1000;
  show(Math.max(first, last - span), last);
}

function unitOf(quantity, most) {
  if (quantity === "temperature") return { text: units.temperatureLabel(), convert: units.temperatureOf };
  const low = quantity === "pressure_absolute" && most < 20000;
  const unit = quantity === "pressure_gauge" || low ? units.curveUnit(low ? "standing-vacuum" : "pressure-decay") : { text: "kPa", pa: 1000 };
  return { text: unit.text, convert: (pa) => pa / unit.pa };
}

/** Draw a span, ms since 1970; a later question overtakes an earlier one. */
async function show(from, to) {
  const number = ++asked;
  const { channel, quantity } = kept.channels[Number(find("channel").value)];
  const query = new URLSearchParams({
    channel, points: POINTS, from: new Date(from).toISOString(), to: new Date(Math.max(to, from + 10000)).toISOString(),
  });
  let answer;
  try {
    answer = await read(`/api/v1/history?${query}`);
  } catch (error) {
    say(find("record-told"), `The record could not be read: ${error.message}`);
    return;
  }
  if (number !== asked) return;
  const series = answer.series.find((one) => one.quantity === quantity);
  const { text, convert } = unitOf(quantity, Math.max(...series.high));
  const x = series.t_s.map((t) => (t + answer.width_s / 2) * 1000);
  const [low, mean, high] = [series.low, series.mean, series.high].map((column) => column.map(convert));
  const grain = answer.width_s ? `lowest, mean and highest of every ${answer.width_s} s` : "single readings";
  say(find("record-told"), `${series.t_s.length} points: ${grain}${answer.whole ? "" : "; older readings are still being summarised"}.`);
  find("record-plot").setAttribute("aria-label", `${channel} in ${text}, ${grain}.`);
  plot.draw({
    x: { from, to, kind: "time", title: datesText(from, to) },
    y: { ...roomFor([...low, ...high], 0.06), unit: text, titled: true },
    series: [{ css: "measured", x, low, high }, { css: "measured", x, y: mean, name: "mean" }],
  });
}

/** "14 May 2026", or "12 May to 14 May 2026". */
function datesText(from, to) {
  const [first, last] = [dateText(from, true), dateText(to, true)];
  return first === last ? last : `${dateText(from, new Date(from).getFullYear() !== new Date(to).getFullYear())} to ${last}`;
}

find("record").addEventListener("toggle", open);
for (const id of ["channel", "span"]) find(id).addEventListener("change", newest);
find("record-newest").addEventListener("click", newest);
