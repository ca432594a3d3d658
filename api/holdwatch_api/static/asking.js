// What every act of the bay screen does: a dialog that is answered, a command that is sent.

/** An id of a change, so that one sent twice is made once. */
export function changeId() {
  // randomUUID exists on secure origins only; a screen on the shop's network may not be one.
  return `screen-${Array.from(crypto.getRandomValues(new Uint8Array(12)), (b) => b.toString(16).padStart(2, "0")).join("")}`;
}

/** Send a command and show the answer beside the buttons. */
export async function send(panel, command) {
  panel.answer("Sending…");
  try {
    const answer = await fetch(`/api/v1/bays/${encodeURIComponent(panel.name)}/command`, {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ ...command, id: changeId() }),
    });
    const body = await answer.json();
    panel.answer(body.text ?? body.detail ?? "Done.", !answer.ok);
    if (answer.status === 401 || answer.status === 403) document.dispatchEvent(new CustomEvent("sign-in", { detail: body.detail }));
  } catch {
    panel.answer("The service did not answer; nothing is known to have happened. Look at the bay before you try again.", true);
  }
}

/** Show a dialog; resolves to the value of the button that closed it, "" for Escape. */
export function choice(dialog) {
  dialog.returnValue = "";
  dialog.showModal();
  return new Promise((resolve) => {
    dialog.addEventListener("close", () => resolve(dialog.returnValue), { once: true });
  });
}

/** Show a dialog; resolves to whether its strong button was chosen. */
export async function ask(dialog) {
  return await choice(dialog) === "go";
}
