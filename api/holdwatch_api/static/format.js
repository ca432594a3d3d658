// Words and figures as the screen shows them.

const ROLES = {
  low_side: "Low side", high_side: "High side", vacuum: "Vacuum", pipe_temperature: "Pipe",
  ambient_temperature: "Room", barometer: "Barometer",
  superheat: "Superheat", subcooling: "Subcooling",
};
const ORDER = {
  "standing-vacuum": ["vacuum", "low_side", "high_side"],
  "pressure-decay": ["high_side", "low_side", "vacuum"],
};
const DEFAULT_ORDER = ["low_side", "high_side", "vacuum"];

export function roleName(role) {
  const [head, place] = role.split(".");
  return (ROLES[head] ?? head) + (place ? ` ${place}` : "");
}

/** Pressures first, the one that the procedure judges at the head. */
export function rank(role, procedure) {
  const order = ORDER[procedure] ?? DEFAULT_ORDER;
  const at = order.indexOf(role.split(".")[0]);
  return at >= 0 ? at : 10 + Object.keys(ROLES).indexOf(role.split(".")[0]);
}

/** "45 s", "12 min", "3 h 05 min". */
export function duration(seconds) {
  const s = Math.max(0, seconds);
  if (s < 90) return `${Math.round(s)} s`;
  const minutes = Math.round(s / 60);
  if (minutes < 100) return `${minutes} min`;
  return `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min`;
}

/** Three significant digits at most, and no more decimals than a shop reads. */
export function figure(x) {
  if (x === null || x === undefined || !Number.isFinite(x)) return "–";
  const rounded = Math.abs(x) < 1 ? Number(x.toFixed(2)) : Number(x.toPrecision(3));
  return String(rounded + 0).replace("-", "−");
}

/** A figure with fixed decimals, a proper minus, and thin spaces from five digits on. */
export function digits(/** @type {number} */ x, /** @type {number} */ decimals) {
  const [whole, part] = (Number(x.toFixed(decimals)) + 0).toFixed(decimals).replace("-", "−").split(".");
  const grouped = whole.replace("−", "").length > 4 ? whole.replace(/\B(?=(\d{3})+$)/g, "\u202f") : whole;
  return part ? `${grouped}.${part}` : grouped;
}

/** "947 g", "29.1 kg". */
export function grams(x) {
  return x >= 10000 ? `${figure(x / 1000)}\u00a0kg` : `${figure(x)}\u00a0g`;
}

export function clockTime(date) {
  return date.toLocaleTimeString([], { hour12: false });
}
