// The tabs: every bay's state by shape and word, so that no verdict is ever out of sight.

import { el } from "./elements.js";
import { shape } from "./shapes.js";

const PHASES = { evacuating: "Evacuating", waiting: "Waiting", settling: "Settling", holding: "Holding" };

/** What a bay is doing, in one word, with the shape that goes with it. */
export function glance(state) {
  if (!state) return ["idle", "…"];
  if (state.alarms.some((alarm) => !alarm.acknowledged)) return ["alarm", "ALARM"];
  const { hold } = state;
  if (state.doing === "hold" && hold) return ["running", PHASES[hold.phase] ?? "Holding"];
  if (hold?.outcome) return [hold.outcome, hold.outcome.toUpperCase()];
  return ["idle", "Ready"];
}

function tab(name, text, shapeName, word) {
  const label = el("span", { className: "tab-name" }, text);
  const parts = shapeName ? [shape(shapeName), label, " ", el("span", { className: "tab-word" }, word)] : [label];
  return el("a", { href: `#${encodeURIComponent(name)}`, className: shapeName ?? "" }, parts);
}

/** Show the tabs; `one` is the bay that is picked, or null. */
export function showPick(panels, one) {
  const nav = document.getElementById("pick");
  nav.hidden = panels.size < 2;
  const wanted = [["", "All bays"], ...[...panels].map(([name, panel]) => [name, panel.state?.label ?? name, ...glance(panel.state)])];
  const key = JSON.stringify([one, wanted]);
  if (nav.dataset.shown === key) return;
  nav.dataset.shown = key;
  const focused = [...nav.children].indexOf(document.activeElement);
  nav.replaceChildren(...wanted.map(([name, ...rest]) => {
    const link = tab(name, ...rest);
    if ((one ?? "") === name) link.setAttribute("aria-current", "page");
    return link;
  }));
  nav.children[focused]?.focus();
}
