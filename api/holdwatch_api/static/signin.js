// Signing in, being paired, and letting other screens in: one module that every page uses.

import { exchange, signInBy } from "./api.js";
import { el } from "./elements.js";

let waiting = null; // the timer of a code that this screen shows
let opened = null; // the promise of the dialog while it is open

const post = (path, body = {}) => exchange(path, { method: "POST", body, quiet: true });

function build() {
  const found = document.getElementById("sign-in");
  if (found) return found;
  const why = el("p", { id: "sign-in-why", role: "status" });
  const code = el("output", { id: "pair-code", className: "pair-code", "aria-live": "polite" });
  const how = el("p", { id: "pair-how" });
  const show = el("button", { type: "button", id: "pair-show", textContent: "Show a code" });
  const token = el("input", { id: "token", type: "password", autocomplete: "current-password", autofocus: true });
  const cancel = el("button", { type: "button", className: "cancel", textContent: "Cancel" });
  const go = el("button", { value: "go", className: "strong", textContent: "Sign in" });
  const dialog = el("dialog", { id: "sign-in", "aria-labelledby": "sign-in-title" },
    el("form", { method: "dialog" },
      el("h2", { id: "sign-in-title", textContent: "Sign in" }),
      why,
      el("h3", { textContent: "Without a keyboard" }),
      code, how, show,
      el("h3", { textContent: "With a token" }),
      el("label", { htmlFor: "token", textContent: "Token" }), token,
      el("p", { className: "buttons" }, cancel, go),
    ));
  show.addEventListener("click", () => showCode(dialog));
  // Not a submitting button, so that the Enter key signs in.
  cancel.addEventListener("click", () => dialog.close("cancel"));
  document.body.append(dialog);
  return dialog;
}

/** Show a code for as long as the dialog is open, a new one when the old one is over. */
async function showCode(dialog) {
  clearTimeout(waiting);
  const code = dialog.querySelector("#pair-code");
  const how = dialog.querySelector("#pair-how");
  const later = (seconds, work) => { waiting = setTimeout(() => { if (dialog.open) work(); }, seconds * 1000); };
  const anew = () => showCode(dialog);
  let asked;
  try {
    asked = await post("/api/v1/pairing");
  } catch {
    later(5, anew);
    return;
  }
  const { ok, body: told, retryS } = asked;
  dialog.querySelector("#pair-show").hidden = ok;
  if (!ok) {
    code.textContent = "";
    how.textContent = told.detail ?? "No code can be had now.";
    if (retryS) later(retryS, anew);
    return;
  }
  code.textContent = told.code;
  how.textContent = `On a screen that may operate: Access, then this code. Or on the server: holdwatch token pair ${told.code} --name "Bay TV"`;
  const over = Date.now() + told.expires_s * 1000;
  const look = async () => {
    const { body: found, status } = await post("/api/v1/pairing/collect").catch(() => ({ body: {}, status: 0 }));
    if (found.state === "paired") dialog.close("paired");
    else if (status === 404 || Date.now() > over) anew();
    else later(told.interval_s, look);
  };
  later(told.interval_s, look);
}

/** Ask for a token or be paired; resolves to whether this browser is signed in now. */
export function signIn(why) {
  opened ??= ask(why).finally(() => { opened = null; });
  return opened;
}

async function ask(why) {
  const dialog = build();
  const field = dialog.querySelector("#token");
  const told = dialog.querySelector("#sign-in-why");
  told.textContent = why ?? "";
  dialog.querySelector("#pair-code").textContent = "";
  dialog.querySelector("#pair-how").textContent = "A code that somebody who may operate lets in.";
  dialog.querySelector("#pair-show").hidden = false;
  // A television has nobody to press the button: where nothing is known of this browser, a code comes by itself.
  const session = await who();
  if (session && session.scope === null) showCode(dialog);
  try {
    for (;;) {
      field.value = "";
      dialog.returnValue = "";
      if (!dialog.open) dialog.showModal();
      await new Promise((resolve) => { dialog.addEventListener("close", resolve, { once: true }); });
      if (dialog.returnValue === "paired") return true;
      if (dialog.returnValue !== "go") return false;
      const { ok, status, body: answer } = await post("/api/v1/session", { token: field.value })
        .catch(() => ({ ok: false, body: { detail: "The service did not answer." } }));
      if (ok) return true;
      told.textContent = status === 422 ? "A token is one word, without spaces." : answer.detail ?? "This did not work.";
    }
  } finally {
    clearTimeout(waiting);
    field.value = "";
    offerAccess();
  }
}

