// What the pages of vehicles and visits share: addresses, parts, saying errors.

import { read } from "./api.js";
import { el, find, say } from "./elements.js";
import "./signin.js";

/** Send a picture, made smaller where it is large; resolves to what the service keeps. */
export async function sendPicture(file) {
  const picture = await smaller(file);
  return read(`/api/v1/photographs?name=${encodeURIComponent(file.name.slice(0, 100))}`, { method: "POST", body: picture });
}

const LONGEST_SIDE = 1600; // enough to see a crimp, small enough for a report

async function smaller(file) {
  let image;
  try {
    image = await createImageBitmap(file);
  } catch {
    return file; // the service says what it is not
  }
  const share = Math.min(1, LONGEST_SIDE / Math.max(image.width, image.height));
  const canvas = el("canvas", { width: Math.round(image.width * share), height: Math.round(image.height * share) });
  canvas.getContext("2d").drawImage(image, 0, 0, canvas.width, canvas.height);
  const made = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.82));
  return made ?? file;
}

export const path = (...words) => words.map(encodeURIComponent).join("/");
export const vehiclePath = (name) => `/api/v1/vehicles/${path(name)}`;
export const visitPath = (number) => `/api/v1/visits/${path(number)}`;
export const toVehicle = (name) => `/vehicle?name=${encodeURIComponent(name)}`;
export const toVisit = (number) => `/visit?number=${encodeURIComponent(number)}`;
export const asked = (key) => new URLSearchParams(location.search).get(key) ?? "";

/** "11 May 2026" of an ISO day. */
export function day(text) {
  return text ? new Date(`${text}T12:00:00`).toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric" }) : "";
}

export const capital = (text) => text[0].toUpperCase() + text.slice(1);

export function caution(lines) {
  if (!lines.length) return null;
  return el("div", { className: "caution" }, el("ul", {}, lines.map((line) => el("li", {}, line))));
}

/** The suspects, likeliest first: share, bar, and what speaks for and against. */
export function suspectList(suspects) {
  return suspects.filter((one) => one.share >= 0.01).map((one) => el("li", {},
    el("div", { className: "suspect" },
      el("span", { className: "share" }, `${Math.round(100 * one.share)} %`),
      el("span", { className: "suspect-name" }, one.name),
      el("meter", { value: one.share, min: 0, max: 1, "aria-hidden": "true" })),
    one.findings.length ? el("details", {}, el("summary", { "aria-label": `Why: ${one.name}` }, "Why"), el("ul", {}, one.findings.map((line) => el("li", {}, line)))) : null));
}

/** Say in the page's one status line what was done or why not. */
export function tell(text, bad = false) {
  const line = find("told");
  say(line, text);
  line.classList.toggle("bad", bad);
}

/** A set of large buttons of which one is chosen; each is a radio field. */
export function tiles(name, legend, choices, chosen, onChange) {
  const made = choices.map(([value, text, hint]) => el("label", { className: "tile" },
    el("input", { type: "radio", name, value, checked: value === chosen }),
    el("span", {}, text, hint ? el("small", {}, hint) : null)));
  const set = el("fieldset", { className: "tiles" }, el("legend", {}, legend), made);
  if (onChange) set.addEventListener("change", () => onChange(chosenOf(set)));
  return set;
}

export const chosenOf = (node) => node.querySelector("input[type=radio]:checked")?.value ?? null;

/** A field with its label above it. */
export function field(id, label, input) {
  input.id = id;
  return el("div", { className: "entry" }, el("label", { htmlFor: id }, label), input);
}
