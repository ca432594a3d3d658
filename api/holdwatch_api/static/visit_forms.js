// What is written down at a visit, entered by touch: one dialog, its fields by kind.

import { el, find } from "./elements.js";
import { capital, caution, chosenOf, day, field, sendPicture, tiles } from "./story.js";

const input = (type, more = {}) => el("input", { type, ...more });
const amount = (more = {}) => input("number", { step: "any", min: 0, inputMode: "decimal", ...more });
const area = () => el("textarea", { rows: 2, maxLength: 4000 });
const checked = (id, text, on = false) => el("label", { className: "checked" }, el("input", { type: "checkbox", id, checked: on }), text);
const value = (id) => find(id).value.trim();
const numberOf = (id) => (value(id) === "" ? null : Number(value(id)));
const required = (condition, text) => { if (!condition) throw new Error(text); };

/** Open the dialog for one kind; `change(path, body)` sends it. */
export function write(kind, context) {
  const form = FORMS[kind](context);
  const dialog = find("dialog");
  find("dialog-title").textContent = form.title;
  find("dialog-body").replaceChildren(...form.fields.filter(Boolean));
  find("dialog-go").textContent = form.go ?? "Write it down";
  const said = (text) => { find("dialog-told").textContent = text; find("dialog-told").classList.toggle("bad", Boolean(text)); };
  said("");
  dialog.querySelector(".cancel").onclick = () => dialog.close();
  dialog.querySelector("form").onsubmit = async (event) => {
    event.preventDefault();
    find("dialog-go").disabled = true;
    try {
      await context.change(form.path, await form.body());
      dialog.close();
    } catch (error) {
      said(error.message);
    } finally {
      find("dialog-go").disabled = false;
    }
  };
  dialog.showModal();
  dialog.scrollTop = 0;
}

/** The places as tiles under the branch that they hang on, in the tree's order. */
function placeTree(words, usable, chosen, onChange) {
  const node = el("div", { className: "tree" });
  const groups = new Map();
  for (const place of words.places) {
    const parent = words.places.find((one) => one.key === place.parent);
    const group = place.leaf ? parent.name : "whole parts";
    if (!usable(place)) continue;
    groups.set(group, [...(groups.get(group) ?? []), place]);
  }
  for (const [name, places] of groups) {
    node.append(tiles("place", name, places.map((place) => [place.key, place.name]), chosen));
  }
  if (onChange) node.addEventListener("change", () => onChange(chosenOf(node)));
  return node;
}

function finding({ words, given, view }) {
  const dyed = view.visit.dye.length || view.dye_known;
  const tree = placeTree(words, () => true, given.place, () => offer());
  const means = el("div");
  const misled = el("div");
  const photos = input("file", { accept: "image/jpeg,image/png,image/webp", multiple: true });
  const points = tiles("points", "What did it show?", [["for", "Points to a leak"], ["against", "Nothing found"]], null, () => mislead());
  const strength = tiles("strength", "How plain was it?", words.strengths.map((one) => [one, one]), "plain");
  const offer = () => {
    const place = chosenOf(tree);
    const now = chosenOf(means) ?? given.means;
    const inside = insideOf(words, place);
    const usable = words.means.filter((one) => !place || one.places.some((key) => inside.has(key)) || one.places.includes(place));
    means.replaceChildren(tiles("means", "Looked with what?", usable.map((one) => [one.key, one.name, one.needs_dye && !dyed ? "no dye is known to be in it" : ""]), now, mislead));
    mislead();
  };
  const mislead = () => {
    const [with_, which] = [chosenOf(means), chosenOf(points)];
    const fitting = words.mislead.filter((one) => one.means.includes(with_) && one.points.includes(which));
    misled.replaceChildren(...(fitting.length ? [el("fieldset", {}, el("legend", {}, "What could mislead?"), fitting.map((one) => checked(`mislead-${one.key}`, one.text)))] : []));
  };
  offer();
  return {
    title: "A find, or that nothing was found",
    fields: [tree, means, points, strength, misled, field("note", "In words", area()), field("photos", "Pictures", photos)],
    path: "findings",
    body: async () => {
      const said = { place: chosenOf(tree), means: chosenOf(means), points: chosenOf(points) };
      required(said.place && said.means && said.points, "Choose the place, what you looked with, and what it showed.");
      const kept = [];
      for (const file of photos.files) kept.push((await sendPicture(file)).sha256);
      return {
        ...said, strength: chosenOf(strength), note: value("note"), photographs: kept,
        misled_by: words.mislead.filter((one) => find(`mislead-${one.key}`)?.checked).map((one) => one.key),
      };
    },
  };
}

/** The keys at and below a place. */
function insideOf(words, key) {
  const inside = new Set([key]);
  for (const place of words.places) if (inside.has(place.parent)) inside.add(place.key);
  return inside;
}

