// The open work orders of a bay's vehicle, as a hold can be bound to one.

import { read } from "./api.js";

const get = (path) => read(`/api/v1/vehicles${path}`, { quiet: true });

function isThere(found, unit) {
  return found.some((one) => [one.fleet_number, one.plate, one.vin].includes(unit));
}

/** What is told of a bay's unit at an address below it; null without a unit, or one that has a story. */
async function about(unit, below) {
  if (!unit) return null;
  try {
    return isThere(await get(`?find=${encodeURIComponent(unit)}`), unit) ? await get(`/${encodeURIComponent(unit)}${below}`) : null;
  } catch {
    return null;
  }
}

/** Fetch them, the newest first; none for a bay without a unit or a unit that has no story. */
export async function openVisits(unit) {
  const told = await about(unit, "");
  return told ? told.visits.filter((visit) => !visit.closed_on).reverse() : [];
}

/** The sections of a vehicle that can be held alone; none where it has no story. */
export async function partsOf(unit) {
  const told = await about(unit, "/words");
  return told ? told.places.filter((place) => !place.leaf && place.parent !== null) : [];
}

/** Say a visit in one line: "2026-0007, 2 March: cools badly". */
export function visitLine(visit) {
  return `${visit.number}, opened ${visit.opened_on}${visit.complaint ? `: ${visit.complaint}` : ""}`;
}

/** Fill a choice of visits; the first is the newest, `none` says what choosing nothing means. */
export function fillVisits(select, visits, none) {
  const options = visits.map((visit) => new Option(visitLine(visit), visit.number));
  if (none) options.push(new Option(none, ""));
  select.replaceChildren(...options);
}
