// Signing in, being paired, and letting other screens in: one module that every page uses.

const JSON_BODY = { "Content-Type": "application/json" };
let waiting = null; // the timer of a code that this screen shows
let opened = null; // the promise of the dialog while it is open

/** Make an element: its properties and attributes, then its children. */
function make(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [key, value] of Object.entries(properties)) {
    if (key in node && key !== "list" && key !== "form") node[key] = value;
    else node.setAttribute(key, value);
  }
  node.append(...children);
  return node;
}

async function post(path, body = {}) {
  const answer = await fetch(path, { method: "POST", headers: JSON_BODY, body: JSON.stringify(body) });
  const told = answer.status === 204 ? {} : await answer.json().catch(() => ({}));
  return { ok: answer.ok, status: answer.status, told, retryS: Number(answer.headers.get("Retry-After")) || 0 };
}

function build() {
  const found = document.getElementById("sign-in");
  if (found) return found;
  const why = make("p", { id: "sign-in-why", role: "status" });
  const code = make("output", { id: "pair-code", className: "pair-code", "aria-live": "polite" });
  const how = make("p", { id: "pair-how" });
  const show = make("button", { type: "button", id: "pair-show", textContent: "Show a code" });
  const token = make("input", { id: "token", type: "password", autocomplete: "current-password", autofocus: true });
  const cancel = make("button", { type: "button", className: "cancel", textContent: "Cancel" });
  const go = make("button", { value: "go", className: "strong", textContent: "Sign in" });
  const dialog = make("dialog", { id: "sign-in", "aria-labelledby": "sign-in-title" },
    make("form", { method: "dialog" },
      make("h2", { id: "sign-in-title", textContent: "Sign in" }),
      why,
      make("h3", { textContent: "Without a keyboard" }),
      code, how, show,
      make("h3", { textContent: "With a token" }),
      make("label", { htmlFor: "token", textContent: "Token" }), token,
      make("p", { className: "buttons" }, cancel, go),
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
  const { ok, told, retryS } = asked;
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
    const { told: found, status } = await post("/api/v1/pairing/collect").catch(() => ({ told: {}, status: 0 }));
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
      const { ok, status, told: answer } = await post("/api/v1/session", { token: field.value })
        .catch(() => ({ ok: false, told: { detail: "The service did not answer." } }));
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
  try {
    const answer = await fetch("/api/v1/session");
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

/** Fetch; where a token is missing, sign in and fetch once more. */
export async function signedFetch(path, options) {
  const answer = await fetch(path, options);
  if (answer.status !== 401) return answer;
  return await signIn("This screen needs a token to watch the bays.") ? fetch(path, options) : answer;
}

// -- letting other screens in ------------------------------------------------------------------

function buildAccess() {
  const found = document.getElementById("access");
  if (found) return found;
  const pair = make("form", { id: "pair" },
    make("h3", { textContent: "Let a screen in" }),
    make("label", { htmlFor: "pair-typed", textContent: "Code that it shows" }),
    make("input", { id: "pair-typed", className: "field-wide", required: true, maxLength: 20, autocomplete: "off", spellcheck: false }),
    make("label", { htmlFor: "pair-name", textContent: "Its name" }),
    make("input", { id: "pair-name", className: "field-wide", required: true, maxLength: 60, autocomplete: "off" }),
    make("label", { htmlFor: "pair-scope", textContent: "It may" }),
    make("select", { id: "pair-scope" }, new Option("watch", "watch"), new Option("operate", "operate")),
    make("button", { className: "strong", textContent: "Let it in" }),
  );
  const told = make("p", { id: "access-told", role: "status" });
  const out = make("button", { type: "button", textContent: "Sign out" });
  const other = make("button", { type: "button", textContent: "Sign in otherwise…" });
  const done = make("button", { type: "button", className: "strong", textContent: "Done" });
  const dialog = make("dialog", { id: "access", "aria-labelledby": "access-title" },
    make("h2", { id: "access-title", textContent: "Access" }),
    make("p", { id: "access-who" }), pair, told,
    make("p", { className: "buttons" }, out, other, done));
  done.addEventListener("click", () => dialog.close());
  out.addEventListener("click", async () => {
    await fetch("/api/v1/session", { method: "DELETE" });
    location.reload();
  });
  other.addEventListener("click", async () => {
    dialog.close();
    if (await signIn("")) location.reload();
  });
  pair.addEventListener("submit", async (event) => {
    event.preventDefault();
    const value = (id) => dialog.querySelector(`#${id}`).value;
    const { ok, told: answer } = await post("/api/v1/pairing/approve", {
      code: value("pair-typed"), name: value("pair-name"), scope: value("pair-scope"),
    }).catch(() => ({ ok: false, told: { detail: "The service did not answer." } }));
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
  const button = make("button", { type: "button", id: "access-open", className: "to", textContent: "Access" });
  button.addEventListener("click", showAccess);
  const units = document.getElementById("units-open");
  if (units) units.after(button);
  else line.append(button);
}

document.head.append(make("link", { rel: "stylesheet", href: "/static/signin.css" }));
offerAccess();
