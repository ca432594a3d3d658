// @ts-check
// Draws curves as SVG: lines, bands and marks over two axes, with a cursor that reads them out.

import { el, svg } from "./elements.js";
import { digits } from "./format.js";
import { clockText, dateText, extent, linearTicks, linePath, logTicks, minuteTicks, nearest, scale, timeTicks } from "./scale.js";

/** @typedef {import("./scale.js").Range} Range */
/**
 * A line through points, or with `low` and `high` a band between them.
 * @typedef {object} Series
 * @property {string} css its class: colour, dash and width are style
 * @property {number[]} x ascending
 * @property {(number | null)[]} [y]
 * @property {number[]} [low]
 * @property {number[]} [high]
 * @property {string} [name] what the cursor calls it; without one the cursor passes over it
 * @property {boolean} [leads] the cursor steps along its points
 * @property {string} [label] written at its end
 * @property {boolean} [dots] with a dot at every point
 * @property {boolean} [ends] with a dot at its newest point
 */
/**
 * A straight line over the whole plot: level at `y`, or upright at `x`.
 * @typedef {{css: string, x?: number, y?: number, text?: string}} Mark
 */
/**
 * What is drawn.
 * @typedef {object} Drawing
 * @property {Range & {kind: "minutes" | "hours" | "time", title: string}} x
 * @property {Range & {unit: string, decimals?: number, titled?: boolean}} y titled: the unit stands above the axis
 * @property {Series[]} series
 * @property {Mark[]} [marks]
 */

const SMALLEST_TEXT = 14;
const LARGEST_TEXT = 24; // over 9 minutes of arc at 3 m, on a 43-inch screen of 1920 points
const LEAST_DRAG = 8; // a shorter way is a tap
const KEY_STEP = 0.01; // of the width

export class Plot {
  /**
   * @param {HTMLElement} node where to draw; its parent is the frame that the cursor covers
   * @param {{onZoom?: (from: number, to: number) => void, onWhole?: () => void}} [zooming]
   */
  constructor(node, zooming = {}) {
    this.node = node;
    this.zooming = zooming;
    /** @type {Drawing | null} */
    this.drawing = null;
    /** @type {number | null} where the cursor stands, in the unit of the time axis */
    this.cursor = null;
    /** @type {number | null} where a drag began, in points from the left */
    this.dragFrom = null;
    this.area = { left: 0, top: 0, width: 0, height: 0 };
    this.reader = el("div", { className: "reader", role: "slider", tabIndex: 0, "aria-label": "Read the curve", hidden: true });
    this.reading = el("div", { className: "reading", "aria-hidden": "true", hidden: true });
    this.selection = el("div", { className: "selection", hidden: true });
    this.line = el("div", { className: "cursor", hidden: true });
    this.reader.append(this.selection, this.line);
    node.after(this.reader, this.reading);
    this.listen();
    new ResizeObserver(() => this.render()).observe(node);
  }

  /** Draw this in place of what is there. */
  draw(/** @type {Drawing} */ drawing) {
    this.drawing = drawing;
    this.render();
  }