function weighing({ view }) {
  const kind = tiles("kind", "Which way?", [["recovered", "Recovered", "taken out"], ["charged", "Charged", "put in"]], "recovered");
  return {
    title: "A weight over the scale",
    fields: [
      caution(["Eye protection and gloves. Never vent refrigerant. Local codes come first."]),
      kind, field("grams", "Grams", amount({ required: true })), field("tolerance", "Limit of error of the scale, g", amount({ value: 5 })),
      checked("tops-up", "The charge goes on top of what is in it."), field("on", "Day", input("date", { value: view.today })),
    ],
    path: "weighings",
    body: async () => ({
      kind: chosenOf(kind), grams: Number(value("grams")), tolerance_g: numberOf("tolerance") ?? 5,
      tops_up: find("tops-up").checked && chosenOf(kind) === "charged", ...onDay(),
    }),
  };
}

const onDay = () => (value("on") ? { on: value("on") } : {});

function hold({ words, view }) {
  const waiting = view.waiting_holds;
  const which = waiting.length
    ? tiles("hold", "Which hold?", waiting.map((one) => [one.id, `${one.outcome ?? "undecided"}: ${one.procedure === "standing-vacuum" ? "standing vacuum" : "nitrogen"}, ${day(one.started.slice(0, 10))}`, one.sentence ?? one.id]), waiting[0].id)
    : el("p", {}, "No finished hold of this vehicle waits. Start one at its bay; a hold appears here when it is decided.");
  const tree = placeTree(words, (place) => !place.leaf || ["condenser", "evaporator", "rear-evaporator", "discharge-hose", "suction-hose"].includes(place.key), "system");
  const proof = tiles("proof", "What is it for?", [["", "As written down", "it proves a repair where one is written down"], ["no", "It searches"], ["yes", "It proves a repair"]], "");
  return {
    title: "A hold as evidence of this visit",
    go: "Bind it",
    fields: [which, waiting.length ? el("p", { className: "hint" }, "What was held?") : null, waiting.length ? tree : null, waiting.length ? proof : null],
    path: "holds",
    body: async () => {
      required(waiting.length, "There is no hold to bind.");
      const said = chosenOf(proof);
      return { hold_id: chosenOf(which), section: chosenOf(tree) ?? "system", after_repair: said === "" ? null : said === "yes" };
    },
  };
}

function repair({ words, view }) {
  const tree = placeTree(words, () => true, null);
  const act = tiles("act", "What was done?", words.acts.map((one) => [one, one]), "renewed");
  return {
    title: "A repair",
    fields: [
      caution(["Refrigerant recovered first. Eye protection and gloves. Local codes come first."]), tree, act,
      checked("opened", "The circuit stood open.", true), checked("main", "Compressor, condenser or evaporator stood open: the drier goes with it."),
      field("oil-lost", "Oil that left, ml", amount()), field("on", "Day", input("date", { value: view.today })),
    ],
    path: "repairs",
    body: async () => {
      required(chosenOf(tree), "Choose the place.");
      return {
        place: chosenOf(tree), act: chosenOf(act), opened_circuit: find("opened").checked, opened_main_part: find("main").checked,
        oil_lost_ml: numberOf("oil-lost"), ...onDay(),
      };
    },
  };
}

function dye({ words, view }) {
  const way = tiles("way", "Which way in?", words.ways_in.map((one) => [one, one]), "under vacuum");
  return {
    title: "Dye that was put in",
    fields: [field("dye-name", "Which dye", input("text", { maxLength: 100, required: true })), field("ml", "Millilitres", amount({ required: true })), way, field("on", "Day", input("date", { value: view.today }))],
    path: "dye",
    body: async () => ({ dye: value("dye-name"), amount_ml: Number(value("ml")), way: chosenOf(way), ...onDay() }),
  };
}

function part() {
  return {
    title: "A part that was fitted",
    fields: [field("part-name", "What", input("text", { maxLength: 100, required: true })), field("quantity", "How many", input("number", { min: 1, max: 1000, value: 1, inputMode: "numeric" }))],
    path: "parts",
    body: async () => ({ name: value("part-name"), quantity: Number(value("quantity")) }),
  };
}

function advice() {
  return {
    title: "Advice for the customer",
    fields: [field("advice-text", "In words", el("textarea", { rows: 4, maxLength: 4000, required: true }))],
    path: "advice",
    body: async () => ({ text: value("advice-text") }),
  };
}

function answer({ given: { point } }) {
  const choices = [["done", "Done"], ...(point.refusable ? [["not needed", "Not needed", "with the reason"], ["deferred", "Put off", "with the reason and a day"]] : [])];
  const said = tiles("answer", point.ask, choices, "done");
  return {
    title: `Answer: ${point.key}`,
    go: "Answer",
    fields: [
      caution(point.cautions), el("p", { className: "why" }, `${capital(point.why)} (${point.source}). ${capital(point.missing)}.`), said,
      field("note", "Figures, or the reason", area()), field("by", "Who did it", input("text", { maxLength: 100, autocomplete: "name" })),
      field("look-again", "Day to look again", input("date")),
    ],
    path: "answers",
    body: async () => ({
      point: point.key, answer: chosenOf(said), note: value("note"), by: value("by"), look_again_on: value("look-again") || null,
    }),
  };
}

const FORMS = { finding, weighing, hold, repair, dye, part, advice, answer };
