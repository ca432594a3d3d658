// What every act of the bay screen does: a dialog that is answered, a command that is sent.

import { commandId, detailOf, exchange } from "./api.js";

/** Send a command and show the answer beside the buttons. */
export async function send(panel, command) {
  panel.answer("Sending…");
  try {
    const path = `/api/v1/bays/${encodeURIComponent(panel.name)}/command`;
    const answer = await exchange(path, { method: "POST", body: { ...command, id: commandId() }, quiet: true });
    const { ok, status, body } = answer;
    panel.answer(body.text ?? (ok ? "Done." : detailOf(answer)), !ok);
    if (status === 401 || status === 403) document.dispatchEvent(new CustomEvent("sign-in", { detail: body.detail }));
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
