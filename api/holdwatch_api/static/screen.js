// The bay screen: follows the service's stream and says when it cannot.

import { actions } from "./actions.js";
import { exchange } from "./api.js";
import { BayPanel } from "./bay.js";
import { el, say } from "./elements.js";
import { clockTime } from "./format.js";
import { showPick } from "./pick.js";
import { onUnits, unitsDialog } from "./settings.js";
import { signIn } from "./signin.js";
import { setShop, withUnits } from "./units.js";

const SILENCE_MS = 7000; // the stream beats every 2 s
const RETRY_MS = 2000;

const panels = new Map();
let source = null;
let heardAt = 0;
let lostSince = null;
let retry = null;
const newest = new Map(); // bay → values that are not drawn yet: a slow screen draws only the newest

function heard() {
  heardAt = Date.now();
  if (lostSince === null && document.getElementById("link").classList.contains("on")) return;
  lostSince = null;
  document.body.classList.remove("stale");
  document.getElementById("lost").hidden = true;
  document.getElementById("link").classList.add("on");
  say(document.getElementById("link-text"), "Live");
}

function lost() {
  lostSince ??= heardAt || Date.now();
  document.body.classList.add("stale");
  document.getElementById("link").classList.remove("on");
  say(document.getElementById("link-text"), "Not connected");
  const banner = document.getElementById("lost");
  banner.hidden = false;
  const when = clockTime(new Date(lostSince));
  say(banner, panels.size
    ? `No connection since ${when}. Everything below is from then and may be wrong now. Trying again.`
    : `No connection to the service since ${when}. Trying again.`);
}

function connect() {
  source?.close();
  clearTimeout(retry);
  retry = null;
  source = new EventSource(withUnits("/api/v1/live"));
  const on = (kind, work) => source.addEventListener(kind, (event) => {
    heard();
    work(JSON.parse(event.data));
  });
  on("beat", () => {});
  on("bays", ({ bays, show }) => {
    if (show) setShop(show);
    arrange(bays);
  });
  on("state", (state) => {
    const panel = panels.get(state.bay);
    if (!panel) return;
    panel.showState(state);
    pick();
    document.getElementById("simulated").hidden = ![...panels.values()].some((panel) => panel.state?.simulated);
  });
  on("live", (live) => {
    if (!newest.size) requestAnimationFrame(showNewest);
    newest.set(live.bay, live);
  });
  source.onerror = () => {
    lost();
    again();
  };
}

function showNewest() {
  for (const [bay, live] of newest) panels.get(bay)?.showLive(live);
  newest.clear();
}

function again() {
  source?.close();
  retry ??= setTimeout(async () => {
    // EventSource keeps the status to itself; a plain request tells whether a token is missing.
    const answer = await exchange("/api/v1/bays", { quiet: true }).catch(() => null);
    if (answer?.status === 401) await signIn("This screen needs a token to watch the bays.");
    connect();
  }, RETRY_MS);
}

function arrange(names) {
  const main = document.getElementById("bays");
  if ([...panels.keys()].join() === names.join() && panels.size) return;
  panels.clear();
  for (const name of names) panels.set(name, new BayPanel(name, actions));
  main.replaceChildren(...[...panels.values()].map((panel) => panel.root));
  if (!names.length) {
    main.append(el("p", { className: "wait" }, "No bay is configured yet."));
  }
  pick();
}

/** The address's fragment picks one bay; without it all are shown. */
function pick() {
  const wanted = decodeURIComponent(location.hash.slice(1));
  const one = panels.has(wanted) ? wanted : null;
  for (const [name, panel] of panels) panel.root.hidden = one !== null && name !== one;
  showPick(panels, one);
}

addEventListener("hashchange", pick);
document.getElementById("units-open").addEventListener("click", unitsDialog);
onUnits(() => {
  for (const panel of panels.values()) panel.renew();
  connect(); // the service tells the sentences anew, in these units
});
document.addEventListener("sign-in", async ({ detail }) => { if (await signIn(detail)) connect(); });
setInterval(() => {
  if (heardAt && Date.now() - heardAt > SILENCE_MS) { lost(); again(); }
  for (const panel of panels.values()) panel.tick();
}, 1000);
connect();
