// What a person can do from the screen, each with the cautions that belong to it.

import { ask, choice, send } from "./asking.js";
import { el } from "./elements.js";
import { duration, grams } from "./format.js";
import { evacuate, start } from "./starting.js";
import { fillVisits, openVisits } from "./visits.js";

const MORE_MIN = [15, 30, 60, 120, 480];

const STOP_CAUTIONS = {
  "pressure-decay": "The unit stays under pressure. Let the nitrogen out slowly before a fitting is loosened, with eye protection on.",
  "standing-vacuum": "The unit stays under vacuum. Break it with dry nitrogen or refrigerant, not with air: air brings moisture in.",
};

async function stopEvacuation(panel) {
  document.getElementById("stop-evacuation-title").textContent = `Stop the evacuation in ${panel.state.label}?`;
  if (await ask(document.getElementById("stop-evacuation"))) await send(panel, { command: "stop_evacuation" });
}

async function stop(panel) {
  const hold = panel.state.hold;
  document.getElementById("stop-title").textContent = `Stop the hold in ${panel.state.label}?`;
  document.getElementById("stop-caution").textContent = STOP_CAUTIONS[hold.procedure];
  if (await ask(document.getElementById("stop"))) await send(panel, { command: "stop_hold" });
}

async function extend(panel) {
  const hold = panel.state.hold;
  const dialog = document.getElementById("extend");
  document.getElementById("extend-title").textContent = `More time for the hold in ${panel.state.label}`;
  const left = duration(Math.max(0, hold.latest_end_s - hold.elapsed_s));
  const seen = hold.smallest_visible_g_per_year;
  document.getElementById("extend-text").textContent = `It ends in ${left} at the latest. A longer hold sees smaller leaks${seen === null ? "" : `; by now ${grams(seen)} a year would have shown`}.`;
  document.getElementById("extend-choices").replaceChildren(...MORE_MIN.map((minutes) =>
    el("button", { value: String(minutes) }, minutes < 60 ? `+ ${minutes} min` : `+ ${minutes / 60} h`)));
  const minutes = Number(await choice(dialog));
  if (minutes > 0) await send(panel, { command: "extend_hold", minutes });
}

async function bind(panel) {
  const { unit } = panel.state;
  const visits = await openVisits(unit);
  document.getElementById("bind-text").textContent = visits.length
    ? `The hold then stands in the report of the visit of ${unit}.`
    : `No work order is open for ${unit}. Open a visit on the vehicle's page first.`;
  document.getElementById("bind-field").hidden = !visits.length;
  document.getElementById("bind-go").hidden = !visits.length;
  const pick = document.getElementById("bind-pick");
  fillVisits(pick, visits);
  if (await ask(document.getElementById("bind"))) await send(panel, { command: "bind_work_order", work_order: pick.value });
}

export const actions = {
  start, stop, extend, bind, evacuate, stopEvacuation,
  mark: (panel) => send(panel, { command: "say_isolated" }),
  acknowledge: (panel, alarm) => send(panel, { command: "acknowledge_alarm", alarm }),
};
