// Beginning a hold, or an evacuation by wire: the recipe, what is held, and the cautions.

import { read } from "./api.js";
import { ask, send } from "./asking.js";
import { el } from "./elements.js";
import { withUnits } from "./units.js";
import { fillVisits, openVisits, partsOf } from "./visits.js";

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

const byId = (id) => document.getElementById(id);

function describe(recipe) {
  const kind = recipe.procedure === "standing-vacuum" ? "Standing vacuum" : "Pressure decay under nitrogen";
  if (recipe.problem) return "This recipe cannot be used here.";
  return `${kind}, ${recipe.refrigerant}. Limit: ${recipe.criterion} (${recipe.criterion_source}). At most ${recipe.max_duration_min} min.`;
}

/** The bay's recipes, or null where they could not be read; the answer then says why. */
async function recipesOf(panel) {
  try {
    return await read(withUnits(`/api/v1/recipes?bay=${encodeURIComponent(panel.name)}`), { quiet: true });
  } catch (error) {
    panel.answer(`The recipes could not be read: ${error.message}`, true);
    return null;
  }
}

function list(node, lines) {
  node.replaceChildren(...lines.map((line) => el("li", {}, line)));
}

/** Show the dialog for these recipes; resolves to the chosen one once it is to be started. */
async function askRecipe(recipes, first, { title, blocked, recovered, onRecipe }) {
  const [select, checked, go, unfit] = [byId("recipe"), byId("checked"), byId("go"), byId("recipe-unfit")];
  byId("start-title").textContent = title;
  byId("recovered-line").hidden = !recovered;
  byId("recovered").checked = false;
  select.replaceChildren(...recipes.map((recipe) => new Option(recipe.name, recipe.name)));
  select.value = first.name;
  const chosen = () => recipes.find((recipe) => recipe.name === select.value);
  const unusable = () => blocked ?? chosen().problem ?? chosen().unfit;
  const said = () => checked.checked && (!recovered || byId("recovered").checked);
  const ready = () => { go.disabled = !said() || Boolean(unusable()); };
  const show = () => {
    checked.checked = false;
    byId("recipe-text").textContent = describe(chosen());
    unfit.hidden = !unusable();
    unfit.textContent = unusable() ?? "";
    list(byId("cautions"), CAUTIONS[chosen().procedure]?.(chosen()) ?? []);
    onRecipe(chosen());
    ready();
  };
  select.onchange = show;
  checked.onchange = ready;
  byId("recovered").onchange = ready;
  show();
  return await ask(byId("start")) ? chosen() : null;
}

/** Which part is held: none chosen is the whole unit; a part needs its own volume. */
function partSaid() {
  const volume = byId("part-volume").valueAsNumber;
  if (byId("start-part").hidden || !byId("part-pick").value) return {};
  return { section: byId("part-pick").value, ...(volume > 0 ? { volume_l: volume } : {}) };
}

export async function start(panel) {
  const recipes = await recipesOf(panel);
  if (!recipes) return;
  if (!recipes.length) {
    panel.answer("No recipe is configured; add one to the shop's configuration.", true);
    return;
  }
  const { unit, label, hold } = panel.state;
  const [earlier, visits, parts] = await Promise.all([earlierVacuums(panel.state), openVisits(unit), partsOf(unit)]);
  byId("start-visit").hidden = !visits.length;
  fillVisits(byId("start-visit-pick"), visits, "none");
  byId("start-part").hidden = !parts.length;
  byId("start-part").open = false;
  byId("part-pick").replaceChildren(new Option("the whole unit", ""), ...parts.map((part) => new Option(part.name, part.key)));
  byId("part-volume").value = "";
  byId("continues").checked = false;
  const recipe = await askRecipe(recipes, likely(recipes, hold) ?? recipes[0], {
    title: `Start a hold in ${label}`,
    onRecipe: ({ procedure }) => { byId("again").hidden = !earlier.length || procedure !== "standing-vacuum"; },
  });
  if (!recipe) return;
  const together = !byId("again").hidden && byId("continues").checked ? { continues: earlier } : {};
  const visit = byId("start-visit-pick").value;
  await send(panel, { command: "start_hold", recipe: recipe.name, ...together, ...(visit ? { work_order: visit } : {}), ...partSaid() });
}

/** Start an evacuation by wire; the pump's exhaust vents, so that the refrigerant is out first. */
export async function evacuate(panel) {
  const recipes = (await recipesOf(panel))?.filter((recipe) => recipe.procedure === "standing-vacuum");
  if (!recipes) return;
  if (!recipes.length) {
    panel.answer("No recipe for a standing vacuum is configured; add one to the shop's configuration.", true);
    return;
  }
  for (const id of ["start-visit", "start-part", "again"]) byId(id).hidden = true;
  const recipe = await askRecipe(recipes, likely(recipes, panel.state.hold) ?? recipes[0], {
    title: `Evacuate in ${panel.state.label}`,
    blocked: panel.state.evacuation.not_ready,
    recovered: true,
    onRecipe: () => {},
  });
  if (recipe) await send(panel, { command: "start_evacuation", recipe: recipe.name, recovered: true });
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
    const { continues } = await read(`/api/v1/holds/${encodeURIComponent(hold.hold_id)}`, { quiet: true });
    return [...continues, hold.hold_id];
  } catch {
    return [];
  }
}
