// A visit's page: what is suspected, what to check next, what is written down, what is still open.

import { figure } from "./format.js";
import { read, send } from "./api.js";
import { el, fill, find } from "./elements.js";
import { outcome } from "./shapes.js";
import { asked, capital, caution, day, suspectList, tell, toVehicle, vehiclePath, visitPath } from "./story.js";
import { write } from "./visit_forms.js";

let view = null;
let words = null;

const nameOf = (place) => words.places.find((one) => one.key === place)?.name ?? place;
const meansOf = (key) => words.means.find((one) => one.key === key)?.name ?? key;
const base = () => visitPath(view.visit.number);

async function begin() {
  try {
    view = await read(visitPath(asked("number")));
    words = await read(`${vehiclePath(unitName())}/words`);
  } catch (error) {
    tell(error.message, true);
    return;
  }
  tell("");
  show();
}

const unitName = () => view.unit.fleet_number || view.unit.plate || view.unit.vin;

function show() {
  const { visit } = view;
  const isOpen = !visit.closed_on;
  document.title = `Visit ${visit.number} – holdwatch`;
  find("name").textContent = `${unitName()}, ${day(visit.opened_on)}`;
  find("vehicle").textContent = unitName();
  find("vehicle").href = toVehicle(unitName());
  find("sentence").textContent = view.sentence;
  find("complaint").textContent = visit.complaint ? `“${visit.complaint}”` : "";
  find("lamp").replaceChildren(...(isOpen && view.start_with_lamp ? [el("p", { className: "lamp" }, view.lamp)] : []));
  find("cautions").replaceChildren(...[caution(view.cautions)].filter(Boolean));
  find("write").hidden = !isOpen;
  fill(find("suspects"), suspectList(view.suspects));
  fill(find("checks"), isOpen ? view.next_checks.map(checkLine) : []);
  fill(find("sections"), view.section_lines.length ? [view.sections, ...view.section_lines].map((line) => el("li", {}, line)) : []);
  fill(find("points"), isOpen ? points() : []);
  fill(find("holds"), visit.holds.map((hold, at) => row("holds", at, hold.judged_elsewhere ? el("strong", {}, `Brought by a file, not judged here, no proof; it says ${hold.outcome}. `) : outcome(hold.outcome), el("span", {}, `${nameOf(hold.section)}${hold.after_repair ? ", after the repair" : ""}: ${hold.sentence}`))));
  fill(find("findings"), visit.findings.map(findingRow));
  fill(find("weighings"), visit.weighings.map((one, at) => row("weighings", at, el("strong", {}, `${one.grams} g`), ` ${one.kind}${one.tops_up ? ", on top" : ""}, ±${one.tolerance_g} g, ${day(one.on)}`)));
  fill(find("dye"), [
    ...view.dye.map((line) => el("li", {}, line)),
    ...visit.dye.map((one, at) => row("dye", at, `${one.amount_ml} ml of ${one.dye}, ${one.way}, ${day(one.on)}`)),
  ].filter(() => visit.dye.length || view.start_with_lamp));
  fill(find("repairs"), [
    ...visit.repairs.map((one, at) => row("repairs", at, `${nameOf(one.place)}: ${one.act}, ${day(one.on)}`)),
    ...visit.parts.map((one, at) => row("parts", at, `Fitted ${one.quantity} × ${one.name}`)),
  ]);
  fill(find("advice"), visit.advice.map((line, at) => row("advice", at, line)));
  fill(find("answers"), visit.answers.map((one, at) => row("answers", at, el("strong", {}, one.point), `: ${one.answer}${one.note ? ` (${one.note})` : ""}${one.look_again_on ? `, look again ${day(one.look_again_on)}` : ""}`)));
  fill(find("reports"), ["html", "pdf", "json"].map((form) => el("a", { className: "to", href: `${base()}/report?form=${form}`, target: "_blank", rel: "noopener" }, form.toUpperCase())));
  find("close").hidden = !isOpen;
  find("reopen").hidden = isOpen;
  find("refused").replaceChildren();
}

function row(field, position, ...content) {
  const text = content.map((one) => one.textContent ?? one).join("");
  const button = view.visit.closed_on ? null : el("button", { type: "button", className: "out", "aria-label": `Take out: ${text}`, onclick: () => takeOut(field, position, text) }, "Take out");
  return el("li", {}, el("span", { className: "said" }, content), button);
}

function findingRow(one, at) {
  const said = one.points === "for" ? "points to a leak" : "nothing found";
  const pictures = one.photographs.map((sha256) => el("a", { href: `/api/v1/photographs/${sha256}`, target: "_blank", rel: "noopener" },
    el("img", { src: `/api/v1/photographs/${sha256}`, alt: `Picture of ${nameOf(one.place)}`, loading: "lazy", width: 120, height: 90 })));
  const more = [one.strength === "plain" ? "" : one.strength, one.note].filter(Boolean).join(", ");
  const line = row("findings", at, el("strong", {}, nameOf(one.place)), `: ${meansOf(one.means)}, ${said}${more ? ` (${more})` : ""}`);
  if (pictures.length) line.append(el("span", { className: "pictures" }, pictures));
  return line;
}

function checkLine(check) {
  return el("li", {},
    el("span", {}, `${check.check}, about ${check.minutes} min`, el("small", {}, `tells ${figure(check.bits)} bits`)),
    el("button", { type: "button", "aria-label": `Write down: ${check.check}`, onclick: () => open("finding", { place: check.place, means: check.means }) }, "I looked…"));
}

/** Each open point with what it warns of, once, where the act is. */
function points() {
  const told = new Set();
  return view.open_points.map((point) => {
    const fresh = point.cautions.filter((line) => !told.has(line));
    fresh.forEach((line) => told.add(line));
    return el("li", {},
      el("p", { className: "ask" }, point.ask),
      el("p", { className: "why" }, `${capital(point.why)}. ${capital(point.missing)}.`),
      caution(fresh),
      el("button", { type: "button", "aria-label": `Answer: ${point.ask}`, onclick: () => open("answer", { point }) }, point.written ? "Confirm…" : "Answer…"));
  });
}

async function change(path, body) {
  view = await send(`${base()}/${path}`, body);
  show();
  tell(view.text ?? "Written down.");
}

const open = (kind, given = {}) => write(kind, { view, words, change, given });

async function takeOut(field, position, text) {
  if (!confirm(`Take out “${text}”?`)) return;
  await attempt(() => change("remove", { field, position }));
}

async function attempt(work) {
  try {
    await work();
  } catch (error) {
    tell(error.message, true);
    return error;
  }
  return null;
}

async function close() {
  const refused = await attempt(() => change("close", {}));
  if (!refused) return;
  if (refused.status !== 409) return;
  tell("Not closed: see below.", true);
  await attempt(async () => { view = await read(base()); show(); });
  if (!view.open_points.length) return tell(refused.message, true);
  const reasons = view.open_points.map((point) => `${point.key}: ${point.missing}`);
  find("refused").replaceChildren(el("p", { className: "answer bad" }, "Not closed yet. Still open:"), el("ul", { className: "notes" }, reasons.map((line) => el("li", {}, line))));
}

for (const button of document.querySelectorAll("[data-write]")) button.addEventListener("click", () => open(button.dataset.write));
find("close").addEventListener("click", close);
find("reopen").addEventListener("click", () => attempt(() => change("reopen", {})));
begin();