  render() {
    const { drawing, node } = this;
    const [width, height] = [node.clientWidth, node.clientHeight];
    if (!drawing || !width || !height) return;
    const size = Math.round(Math.max(SMALLEST_TEXT, Math.min(width / 40, height / 9, LARGEST_TEXT)));
    const yTicks = (drawing.y.log ? logTicks : linearTicks)(drawing.y, Math.max(2, Math.min(8, Math.floor(height / (size * 2.8)))));
    const widest = Math.max(drawing.y.titled ? drawing.y.unit.length : 0, ...yTicks.map((tick) => tick.text.length));
    const left = Math.ceil(widest * size * 0.58 + size * 0.6);
    const top = Math.ceil(size * (drawing.y.titled ? 1.5 : 0.6));
    const area = {
      left, top,
      width: Math.max(10, width - left - Math.ceil(size * 0.7)), height: Math.max(10, height - top - Math.ceil(size * 2.8)),
    };
    this.area = area;
    const x = scale(drawing.x, 0, area.width);
    const y = scale(drawing.y, area.height, 0);
    const scales = { x, y };
    this.scales = scales;
    const xTicks = ticksAcross(drawing.x, Math.max(2, Math.floor(area.width / (size * 5))));
    const root = svg("svg", { class: "chart", width, height, viewBox: `0 0 ${width} ${height}`, "font-size": size, "aria-hidden": "true" },
      ...(drawing.y.titled ? [svg("text", { class: "y-unit", x: left - size * 0.4, y: size * 0.95, "text-anchor": "end" }, drawing.y.unit)] : []),
      ...yTicks.flatMap(({ at, text }) => {
        const place = area.top + y.place(at);
        const rule = svg("line", { class: text ? "grid" : "grid fine", x1: left, x2: left + area.width, y1: place, y2: place });
        return text ? [rule, svg("text", { class: "y-tick", x: left - size * 0.4, y: place + size * 0.35, "text-anchor": "end" }, text)] : [rule];
      }),
      ...xTicks.flatMap(({ at, text }) => {
        const place = left + x.place(at);
        return [
          svg("line", { class: "grid upright", x1: place, x2: place, y1: area.top, y2: area.top + area.height + size * 0.25 }),
          svg("text", { class: "x-tick", x: place, y: area.top + area.height + size * 1.35, "text-anchor": anchor(place, width, text.length * size * 0.29) }, text),
        ];
      }),
      svg("text", { class: "x-title", x: left + area.width / 2, y: height - size * 0.3, "text-anchor": "middle" }, drawing.x.title),
      // A nested drawing cuts off what reaches beyond the axes.
      svg("svg", { x: left, y: area.top, width: area.width, height: area.height },
        ...(drawing.marks ?? []).map((mark) => markLine(mark, scales, area)),
        ...drawing.series.flatMap((one) => parts(one, scales, size))),
      ...labels(drawing, scales, area, size),
      svg("rect", { class: "edge", x: left, y: area.top, width: area.width, height: area.height }));
    node.replaceChildren(root);
    Object.assign(this.reader.style, { left: `${left}px`, top: `${area.top}px`, width: `${area.width}px`, height: `${area.height}px` });
    this.reading.style.fontSize = `${size}px`;
    this.reading.style.top = `${area.top + size * 0.4}px`;
    this.reader.hidden = !this.leading();
    this.showCursor();
  }

  /** The series whose points the cursor steps along: the one that leads, else the one with the most. */
  leading() {
    const named = this.drawing?.series.filter((one) => one.name && one.x.length) ?? [];
    return named.find((one) => one.leads) ?? named.reduce((/** @type {Series | null} */ best, one) => (best && best.x.length >= one.x.length ? best : one), null);
  }

  /** Stand at the point nearest to a value of the time axis; null takes the cursor away. */
  moveTo(/** @type {number | null} */ wanted) {
    const leading = this.leading();
    this.cursor = wanted === null || !leading ? null : leading.x[nearest(leading.x, wanted)];
    this.showCursor();
  }

  showCursor() {
    const { drawing, cursor, reader, scales } = this;
    if (!drawing || !scales) return;
    const { from, to } = drawing.x;
    const inside = cursor !== null && cursor >= from && cursor <= to;
    this.line.hidden = !inside;
    this.reading.hidden = !inside;
    reader.setAttribute("aria-valuemin", String(from));
    reader.setAttribute("aria-valuemax", String(to));
    const ends = this.leading()?.x ?? [to];
    const moment = inside ? cursor : Math.min(to, ends[ends.length - 1]);
    reader.setAttribute("aria-valuenow", String(moment));
    const lines = linesAt(drawing, moment);
    const when = momentText(drawing.x, moment);
    reader.setAttribute("aria-valuetext", `${when}: ${lines.map((line) => `${line.several ? `${line.name} ` : ""}${line.text}`).join(", ")}`);
    if (!inside) return;
    const place = scales.x.place(cursor);
    this.line.style.left = `${place}px`;
    // The words stand on the side where the cursor is not.
    const onRight = place < this.area.width / 2;
    this.reading.style.left = onRight ? "" : `${this.area.left + 8}px`;
    this.reading.style.right = onRight ? "1.2em" : "";
    this.reading.replaceChildren(el("b", {}, when), ...lines.map((line) => el("span", { className: line.css }, line.several ? `${line.name} ` : "", line.text)));
  }

