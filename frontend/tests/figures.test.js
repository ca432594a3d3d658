// Figures as the screens show them.
import assert from "node:assert/strict";
import { test } from "node:test";

import { digits, duration, figure, grams } from "../../api/holdwatch_api/static/format.js";

test("figures have a proper minus and thin spaces from five digits on", () => {
  assert.equal(digits(-0.2666, 2), "−0.27");
  assert.equal(digits(1234.5, 1), "1234.5");
  assert.equal(digits(-1234, 0), "−1234");
  assert.equal(digits(12345.67, 1), "12\u202f345.7");
  assert.equal(digits(7125000, 0), "7\u202f125\u202f000");
});

test("nothing is shown as minus zero", () => {
  assert.equal(digits(-0.04, 1), "0.0");
  assert.equal(figure(-0.001), "0");
});

test("three significant digits, and a dash where nothing is known", () => {
  assert.equal(figure(946.7), "947");
  assert.equal(figure(0.12345), "0.12");
  for (const missing of [null, undefined, NaN, Infinity]) assert.equal(figure(missing), "–");
});

test("grams become kilograms from ten on", () => {
  assert.equal(grams(947.2), "947\u00a0g");
  assert.equal(grams(29100), "29.1\u00a0kg");
});

test("durations are told in the largest unit that keeps their sense", () => {
  assert.deepEqual([-5, 45, 89.6, 90, 5999, 6000, 11100].map(duration), ["0 s", "45 s", "90 s", "2 min", "1 h 40 min", "1 h 40 min", "3 h 05 min"]);
});
