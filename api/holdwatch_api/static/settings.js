// The dialog in which this screen's own units are chosen.

import { CHOICES, choose, label, ownUnit, shopUnit } from "./units.js";

let changed = () => {};

/** Say what to do when a unit was chosen. */
export function onUnits(work) { changed = work; }

export function unitsDialog() {
  for (const [kind, names] of Object.entries(CHOICES)) {
    const select = document.getElementById(`unit-${kind}`);
    select.replaceChildren(
      new Option(`as the shop has it: ${label(shopUnit(kind))}`, ""),
      ...names.map((name) => new Option(label(name), name)),
    );
    select.value = ownUnit(kind);
    select.onchange = () => {
      choose(kind, select.value);
      changed();
    };
  }
  document.getElementById("units").showModal();
}