  listen() {
    const { reader } = this;
    const at = (/** @type {PointerEvent | MouseEvent} */ event) => event.clientX - reader.getBoundingClientRect().left;
    const moment = (/** @type {number} */ place) => this.scales?.x.value(place) ?? 0;
    reader.addEventListener("pointermove", (event) => {
      if (this.dragFrom !== null && this.zooming.onZoom) this.showSelection(this.dragFrom, at(event));
      this.moveTo(moment(at(event)));
    });
    reader.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      this.dragFrom = at(event);
      reader.setPointerCapture(event.pointerId);
      this.moveTo(moment(this.dragFrom));
    });
    reader.addEventListener("pointerup", (event) => {
      const [from, to] = [this.dragFrom, at(event)];
      this.endDrag();
      if (from === null || Math.abs(to - from) < LEAST_DRAG) return;
      this.zoom(moment(Math.max(0, Math.min(from, to))), moment(Math.min(this.area.width, Math.max(from, to))));
    });
    reader.addEventListener("pointercancel", () => this.endDrag());
    reader.addEventListener("pointerleave", (event) => {
      if (event.pointerType === "mouse" && document.activeElement !== reader) this.moveTo(null);
    });
    reader.addEventListener("dblclick", () => this.zooming.onWhole?.());
    reader.addEventListener("blur", () => this.moveTo(null));
    reader.addEventListener("keydown", (event) => { if (this.key(event.key)) event.preventDefault(); });
  }

  endDrag() {
    this.dragFrom = null;
    this.selection.hidden = true;
  }

  showSelection(/** @type {number} */ from, /** @type {number} */ to) {
    this.selection.hidden = false;
    this.selection.style.left = `${Math.min(from, to)}px`;
    this.selection.style.width = `${Math.abs(to - from)}px`;
  }

  zoom(/** @type {number} */ from, /** @type {number} */ to) {
    this.zooming.onZoom?.(from, to);
  }

  /** What a key does: arrows read, + and − zoom around the cursor; whether it was one of them. */
  key(/** @type {string} */ key) {
    const leading = this.leading();
    if (!this.drawing || !leading) return false;
    const { from, to } = this.drawing.x;
    const last = Math.min(to, leading.x[leading.x.length - 1]);
    const now = this.cursor ?? last;
    const span = to - from;
    const step = (/** @type {number} */ by) => this.moveTo(stepFrom(leading.x, now, by * span));
    const half = Math.max(0, Math.min(1, (now - from) / span)) * span;
    /** @type {Record<string, () => void>} */
    const work = {
      ArrowLeft: () => step(-KEY_STEP), ArrowRight: () => step(KEY_STEP), PageDown: () => step(-0.1), PageUp: () => step(0.1),
      Home: () => this.moveTo(from), End: () => this.moveTo(last), Escape: () => this.moveTo(null),
      "+": () => this.zoom(now - half / 2, now + (span - half) / 2), "-": () => this.zooming.onWhole?.(), 0: () => this.zooming.onWhole?.(),
    };
    if (!work[key]) return false;
    work[key]();
    return true;
  }
}

/** At least the next point in the direction, else the one a step away. */
function stepFrom(/** @type {number[]} */ x, /** @type {number} */ now, /** @type {number} */ by) {
  const here = nearest(x, now);
  const there = nearest(x, now + by);
  return x[Math.max(0, Math.min(x.length - 1, there === here ? here + Math.sign(by) : there))];
}

function ticksAcross(/** @type {Drawing["x"]} */ axis, /** @type {number} */ most) {
  if (axis.kind === "time") return timeTicks(axis, most);
  return axis.kind === "minutes" ? minuteTicks(axis, most) : linearTicks(axis, most);
}

/** Words at an end of the axis do not reach over the edge. */
function anchor(/** @type {number} */ place, /** @type {number} */ width, /** @type {number} */ half) {
  if (place + half > width) return "end";
  return place - half < 0 ? "start" : "middle";
}

/** @typedef {{x: ReturnType<typeof scale>, y: ReturnType<typeof scale>}} Scales */

function markLine(/** @type {Mark} */ mark, /** @type {Scales} */ { x, y }, /** @type {{width: number, height: number}} */ { width, height }) {
  const place = mark.x === undefined ? y.place(mark.y ?? 0) : x.place(mark.x);
  const ends = mark.x === undefined ? { x1: 0, x2: width, y1: place, y2: place } : { x1: place, x2: place, y1: 0, y2: height };
  return svg("line", { class: `mark ${mark.css}`, ...ends });
}

