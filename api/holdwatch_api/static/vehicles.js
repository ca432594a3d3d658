// The list of vehicles: looked up by any part of a name, and a new one added.

import { read, send } from "./api.js";
import { el, fill, find } from "./elements.js";
import { tell, toVehicle } from "./story.js";

const WAIT_MS = 150;
let waiting = null;
let newest = 0;

async function list() {
  const words = find("words").value.trim();
  const number = ++newest;
  try {
    const found = await read(`/api/v1/vehicles?limit=200${words ? `&find=${encodeURIComponent(words)}` : ""}`);
    if (number !== newest) return; // a later question was asked meanwhile
    if (!words) found.sort((a, b) => nameOf(a).localeCompare(nameOf(b), "en", { numeric: true }));
    fill(find("vehicles"), found.map(card));
    const count = `${found.length} ${found.length === 1 ? "vehicle" : "vehicles"}`;
    tell(found.length ? count : words ? `Nothing goes by “${words}”.` : "No vehicle is stored yet. Add the first one.");
  } catch (error) {
    tell(error.message, true);
  }
}

const nameOf = (unit) => unit.fleet_number || unit.plate || unit.vin;

function card(unit) {
  const name = nameOf(unit);
  const others = [unit.fleet_number, unit.plate, unit.vin].filter((word) => word && word !== name);
  const charge = unit.nameplate_charge_g ? `, ${unit.nameplate_charge_g} g` : "";
  return el("li", {}, el("a", { href: toVehicle(name) },
    el("strong", {}, name), el("span", { className: "others" }, others.join(" · ")),
    el("span", {}, `${unit.refrigerant}${charge}`), el("span", { className: "others" }, unit.description)));
}

const given = (id) => find(id).value.trim();
const number = (id) => (given(id) ? Number(given(id)) : undefined);

async function add(event) {
  event.preventDefault();
  const unit = { refrigerant: given("refrigerant"), evaporators: Number(given("evaporators")) };
  for (const key of ["fleet_number", "plate", "vin"]) if (given(key)) unit[key] = given(key);
  for (const key of ["nameplate_charge_g", "max_pressure_kpa_g"]) if (number(key)) unit[key] = number(key);
  if (given("oil") !== "not known" || number("oil_ml")) unit.oil = { kind: given("oil"), ...(number("oil_ml") ? { amount_ml: number("oil_ml") } : {}) };
  try {
    const made = await send("/api/v1/vehicles", { unit });
    location.href = toVehicle(made.name);
  } catch (error) {
    find("new-told").textContent = error.message;
    find("new-told").classList.add("bad");
  }
}

find("words").addEventListener("input", () => {
  clearTimeout(waiting);
  waiting = setTimeout(list, WAIT_MS);
});
find("look").addEventListener("submit", (event) => { event.preventDefault(); list(); });
find("add").addEventListener("click", () => find("new").showModal());
find("new").querySelector(".cancel").addEventListener("click", () => find("new").close());
find("new").querySelector("form").addEventListener("submit", add);
list();
