// Asking the service: what is sent, what is done again, what a refusal says.
import assert from "node:assert/strict";
import { beforeEach, test } from "node:test";

import { commandId, exchange, read, Refused, send, signInBy } from "../../api/holdwatch_api/static/api.js";

let asked = [];
let answers = [];

globalThis.fetch = async (path, options) => {
  asked.push({ path, ...options });
  const answer = answers.shift();
  if (!answer) throw new TypeError("no connection");
  return answer;
};
const json = (status, body, headers = {}) => new Response(JSON.stringify(body), { status, headers });

beforeEach(() => {
  [asked, answers] = [[], []];
  signInBy(async () => false);
});

test("a body is read, and sent as JSON with the id of its command", async () => {
  answers = [json(200, { bays: 2 }), json(200, { text: "Done." })];
  assert.deepEqual(await read("/api/v1/bays"), { bays: 2 });
  await send("/api/v1/vehicles", { plate: "BM 4" }, { id: "screen-1" });
  assert.equal(asked[1].method, "POST");
  assert.deepEqual(JSON.parse(asked[1].body), { plate: "BM 4", id: "screen-1" });
  assert.equal(asked[1].headers["Content-Type"], "application/json");
});

test("a picture is sent as it is", async () => {
  answers = [json(200, {})];
  const picture = new Blob(["x"], { type: "image/png" });
  await read("/api/v1/photographs", { method: "POST", body: picture });
  assert.equal(asked[0].body, picture);
  assert.equal(asked[0].headers["Content-Type"], "image/png");
});

test("a refusal speaks in the words of the problem document", async () => {
  answers = [json(409, { detail: "BM-04 is holding." }), new Response("oops", { status: 500 })];
  await assert.rejects(read("/x"), (error) => error instanceof Refused && error.status === 409 && error.message === "BM-04 is holding.");
  await assert.rejects(read("/x"), /The service answered 500/);
});

test("where a token is missing, one signs in and is answered", async () => {
  let times = 0;
  signInBy(async () => { times += 1; return true; });
  answers = [json(401, {}), json(200, { ok: 1 }), json(401, { detail: "No token." })];
  assert.deepEqual(await read("/x"), { ok: 1 });
  assert.equal(times, 1);
  const quiet = await exchange("/x", { quiet: true });
  assert.deepEqual([quiet.status, quiet.body.detail, times], [401, "No token.", 1]);
});

test("who does not sign in is refused after one request", async () => {
  answers = [json(401, { detail: "No token." })];
  await assert.rejects(read("/x"), /No token/);
  assert.equal(asked.length, 1);
});

test("silence is told, and told apart where something may have been done", async () => {
  await assert.rejects(read("/x"), (error) => error.status === 0);
  await assert.rejects(send("/x", {}), /look whether it was written down/);
});

test("an answer says when to come back, and may be empty", async () => {
  answers = [json(429, {}, { "Retry-After": "7" }), new Response(null, { status: 204 })];
  assert.equal((await exchange("/x")).retryS, 7);
  assert.deepEqual((await exchange("/x")).body, {});
});

test("no two commands have the same id", () => {
  assert.equal(new Set(Array.from({ length: 100 }, commandId)).size, 100);
  assert.match(commandId(), /^screen-[0-9a-f]{24}$/);
});
