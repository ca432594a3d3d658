// The open work orders of a bay's vehicle, as a hold can be bound to one.

async function get(path) {
  const answer = await fetch(`/api/v1/vehicles${path}`);
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}

function isThere(found, unit) {
  return found.some((one) => [one.fleet_number, one.plate, one.vin].includes(unit));
}

/** Fetch them, the newest first; none for a bay without a unit or a unit that has no story. */
export async function openVisits(unit) {
  if (!unit) return [];
  try {
    const found = await get(`?find=${encodeURIComponent(unit)}`);
    if (!isThere(found, unit)) return [];
    const { visits } = await get(`/${encodeURIComponent(unit)}`);
    return visits.filter((visit) => !visit.closed_on).reverse();
  } catch {
    return [];
  }
}

/** The sections of a vehicle that can be held alone; none where it has no story. */
export async function partsOf(unit) {
  if (!unit) return [];
  try {
    const found = await get(`?find=${encodeURIComponent(unit)}`);
    if (!isThere(found, unit)) return [];
    const { places } = await get(`/${encodeURIComponent(unit)}/words`);
    return places.filter((place) => !place.leaf && place.parent !== null);
  } catch {
    return [];
  }
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