function parts(/** @type {Series} */ one, /** @type {Scales} */ { x, y }, /** @type {number} */ size) {
  if (one.low && one.high) {
    const upper = linePath(one.x, one.high, x.place, y.place);
    const lower = linePath([...one.x].reverse(), [...one.low].reverse(), x.place, y.place);
    return [svg("path", { class: `band ${one.css}`, d: `${upper}${lower.replace("M", "L")}Z` })];
  }
  const values = one.y ?? [];
  const made = [svg("path", { class: `line ${one.css}`, d: linePath(one.x, values, x.place, y.place) })];
  values.forEach((value, at) => {
    if (value !== null && (one.dots || (one.ends && at === values.length - 1))) {
      made.push(svg("circle", { class: `dot ${one.css}`, cx: x.place(one.x[at]), cy: y.place(value), r: Math.max(5, size * 0.3) }));
    }
  });
  return made;
}

/** What is written into the plot: the names of marks, and of lines at their ends. */
function labels(/** @type {Drawing} */ drawing, /** @type {Scales} */ { x, y }, /** @type {Plot["area"]} */ area, /** @type {number} */ size) {
  const made = [];
  for (const mark of drawing.marks ?? []) {
    if (!mark.text) continue;
    const upright = mark.x !== undefined;
    const [across, up] = upright ? [x.place(mark.x ?? 0), size] : [area.width - size * 0.4, y.place(mark.y ?? 0) - size * 0.4];
    const outside = upright && (across < 0 || across > area.width);
    if (!outside) made.push(svg("text", { class: "label", x: area.left + across + (upright ? size * 0.4 : 0), y: area.top + up, "text-anchor": upright ? "start" : "end" }, mark.text));
  }
  for (const one of drawing.series) {
    const value = one.y?.[one.x.length - 1];
    if (!one.label || value === null || value === undefined) continue;
    const up = y.place(value);
    const across = Math.min(area.width - size * 0.4, x.place(one.x[one.x.length - 1]));
    // Where the line comes from above, its name stands below it.
    const before = one.y?.[one.x.length - 2] ?? value;
    const below = y.place(before) < up - 1 || up < size * 2;
    const above = below ? up + size * 1.1 : up - size * 0.5;
    made.push(svg("text", { class: `label ${one.css}`, x: area.left + across, y: area.top + Math.max(size, Math.min(area.height - size * 0.3, above)), "text-anchor": "end" }, one.label));
  }
  return made;
}

/** What every named line says at a moment. */
function linesAt(/** @type {Drawing} */ drawing, /** @type {number} */ moment) {
  const named = drawing.series.filter((one) => one.name && one.x.length);
  const { low, high } = extent([drawing.y.from, drawing.y.to]);
  const decimals = drawing.y.decimals ?? Math.max(0, Math.min(6, 2 - Math.floor(Math.log10((high - low) / 2))));
  return named.flatMap((one) => {
    const at = nearest(one.x, moment);
    const value = one.y?.[at];
    const beyond = moment < one.x[0] || moment > one.x[one.x.length - 1];
    if (value === null || value === undefined || (beyond && named.length > 1)) return [];
    const places = drawing.y.log ? Math.max(0, 2 - Math.floor(Math.log10(value))) : decimals;
    return [{ name: one.name, css: one.css, several: named.length > 1, text: `${digits(value, places)}\u00a0${drawing.y.unit}` }];
  });
}

/** A place on the time axis in words. */
function momentText(/** @type {Drawing["x"]} */ axis, /** @type {number} */ at) {
  if (axis.kind === "time") {
    const span = axis.to - axis.from;
    return span > 200 * 86400000 ? dateText(at, true) : `${dateText(at)}, ${clockText(at, span < 7200000)}`;
  }
  const minutes = axis.kind === "hours" ? at * 60 : at;
  const [sign, whole] = [minutes < 0 ? "−" : "", Math.abs(minutes)];
  if (whole < 10) return `${sign}${digits(whole, 1)}\u00a0min`;
  return whole < 100 ? `${sign}${digits(whole, 0)}\u00a0min` : `${sign}${Math.floor(whole / 60)}\u00a0h ${String(Math.round(whole % 60)).padStart(2, "0")}\u00a0min`;
}
