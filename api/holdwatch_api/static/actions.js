// What a person can do from the screen, each with the cautions that belong to it.

import { duration, grams } from "./format.js";
import { inUnits } from "./units.js";
import { fillVisits, openVisits } from "./visits.js";

const MORE_MIN = [15, 30, 60, 120, 480];

const CAUTIONS = {
  "pressure-decay": (recipe) => [
    "Dry nitrogen only, from a cylinder with a pressure regulator. Never oxygen and never compressed air: with oil and refrigerant they can explode.",
    `Regulator and relief valve set no higher than the unit allows${recipe.max_pressure_kpa_g ? `: ${recipe.max_pressure_kpa_g.toLocaleString("en-US")} kPa (gauge) in this recipe` : ""}.`,
    "Refrigerant recovered first, never vented. Hoses and fittings are rated for the pressure.",
    "Eye protection on. Nobody loosens a fitting under pressure. Let nitrogen out slowly, in a well-aired place: it displaces the air one breathes.",
    "Local codes and the unit's own instructions come first.",
  ],
  "standing-vacuum": () => [
    "Refrigerant recovered first, never vented. The pump is never opened to a system under pressure.",
    "Flammable refrigerant: a pump made for it, exhaust led outdoors, no flame or spark near.",
    "Eye protection and gloves on: refrigerant freezes skin.",
    "Local codes and the unit's own instructions come first.",
  ],
};
const STOP_CAUTIONS = {
  "pressure-decay": "The unit stays under pressure. Let the nitrogen out slowly before a fitting is loosened, with eye protection on.",
  "standing-vacuum": "The unit stays under vacuum. Break it with dry nitrogen or refrigerant, not with air: air brings moisture in.",
};

function commandId() {
  // randomUUID exists on secure origins only; a screen on the shop's network may not be one.
  return `screen-${Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("")}`;
}

async function send(panel, command) {
  panel.answer("Sending…");
  try {
    const answer = await fetch(`/api/v1/bays/${encodeURIComponent(panel.name)}/command`, {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ ...command, id: commandId() }),
    });
    const body = await answer.json();
    panel.answer(body.text ?? body.detail ?? "Done.", !answer.ok);
    if (answer.status === 401 || answer.status === 403) document.dispatchEvent(new CustomEvent("sign-in", { detail: body.detail }));
  } catch {
    panel.answer("The service did not answer; nothing is known to have happened. Look at the bay before you try again.", true);
  }
}

/** Show a dialog; resolves to the value of the button that closed it, "" for Escape. */
function choice(dialog) {
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}

/** Show a dialog; resolves to whether its strong button was chosen. */
async function ask(dialog) {
  return await choice(dialog) === "go";
}

function describe(recipe) {
  const kind = recipe.procedure === "standing-vacuum" ? "Standing vacuum" : "Pressure decay under nitrogen";
  if (recipe.problem) return "This recipe cannot be used here.";
  return `${kind}, ${recipe.refrigerant}. Limit: ${inUnits(recipe.criterion)} (${recipe.criterion_source}). At most ${recipe.max_duration_min} min.`;
}

async function start(panel) {
  let recipes;
  try {
    const answer = await fetch(`/api/v1/recipes?bay=${encodeURIComponent(panel.name)}`);
    recipes = await answer.json();
    if (!answer.ok) throw new Error(recipes.detail);
  } catch (error) {
    panel.answer(`The recipes could not be read: ${error.message}`, true);
    return;
  }
  if (!recipes.length) {
    panel.answer("No recipe is configured; add one to the shop's configuration.", true);
    return;
  }
  const dialog = document.getElementById("start");
  const select = document.getElementById("recipe");
  const checked = document.getElementById("checked");
  const go = document.getElementById("go");
  document.getElementById("start-title").textContent = `Start a hold in ${panel.state.label}`;
  select.replaceChildren(...recipes.map((recipe) => new Option(recipe.name, recipe.name)));
  select.value = likely(recipes, panel.state.hold)?.name ?? recipes[0].name;
  const chosen = () => recipes.find((recipe) => recipe.name === select.value);
  const earlier = await earlierVacuums(panel.state);
  const visits = await openVisits(panel.state.unit);
  document.getElementById("start-visit").hidden = !visits.length;
  const visit = document.getElementById("start-visit-pick");
  fillVisits(visit, visits, "none");
  const again = document.getElementById("again");
  const continues = document.getElementById("continues");
  continues.checked = false;
  const unusable = () => chosen().problem ?? chosen().unfit;
  const ready = () => { go.disabled = !checked.checked || Boolean(unusable()); };
  const show = () => {
    checked.checked = false;
    document.getElementById("recipe-text").textContent = describe(chosen());
    const unfit = document.getElementById("recipe-unfit");
    unfit.hidden = !unusable();
    unfit.textContent = unusable() ?? "";
    again.hidden = !earlier.length || chosen().procedure !== "standing-vacuum";
    const lines = CAUTIONS[chosen().procedure]?.(chosen()) ?? [];
    document.getElementById("cautions").replaceChildren(...lines.map((line) => {
      const item = document.createElement("li");
      item.textContent = line;
      return item;
    }));
    ready();
  };
  select.onchange = show;
  checked.onchange = ready;
  show();
  if (!await ask(dialog)) return;
  const together = !again.hidden && continues.checked ? { continues: earlier } : {};
  const bound = visits.length && visit.value ? { work_order: visit.value } : {};
  await send(panel, { command: "start_hold", recipe: select.value, ...together, ...bound });
}

/** The recipe to begin with: the bay's last one where it fits now, else the first that fits. */
function likely(recipes, last) {
  const fitting = recipes.filter((recipe) => !recipe.problem && !recipe.unfit);
  return fitting.find((recipe) => recipe.name === last?.recipe) ?? fitting[0];
}

/** The holds that a standing vacuum could be judged together with: the last one and those it continued. */
async function earlierVacuums({ hold }) {
  if (!hold?.outcome || hold.procedure !== "standing-vacuum") return [];
  try {
    const answer = await fetch(`/api/v1/holds/${encodeURIComponent(hold.hold_id)}`);
    return answer.ok ? [...(await answer.json()).continues, hold.hold_id] : [];
  } catch {
    return [];
  }
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
  document.getElementById("extend-choices").replaceChildren(...MORE_MIN.map((minutes) => {
    const button = document.createElement("button");
    button.value = String(minutes);
    button.textContent = minutes < 60 ? `+ ${minutes} min` : `+ ${minutes / 60} h`;
    return button;
  }));
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
  start, stop, extend, bind,
  mark: (panel) => send(panel, { command: "say_isolated" }),
  acknowledge: (panel, alarm) => send(panel, { command: "acknowledge_alarm", alarm }),
};