/** Who this browser is; null where the service does not answer. */
export async function who() {
  const answer = await exchange("/api/v1/session", { quiet: true }).catch(() => null);
  return answer?.ok ? answer.body : null;
}

// -- letting other screens in ------------------------------------------------------------------

function buildAccess() {
  const found = document.getElementById("access");
  if (found) return found;
  const pair = el("form", { id: "pair" },
    el("h3", { textContent: "Let a screen in" }),
    el("label", { htmlFor: "pair-typed", textContent: "Code that it shows" }),
    el("input", { id: "pair-typed", className: "field-wide", required: true, maxLength: 20, autocomplete: "off", spellcheck: false }),
    el("label", { htmlFor: "pair-name", textContent: "Its name" }),
    el("input", { id: "pair-name", className: "field-wide", required: true, maxLength: 60, autocomplete: "off" }),
    el("label", { htmlFor: "pair-scope", textContent: "It may" }),
    el("select", { id: "pair-scope" }, new Option("watch", "watch"), new Option("operate", "operate")),
    el("button", { className: "strong", textContent: "Let it in" }),
  );
  const told = el("p", { id: "access-told", role: "status" });
  const out = el("button", { type: "button", textContent: "Sign out" });
  const other = el("button", { type: "button", textContent: "Sign in otherwise…" });
  const done = el("button", { type: "button", className: "strong", textContent: "Done" });
  const dialog = el("dialog", { id: "access", "aria-labelledby": "access-title" },
    el("h2", { id: "access-title", textContent: "Access" }),
    el("p", { id: "access-who" }), pair, told,
    el("p", { className: "buttons" }, out, other, done));
  done.addEventListener("click", () => dialog.close());
  out.addEventListener("click", async () => {
    await exchange("/api/v1/session", { method: "DELETE", quiet: true });
    location.reload();
  });
  other.addEventListener("click", async () => {
    dialog.close();
    if (await signIn("")) location.reload();
  });
  pair.addEventListener("submit", async (event) => {
    event.preventDefault();
    const value = (id) => dialog.querySelector(`#${id}`).value;
    const { ok, body: answer } = await post("/api/v1/pairing/approve", {
      code: value("pair-typed"), name: value("pair-name"), scope: value("pair-scope"),
    }).catch(() => ({ ok: false, body: { detail: "The service did not answer." } }));
    told.textContent = ok
      ? `The screen at ${answer.address}, which asked ${answer.asked_s_ago} s ago, may ${answer.scope} as “${answer.name}”. If that is another one: holdwatch token revoke "${answer.name}"`
      : answer.detail ?? "This did not work.";
    if (ok) pair.reset();
  });
  document.body.append(dialog);
  return dialog;
}

async function showAccess() {
  const session = await who();
  const dialog = buildAccess();
  dialog.querySelector("#access-told").textContent = "";
  dialog.querySelector("#access-who").textContent = session?.scope
    ? `This screen may ${session.scope} as “${session.name}”.` : "This screen is not signed in.";
  dialog.querySelector("#pair").hidden = session?.scope !== "operate";
  dialog.showModal();
}

/** Put the way to `Access` into the page's head line, where tokens are needed at all. */
async function offerAccess() {
  const line = document.querySelector("header.top");
  if (!line || document.getElementById("access-open")) return;
  const session = await who();
  if (!session || session.open || document.getElementById("access-open")) return;
  const button = el("button", { type: "button", id: "access-open", className: "to", textContent: "Access" });
  button.addEventListener("click", showAccess);
  const units = document.getElementById("units-open");
  if (units) units.after(button);
  else line.append(button);
}

signInBy(signIn);
document.head.append(el("link", { rel: "stylesheet", href: "/static/signin.css" }));
offerAccess();
