// Scales, ticks and paths of the curves.
import assert from "node:assert/strict";
import { test } from "node:test";

import { extent, linearTicks, linePath, logTicks, minuteTicks, nearest, niceStep, roomFor, scale, spansDecades, timeTicks } from "../../api/holdwatch_api/static/scale.js";

const named = (ticks) => ticks.filter((tick) => tick.text).map((tick) => tick.text);

test("a scale finds the place of a value and the value of a place", () => {
  const linear = scale({ from: -1, to: 3 }, 100, 0);
  assert.equal(linear.place(-1), 100);
  assert.equal(linear.place(1), 50);
  assert.equal(linear.value(50), 1);
  const log = scale({ from: 1, to: 1000, log: true }, 0, 300);
  assert.ok(Math.abs(log.place(10) - 100) < 1e-9);
  assert.ok(Math.abs(log.value(200) - 100) < 1e-9);
});

test("steps are 1, 2 or 5 and never more than asked for", () => {
  assert.equal(niceStep(1, 5), 0.2);
  assert.equal(niceStep(30, 4), 10);
  for (const span of [0.003, 0.7, 1, 9.9, 10, 44, 12345]) for (const most of [2, 3, 5, 8]) assert.ok(span / niceStep(span, most) <= most + 1e-6);
});

test("ticks lie within the range and name themselves apart", () => {
  assert.deepEqual(named(linearTicks({ from: -0.95, to: 0.1 }, 6)), ["−0.8", "−0.6", "−0.4", "−0.2", "0.0"]);
  assert.deepEqual(named(linearTicks({ from: 0, to: 500 }, 3)), ["0", "200", "400"]);
});

test("minutes are cut as a clock cuts them", () => {
  assert.deepEqual(named(minuteTicks({ from: 0, to: 120 }, 5)), ["0", "30", "60", "90", "120"]);
  assert.deepEqual(named(minuteTicks({ from: 0, to: 1 }, 5)), ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
});

test("a logarithmic axis names its decades, and 2 and 5 where there is room", () => {
  assert.deepEqual(named(logTicks({ from: 50, to: 200000, log: true }, 5)), ["100", "1000", "10\u202f000", "100\u202f000"]);
  assert.deepEqual(named(logTicks({ from: 90, to: 1100, log: true }, 8)), ["100", "200", "500", "1000"]);
  assert.ok(logTicks({ from: 1, to: 100, log: true }, 3).some((tick) => !tick.text));
  assert.ok(logTicks({ from: 400, to: 600, log: true }, 5).length >= 3);
});

test("a log axis is for values above zero over a decade", () => {
  assert.equal(spansDecades([20, null, 300]), true);
  assert.equal(spansDecades([200, 300]), false);
  assert.equal(spansDecades([0, 300]), false);
});

test("hours are told by the clock, midnight by its date, months by their name", () => {
  const from = new Date(2026, 4, 14, 21, 10).getTime();
  assert.deepEqual(named(timeTicks({ from, to: from + 6 * 3600000 }, 6)), ["22:00", "23:00", "15 May", "01:00", "02:00", "03:00"]);
  assert.deepEqual(named(timeTicks({ from, to: from + 3 * 86400000 }, 4)), ["15 May", "16 May", "17 May"]);
  const year = timeTicks({ from: new Date(2025, 10, 20).getTime(), to: new Date(2026, 6, 1).getTime() }, 4);
  assert.deepEqual(named(year), ["Jan 2026", "Mar 2026", "May 2026", "Jul 2026"]);
});

test("a range keeps room around its values, level ones too", () => {
  assert.deepEqual(roomFor([0, null, 10], 0.1), { from: -1, to: 11, log: false });
  const level = roomFor([5, 5]);
  assert.ok(level.from < 5 && level.to > 5);
  assert.deepEqual(roomFor([]), { from: 0, to: 1, log: false });
  assert.ok(roomFor([1, 1000], 0.1, true).from > 0);
  assert.deepEqual(extent([3, null, -2]), { low: -2, high: 3 });
});

test("the nearest point is found", () => {
  assert.deepEqual([-5, 0.4, 0.6, 2.4, 9].map((at) => nearest([0, 1, 2, 3], at)), [0, 0, 1, 2, 3]);
});

test("a missing value breaks a line; many points over one place keep their extremes", () => {
  const same = (value) => value;
  assert.equal(linePath([0, 1, 2, 3], [5, 6, null, 7], same, same), "M0 5.0L1 6.0M3 7.0");
  const x = Array.from({ length: 1000 }, (_, at) => at / 10000);
  const y = x.map((_, at) => (at === 400 ? -9 : at === 500 ? 9 : 0));
  const path = linePath(x, y, same, same);
  assert.ok(path.includes("-9.0") && path.includes("L0 9.0"));
  assert.ok(path.length < 60);
});
